"""Co-signs checkpoints as an outside witness, written from the open pages (C2SP tlog-witness, tlog-cosignature, signed-note,
tlog-checkpoint; RFC 6962 section 2.1.2) with `cryptography` of PyPI, and no line of ours.

A server and a device, the built programs, make a ledger that grows. The witness must sign what has grown
and refuse what has not, the server must tell that, and `pintle verify` must believe the witness only
where it was given its key.
"""

import base64
import hashlib
import http.server
import json
import pathlib
import re
import tempfile
import threading
import time

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from programs import WAIT_S, Server, device, expect

NAME = "witness.example/hill"
LOG, WITNESS = b"\x01", b"\x04"

secret = Ed25519PrivateKey.generate()
public = secret.public_key().public_bytes_raw()
# By origin: the key, and size and root of what was signed last.
logs, signed, seen = {}, {}, []


def key_id(name, kind, key):
    return hashlib.sha256(name.encode() + b"\n" + kind + key).digest()[:4]


def vkey(name, kind, key):
    return f"{name}+{key_id(name, kind, key).hex()}+{base64.b64encode(kind + key).decode()}"


def node(left, right):
    return hashlib.sha256(b"\x01" + left + right).digest()


def grown(old, old_root, new, new_root, proof):
    """RFC 9162 section 2.1.4.2, which says step by step how a proof of RFC 6962 section 2.1.2 is checked."""
    if old == new:
        return not proof and old_root == new_root
    if old == 0:
        return not proof
    path = ([old_root] if old & (old - 1) == 0 else []) + proof
    if not path:
        return False
    fn, sn = old - 1, new - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = path[0]
    for beside in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = node(beside, fr), node(beside, sr)
            while fn & 1 == 0 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = node(sr, beside)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and fr == old_root and sr == new_root


def answer(body):
    """Status, media type and body, as tlog-witness says."""
    head, note = body.split("\n\n", 1)
    old, *proof = head.split("\n")
    old = int(re.fullmatch(r"old (0|[1-9][0-9]*)", old)[1])
    proof = [base64.b64decode(line, validate=True) for line in proof]
    text, lines = note.rsplit("\n\n", 1)
    text += "\n"
    origin, size, root = text.split("\n")[:3]
    size, root = int(size), base64.b64decode(root, validate=True)
    if origin not in logs:
        return 404, None, ""
    genuine = False
    for line in lines.rstrip("\n").split("\n"):
        name, data = re.fullmatch(r"— (\S+) (\S+)", line).groups()
        data = base64.b64decode(data, validate=True)
        if name == origin and data[:4] == key_id(origin, LOG, logs[origin]):
            try:
                Ed25519PublicKey.from_public_bytes(logs[origin]).verify(data[4:], text.encode())
                genuine = True
            except InvalidSignature:
                return 403, None, ""
    if not genuine:
        return 403, None, ""
    if old > size:
        return 400, None, ""
    last, last_root = signed.get(origin, (0, None))
    if old != last:
        return 409, "text/x.tlog.size", f"{last}\n"
    if old == size and root != last_root:
        return 409, None, ""
    if not grown(old, last_root, size, root, proof):
        return 422, None, ""
    signed[origin] = (size, root)
    moment = int(time.time())
    made = secret.sign(f"cosignature/v1\ntime {moment}\n{text}".encode())
    line = base64.b64encode(key_id(NAME, WITNESS, public) + moment.to_bytes(8, "big") + made).decode()
    stranger = base64.b64encode(b"abcd" + bytes(72)).decode()
    return 200, None, f"— other.example {stranger}\n— {NAME} {line}\n"


class Witness(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"])).decode()
        status, media, text = answer(body) if self.path == "/w/add-checkpoint" else (404, None, "")
        seen.append(status)
        self.send_response(status)
        if media:
            self.send_header("content-type", media)
        self.end_headers()
        self.wfile.write(text.encode())

    def log_message(self, *_):
        pass


def is_signed(asked):
    """Now, or by the server itself a moment before."""
    return f"is co-signed by {NAME}" in asked.stdout or f"{NAME} has co-signed" in asked.stdout


def main(folder):
    witness = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Witness)
    threading.Thread(target=witness.serve_forever, daemon=True).start()
    own = vkey(NAME, WITNESS, public)
    policy = pathlib.Path(folder, "witnesses")
    policy.write_text(f"# asked\nwitness hill {own} http://127.0.0.1:{witness.server_port}/w\nquorum hill\n")
    witnesses = ["--witnesses", str(policy), "--witnesses-inside"]

    pintle = device(f"{folder}/device")

    def told(*arguments):
        return json.loads(pintle("verify", f"{folder}/ex3.gz", "--key", key, "--json", *arguments))

    with Server(folder, *witnesses) as server:

        def cosign(check=True):
            return server.operator("cosign", *witnesses, check=check)

        pintle("setup", "--name", "Ines", "--mark", "K7")
        pintle("enrol", server.address, server.code)
        pintle("machine", "add", "EX3")
        pintle("repair", "EX3", "new fitting")
        pintle("sync")
        key = pintle("history", "--key").split()[-1]
        known = re.search(r"known by the key (\S+)", server.operator("cosign").stdout)[1]
        asked = cosign(check=False)
        expect("a witness that was not told of the ledger does not sign it", asked.returncode == 1 and 404 in seen)
        expect("and the operator is told what to do", "give it the key" in asked.stderr)

        name, rest = known.split("+")[0], known.split("+", 2)[2]
        logs[name] = base64.b64decode(rest)[1:]
        expect("the printed key is a verifier key of the open form", vkey(name, LOG, logs[name]) == known)
        asked = cosign()
        expect("once it knows the ledger it signs", is_signed(asked) and 200 in seen)

        # Several records later, and the server asks by itself.
        for number in range(5):
            pintle("note", "EX3", f"squeak {number}")
            pintle("sync")
        before, until = signed[name][0], time.monotonic() + WAIT_S
        while time.monotonic() < until and f"{NAME} has co-signed its newest" not in cosign(check=False).stdout:
            time.sleep(0.2)
        expect("it signs what has grown, by a proof that it checks itself", signed[name][0] > before and 422 not in seen)
        pintle("history", "EX3", "--to", f"{folder}/ex3.gz")
        [by] = told("--witness", own)["witnesses"]
        expect("the history has its line, and who gave the key is told so", by["name"] == NAME and by["known"])
        expect("at the moment that it stated", abs(by["time_s"] - time.time()) < WAIT_S)
        [by] = told()["witnesses"]
        expect("who gave no key is told a claim", not by["known"] and by["key"] == own)
        namesake = vkey(NAME, WITNESS, Ed25519PrivateKey.generate().public_key().public_bytes_raw())
        said = " ".join(pintle("verify", f"{folder}/ex3.gz", "--key", key, "--witness", namesake).split())
        expect("a namesake is another", f"not co-signed by {NAME}" in said and "a claim" in said)

        # The witness lost what it knew: it says so, and the proof begins there.
        pintle("note", "EX3", "quiet now")
        pintle("sync")
        signed.pop(name)
        asked = cosign()
        expect("a witness that begins anew is begun with anew", is_signed(asked) and 409 in seen)

        # Another ledger under the same name and key: one beside, and one that went on.
        size, root = signed[name]
        for claimed, said in ((size, "has signed another ledger"), (size + 1000, f"has signed {size + 1000} leaves")):
            signed[name] = (claimed, hashlib.sha256(b"another ledger").digest())
            pintle("note", "EX3", "one more")
            pintle("sync")
            asked = cosign(check=False)
            expect(f"of another ledger it signs nothing, and the operator is told that it {said}", said in asked.stderr)
            expect("and nothing else is kept", signed[name][0] == claimed and asked.returncode == 1)
        signed[name] = (size, root)
        asked = cosign()
        expect("of its own it signs on", signed[name][0] > size and is_signed(asked))


with tempfile.TemporaryDirectory() as folder:
    main(folder)
