"""A whole client, written from docs/PROTOCOL.md alone: `client.py URL CODE`, or `client.py --vectors FILE`.

It enrols, records, seals, pushes, loses a reply and pushes again, pulls all pages and reads its machine's book. It promises
that each link, seal and digest it is given follows from what it holds; where one does not, it says so and ends with 1.
"""
import base64, datetime, gzip, hashlib, json, os, struct, sys, urllib.error, urllib.request
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

def b64(data): return base64.urlsafe_b64encode(data).rstrip(b"=").decode()
def unb64(text): return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
def fresh(): return b64(os.urandom(16))
def sha256(data): return hashlib.sha256(data).digest()
def now(): return datetime.datetime.now().astimezone().isoformat(timespec="seconds")
def first_link(public): return sha256(b"pintle/log/1\n" + public)
def need(holds, *what):
    if not holds: sys.exit("client.py: " + " ".join(map(str, what)))

def canonical(value):
    def by_utf16(pairs): return dict(sorted(pairs, key=lambda pair: pair[0].encode("utf-16-be")))
    value = json.loads(json.dumps(value), object_pairs_hook=by_utf16)
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode()

def next_link(link, entry):
    for part in ("head", "body", "words", "office"):
        given = entry.get("withheld", {}).get(part)
        link += sha256(canonical(entry[part])) if part in entry else unb64(given) if given else bytes(32)
    return sha256(link)

def seal_text(organisation, device, first, last, link):
    return b"pintle/seal/1\n" + unb64(organisation) + unb64(device) + struct.pack(">QQ", first, last) + link

class Device:  # one device and all it keeps; its entries are all about one machine, so that their mseq is their seq
    def __init__(self, url, code):
        self.url, self.key = url.rstrip("/"), Ed25519PrivateKey.generate()
        public = self.key.public_key().public_bytes_raw()
        self.id, self.person, self.machine = b64(sha256(public)[:16]), fresh(), fresh()
        self.log, self.links, self.places = [], {(self.id, 0): first_link(public)}, {}  # by (device, seq): link; position
        self.position, self.cursor, self.directory, self.keys, self.sealed = 0, {}, 0, {}, {}
        body = {"code": code, "key": b64(public), "mark": "S1", "person": {"id": self.person, "name": "Ines"},
                "proof": self.sign(b"pintle/enrol/1\n" + sha256(code.encode()) + public)}
        self.last = self.ask("/v1/enrol", {}, json.dumps(body).encode())[1]  # the last reply that was applied
        need(self.last["device"] == self.id, "the server has another id for this key:", self.last["device"])
        self.organisation, self.mark = self.last["organisation"]["id"], self.last["mark"]

    def sign(self, text): return b64(self.key.sign(text))
    def ask(self, path, headers, body=None):
        request = urllib.request.Request(self.url + path, body, {"Content-Type": "application/json", **headers})
        try:
            with urllib.request.urlopen(request, timeout=30) as reply:
                return reply.headers, json.load(reply)
        except urllib.error.HTTPError as refusal:
            need(refusal.code == 304, path, "was refused:", refusal.read().decode())
            return refusal.headers, None

    def record(self, kind, body, **salted):
        seq = len(self.log) + 1
        head = dict(v=1, seq=seq, machine=self.machine, mseq=seq, seen=self.position, at=now(), by=self.person, kind=kind)
        self.log.append({"head": head, "body": body, **{part: {"salt": fresh(), **salted[part]} for part in salted}})
        self.links[self.id, seq] = next_link(self.links[self.id, seq - 1], self.log[-1])

    def digest(self):
        links = [self.links[name] for name, position in self.places.items() if position <= self.position]
        return {"count": len(links), "sum": str(sum(int.from_bytes(link[:8], "big") for link in links) % 2**64)}

    def exchange(self):  # the bytes of one request: own entries that have no position yet, and the wish for the next page
        end, start = len(self.log), sum((self.id, n + 1) in self.places for n in range(len(self.log)))
        body = {"protocol": 1, "request": fresh(), "organisation": self.organisation, "device": self.id,
                **{field: self.last[field] for field in ("store", "epoch", "baton")}, "clock": {"at": now()},
                "log": {"seq": end, "link": b64(self.links[self.id, end])}, "directory": self.directory,
                "pull": {"bytes_max": 16384, **self.cursor}, "digest": self.digest()}
        if start < end:
            seal = seal_text(self.organisation, self.id, start + 1, end, self.links[self.id, end])
            body["push"] = {"from": start + 1, "previous": b64(self.links[self.id, start]), "entries": self.log[start:],
                            "signature": self.sign(seal)}
        return json.dumps(body).encode()

    def send(self, body):
        headers = {"Content-Encoding": "gzip", "Pintle-Proof": self.sign(b"pintle/sync/1\n" + sha256(body))}
        reply = self.ask("/v1/sync", headers, gzip.compress(body))[1]
        need(reply["request"] == json.loads(body)["request"], "the reply answers another request")
        return reply

    def sync(self, body, outcome):  # checks the reply against what is held and takes it over; returns the count of entries
        reply = self.send(body)
        push, pull, end, page = reply["push"], reply["pull"], reply["log"], reply["pull"].get("entries", [])
        need(push["outcome"] == outcome and not push.get("aside"), "not", outcome, "but", push)
        need(b64(self.links[self.id, end["seq"]]) == end["link"], "the server holds another log of this device")
        need((reply["store"], reply["epoch"]) == (self.last["store"], self.last["epoch"]), "the ledger is another one")
        need(pull["outcome"] == "page", "nothing could be pulled:", pull)
        for run in push.get("held", []):
            self.places |= {(self.id, run["from"] + i): run["position"] + i for i in range(run["to"] - run["from"] + 1)}
        for card in reply.get("directory", {}).get("devices", []):
            device, public, self.directory = card["id"], unb64(card["key"]), reply["directory"]["version"]
            need(b64(sha256(public)[:16]) == device, card["mark"], "has a key that does not make its id")
            self.keys[device], self.links[device, 0] = Ed25519PublicKey.from_public_bytes(public), first_link(public)
        for item in page:
            device, seq, link = item["device"], item["entry"]["head"]["seq"], unb64(item["link"])
            need(self.position < item["position"] <= pull["position"], "positions do not rise at", item["position"])
            need(next_link(self.links[device, seq - 1], item["entry"]) == link, "wrong link:", device, seq)
            need(self.links.setdefault((device, seq), link) == link, "another entry is held as", device, seq)
            self.position = self.places[device, seq] = item["position"]
        for seal in pull.get("seals", []):
            device, last = seal["device"], seal["to"]
            text = seal_text(self.organisation, device, seal["from"], last, self.links[device, last])
            self.keys[device].verify(unb64(seal["signature"]), text)
            self.sealed[device] = last
        self.cursor, self.position, self.last = {"cursor": pull["cursor"]}, pull["position"], reply
        need(self.digest() == pull["digest"], "digest:", self.digest(), "is held,", pull["digest"], "was told")
        about_machines = sum("machine" in item["entry"]["head"] for item in page)  # the others: who was let in
        return about_machines + (self.sync(self.exchange(), "none") if pull["more"] else 0)

    def token(self):  # an assertion of a minute, signed with the device's key, for a token to read with
        iat = self.last["now_ms"] // 1000
        claims = dict(iss=self.id, sub=self.id, aud=self.last["store"], iat=iat, exp=iat + 60, jti=fresh())
        text = ".".join(b64(json.dumps(part).encode()) for part in ({"alg": "EdDSA", "typ": "JWT", "kid": self.id}, claims))
        assertion = json.dumps({"assertion": text + "." + self.sign(text.encode())}).encode()
        return self.ask("/v1/token", {}, assertion)[1]["access_token"]

def main(url, code):
    name = "Loader " + (device := Device(url, code)).mark
    device.record("machine_added", {"name": name, "meter_kind": "hours"})
    for hours in range(100):  # enough for several pages
        device.record("meter_read", {"reading": f"{4100 + hours}.5"})
    device.record("task_done", {"task": "grease"}, words={"text": "left pin took a lot"}, office={"job": "J-7"})
    need(device.send(first := device.exchange())["push"]["outcome"] == "accepted", "the first push was not accepted")
    received = device.sync(first, "already_held")  # as if that reply had been lost
    device.record("note_left", {"handover": True}, words={"text": "the gate key hangs in the shed"})
    received += device.sync(device.exchange(), "accepted")
    need(device.sync(device.exchange(), "none") == 0, "entries came twice")
    unsealed = [entry for entry in device.links if entry[0] != device.id and entry[1] > device.sealed.get(entry[0], 0)]
    need(not unsealed, "entries under no seal:", unsealed)
    path, bearer = f"/v1/machines/{device.machine}/book", {"Authorization": "Bearer " + device.token()}
    headers, answer = device.ask(path, bearer)
    need(answer["book"]["attributes"]["name"]["value"] == name, "the book is another machine's:", answer)
    need(device.ask(path, {**bearer, "If-None-Match": headers["ETag"]})[1] is None, "an unchanged book came twice")
    print(json.dumps(dict(device=device.id, mark=device.mark, sent=len(device.log), received=received, digest="ok", book=name)))

def check_vectors(path):
    log = json.load(open(path))["log"]
    links, device = [first_link(unb64(log["public_key"]))], b64(sha256(unb64(log["public_key"]))[:16])
    for case in log["entries"]:
        links.append(next_link(links[-1], json.loads(case["json"])))
        need(b64(links[-1]) == case["link"], "another link than that of entry", len(links) - 1)
    for seal in log["seals"]:
        text = seal_text(seal["organisation"], device, seal["from"], seal["to"], links[seal["to"]])
        need(text.hex() == seal["text_hex"], "another text than that of the seal", seal)

if __name__ == "__main__":
    try: check_vectors(sys.argv[2]) if sys.argv[1:2] == ["--vectors"] else main(*sys.argv[1:])
    except Exception as wrong: sys.exit(f"client.py: missing or wrong: {wrong!r}")
