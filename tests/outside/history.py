"""A verifier of service-history files, written from docs/HISTORY-FORMAT.md alone.

    history.py FILE [--key KEY] [--authority PEM]        prints the verdict and the failures as JSON; exits as the page says

Uses Python's standard library and `cryptography` for Ed25519, and for time stamps the program openssl; of Pintle's programs
nothing.
"""

import base64
import datetime
import hashlib
import json
import re
import subprocess
import sys
import tempfile
import zlib

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

LINE_BYTES_MAX = 256 * 1024
CODES = {"valid": 0, "invalid": 1, "incomplete": 2, "cannot judge": 3}
GENTLE = {"entries-missing": "incomplete", "file-cut": "incomplete", "unknown-version": "cannot judge"}
# Ed25519 points of small order: libraries differ in whether they refuse them, the page does not.
SMALL_ORDER = {
    "0100000000000000000000000000000000000000000000000000000000000000",
    "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    "0000000000000000000000000000000000000000000000000000000000000000",
    "0000000000000000000000000000000000000000000000000000000000000080",
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
    "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc85",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
    "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa",
}


class Bad(Exception):
    """Something is not of the form that it must have."""


def h(*pieces):
    return hashlib.sha256(b"".join(pieces)).digest()


def n8(number):
    return number.to_bytes(8, "big")


def unbase(text, length):
    if not isinstance(text, str) or not re.fullmatch(r"[A-Za-z0-9_-]*", text):
        raise Bad("not base64url")
    data = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    if len(data) != length or base64.urlsafe_b64encode(data).rstrip(b"=").decode() != text:
        raise Bad(f"not {length} bytes in their exact spelling")
    return data


def unbase_any(text, most):
    if not re.fullmatch(r"[A-Za-z0-9_-]+", text) or len(text) % 4 == 1:
        raise Bad("not base64url")
    data = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    if len(data) > most or b64(data) != text:
        raise Bad("not bytes in their exact spelling")
    return data


def b64(data):
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def canonical(value):
    if isinstance(value, dict):
        items = sorted(value.items(), key=lambda item: item[0].encode("utf-16-be", "surrogatepass"))
        return b"{" + b",".join(canonical(k) + b":" + canonical(v) for k, v in items) + b"}"
    if isinstance(value, list):
        return b"[" + b",".join(canonical(v) for v in value) + b"]"
    return json.dumps(value, ensure_ascii=False).encode()


def strict(line):
    """One line of JSON, by the page's rules."""

    def pairs(found):
        if len({key for key, _ in found}) != len(found):
            raise Bad("a key stands twice")
        return dict(found)

    def whole(text):
        if text == "-0" or abs(int(text)) > 2**53 - 1:
            raise Bad("not a whole number within its bounds")
        return int(text)

    def never(_):
        raise Bad("a number that is not whole")

    try:
        value = json.loads(
            line.decode("utf-8"),
            object_pairs_hook=pairs,
            parse_int=whole,
            parse_float=never,
            parse_constant=never,
        )
    except (ValueError, RecursionError) as error:
        raise Bad(str(error)) from None
    depth(value, 0)
    return value


def depth(value, level):
    if level > 64:
        raise Bad("nested too deep")
    if isinstance(value, str) and ("\0" in value or any(0xD800 <= ord(c) < 0xE000 for c in value)):
        raise Bad("a text with U+0000 or half a character")
    if isinstance(value, (dict, list)):
        inner = list(value.values()) + list(value) if isinstance(value, dict) else value
        for one in inner:
            depth(one, level + 1)


def fields(value, required, optional=()):
    if not isinstance(value, dict) or not set(required) <= set(value) <= set(required) | set(optional):
        raise Bad("it has other fields than it must have")
    return value


def count(value):
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise Bad("not a count")
    return value


def whole(value):
    if isinstance(value, bool) or not isinstance(value, int):
        raise Bad("not a whole number")
    return value


def text(value):
    if not isinstance(value, str):
        raise Bad("not a text")
    return value


def signed(key, message, signature):
    if key.hex() in SMALL_ORDER:
        return False
    try:
        Ed25519PublicKey.from_public_bytes(key).verify(signature, message)
        return True
    except (InvalidSignature, ValueError):
        return False


def leaf(data):
    return h(b"\x00", data)


def node(left, right):
    return h(b"\x01", left, right)


def root_of_inclusion(hash_, index, size, proof):
    """RFC 9162 section 2.1.3.2."""
    if index >= size or len(proof) > 63:
        return None
    place, last = index, size - 1
    for step in proof:
        if last == 0:
            return None
        if place & 1 or place == last:
            hash_ = node(step, hash_)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            hash_ = node(hash_, step)
        place, last = place >> 1, last >> 1
    return hash_ if last == 0 else None


# What OpenSSL says where the certificates of a token lead to none that it was given.
STRANGERS = ("self-signed certificate in certificate chain", "unable to get local issuer certificate")


def openssl_judges(token, text, at_s, authority):
    """What OpenSSL makes of a token (RFC 3161): "false", "counts", or "stranger" if it is of an authority that was not given."""
    with tempfile.NamedTemporaryFile() as file:
        file.write(token)
        file.flush()
        digest = hashlib.sha256(text).hexdigest()
        show = ["openssl", "ts", "-reply", "-in", file.name, "-token_in", "-text"]
        shown = subprocess.run(show, capture_output=True, encoding="utf-8", errors="replace")
        stated = re.search(r"Time stamp: (\w+ +\d+ \d+:\d+:\d+)(\.\d+)? (\d+) GMT", shown.stdout)
        imprint = "".join(re.findall(r"^    [0-9a-f]{4} - ([0-9a-f -]{47})", shown.stdout, re.MULTILINE)[:2])
        if not stated or re.sub("[ -]", "", imprint) != digest:
            return "false"
        moment = datetime.datetime.strptime(f"{stated[1]} {stated[3]} +0000", "%b %d %H:%M:%S %Y %z")
        moment = int(moment.timestamp())
        verify = ["openssl", "ts", "-verify", "-digest", digest, "-in", file.name, "-token_in", "-CAfile", authority]
        ran = subprocess.run([*verify, "-attime", str(moment)], capture_output=True, errors="replace")
        if ran.returncode != 0:
            return "stranger" if any(why in ran.stderr for why in STRANGERS) else "false"
        return "counts" if moment == at_s else "false"


class Tree:
    """A tree that grows: the roots of its full parts, from the left."""

    def __init__(self):
        self.size, self.parts = 0, []

    def push(self, hash_):
        size = self.size
        while size & 1:
            hash_ = node(self.parts.pop(), hash_)
            size >>= 1
        self.parts.append(hash_)
        self.size += 1

    def root(self):
        if not self.parts:
            return h()
        hash_ = self.parts[-1]
        for part in reversed(self.parts[:-1]):
            hash_ = node(part, hash_)
        return hash_


def roll_root(key, entries, root, proof):
    hash_ = h(b"\x02", key, n8(entries), root)
    for depth_, beside in zip(range(len(proof) - 1, -1, -1), proof):
        bit = key[depth_ // 8] >> (7 - depth_ % 8) & 1
        hash_ = h(b"\x03", beside, hash_) if bit else h(b"\x03", hash_, beside)
    return hash_


def read_note(note):
    """Text and signature lines of a signed note; none if it is not in its exact form."""
    if any((ord(c) < 32 and c != "\n") or 127 <= ord(c) < 160 for c in note) or not note.endswith("\n"):
        return None
    split = note.rfind("\n\n")
    if split < 0:
        return None
    lines = []
    for line in note[split + 2 : -1].split("\n"):
        match = re.fullmatch("\u2014 ([^\\s+]+) ([A-Za-z0-9+/]+={0,2})", line)
        if not match:
            return None
        try:
            data = base64.b64decode(match[2], validate=True)
        except ValueError:
            return None
        if len(data) < 5 or base64.b64encode(data).decode() != match[2]:
            return None
        lines.append((match[1], data[:4], data[4:]))
    return (note[: split + 1], lines) if len(lines) <= 100 else None


def judged(note, name, kind, key):
    """Whether the key's line under a note verifies; none if it has none. A witness's time comes with it."""
    if note is None:
        return None
    body, lines = note
    key_id = h(name.encode() + b"\n" + bytes([kind]) + key)[:4]
    found = None
    for line_name, line_id, signature in lines:
        if (line_name, line_id) != (name, key_id):
            continue
        message = body.encode()
        if kind == 4:
            message = b"cosignature/v1\ntime %d\n" % int.from_bytes(signature[:8], "big") + message
            signature = signature[8:]
        if len(signature) != 64 or not signed(key, message, signature):
            return False
        found = True
    return found


class Verifier:
    def __init__(self, pin, authority=None):
        self.pin, self.authority, self.failures, self.lines = pin, authority, [], 0
        self.stamps, self.unproved = [], []
        self.stage, self.batch = "history", None
        self.devices, self.tree, self.strayed, self.checkpoint = [], Tree(), None, None
        self.pinned = False

    def fail(self, code, told, line=None):
        self.failures.append({"code": code, "line": line or self.lines, "told": told})

    def line(self, line):
        self.lines += 1
        if self.stage == "lost":
            return
        before = self.stage
        try:
            if len(line) > LINE_BYTES_MAX:
                raise Bad("it is too long")
            self.value(strict(line))
        except Bad as error:
            self.fail("damaged-line", f"line {self.lines} cannot be read{self.place()}: {error}")
        if before in ("history", "keys", "checkpoint") and self.stage == before:
            self.stage = "lost"

    def place(self):
        return f", where {self.name()} should stand" if self.batch else ""

    def name(self):
        return f"{self.devices[self.batch['device']]['mark']}-{self.batch['seq'] + 1}"

    def value(self, value):
        if not isinstance(value, dict):
            raise Bad("not an object")
        if self.stage == "stamps" and "stamp" in value:
            return self.stamp(fields(value, ["stamp"])["stamp"])
        if self.stage == "stamps":
            self.stage = "body"
            if not self.stamps:
                self.fail("damaged-line", f"line {self.lines} cannot be read: a file of version 2 has a time stamp here")
        if self.stage in ("history", "keys", "checkpoint"):
            getattr(self, self.stage + "_line")(fields(value, [self.stage])[self.stage])
        elif self.stage == "ended":
            raise Bad("there is something after the end")
        elif "entry" in value:
            self.entry(fields(value, ["entry", "link"], ["aside", "off_s"]))
        else:
            kind = next((k for k in ("device", "person", "batch", "other", "end") if k in value), None)
            if kind is None:
                raise Bad("a line of this kind has no place here")
            {"device": self.device, "person": self.person, "batch": self.begin, "other": self.other, "end": self.end}[kind](
                fields(value, [kind])[kind]
            )

    def history_line(self, top):
        fields(top, ["v", "organisation", "machine", "made_ms", "withheld"])
        fields(top["organisation"], ["id", "name"])
        self.organisation = unbase(top["organisation"]["id"], 16)
        self.organisation_text, self.machine_text = top["organisation"]["id"], text(top["machine"])
        self.machine = unbase(top["machine"], 16)
        text(top["organisation"]["name"]), whole(top["made_ms"])
        if not isinstance(top["withheld"], list):
            raise Bad("not a list")
        [text(one) for one in top["withheld"]]
        self.stage = "keys"
        self.stamped = count(top["v"]) == 2
        if top["v"] not in (1, 2):
            self.fail("unknown-version", "the file is of another version")
            self.stage = "lost"

    def keys_line(self, keys):
        if not isinstance(keys, list):
            raise Bad("not a list")
        read = []
        for one in keys:
            fields(one, ["epoch", "key"], ["proof"])
            proof = unbase(one["proof"], 64) if "proof" in one else None
            read.append((count(one["epoch"]), unbase(one["key"], 32), proof))
        self.stage = "checkpoint"
        for (epoch0, key0, _), (epoch, key, proof) in zip(read, read[1:]):
            message = b"pintle/checkpoint-key/1\n" + self.organisation + n8(epoch0) + n8(epoch) + key
            if epoch <= epoch0 or proof is None or not signed(key0, message, proof):
                self.fail("key-not-vouched", f"the key of epoch {epoch} is not vouched for")
        self.signer = read[-1] if read else None
        self.epochs = [epoch for epoch, _, _ in read]
        if self.signer is None:
            self.fail("checkpoint-not-signed", "the file has no key")
        elif self.pin is not None and self.pin not in [key for _, key, _ in read]:
            self.fail("unknown-signer", "the file is signed by another key")
        else:
            self.pinned = self.pin is not None

    def checkpoint_line(self, shown):
        fields(shown, ["note", "witnesses", "roll", "inclusion", "count", "root", "proof"])
        roll = fields(shown["roll"], ["machines", "made_ms", "position", "root"])
        count(roll["machines"]), whole(roll["made_ms"]), count(roll["position"])
        roll_hash = unbase(roll["root"], 32)
        hashes = {}
        for which in ("inclusion", "proof"):
            if not isinstance(shown[which], list):
                raise Bad("not a list")
            hashes[which] = [unbase(one, 32) for one in shown[which]]
        self.counted, self.root = count(shown["count"]), unbase(shown["root"], 32)
        if not isinstance(shown["witnesses"], list):
            raise Bad("not a list")
        note, witnesses = read_note(text(shown["note"])), [text(one) for one in shown["witnesses"]]
        self.stage, self.checkpoint = "stamps" if self.stamped else "body", shown
        if self.signer is None:
            return
        epoch, key, _ = self.signer
        origin = f"pintle/{self.organisation_text}/{epoch}"
        match = note and re.fullmatch(r"([^\n]+)\n(0|[1-9][0-9]*)\n([A-Za-z0-9+/]{43}=)\n(?:[^\n]+\n)*", note[0])
        if not match or match[1] != origin or not judged(note, origin, 1, key):
            self.fail("checkpoint-not-signed", "the checkpoint is not signed by the newest key")
        else:
            size, tree_root = int(match[2]), base64.b64decode(match[3])
            data = leaf(canonical({"roll": roll}))
            if size > 2**53 - 1 or root_of_inclusion(data, size - 1, size, hashes["inclusion"]) != tree_root:
                self.fail("roll-not-proved", "the roll is not the last leaf under the checkpoint")
        place = h(b"pintle/machine/1\n", self.organisation, self.machine)
        proof = hashes["proof"]
        if len(proof) > 256 or roll_root(place, self.counted, self.root, proof) != roll_hash:
            self.fail("count-not-proved", "the roll does not say that of this machine")
        for vkey in witnesses:
            parts = vkey.split("+", 2)
            try:
                data = base64.b64decode(parts[2], validate=True)
                good = len(data) == 33 and data[0] == 4 and judged(note, parts[0], 4, data[1:])
                good = good and h(parts[0].encode() + b"\n" + data)[:4].hex() == parts[1]
            except (ValueError, IndexError):
                good = False
            if not good:
                self.fail("witness-false", f"the co-signature of {vkey} is not under the checkpoint")

    def stamp(self, shown):
        fields(
            shown,
            ["epoch", "size", "root", "count", "position", "index", "inclusion", "authority", "at_s", "token"],
        )
        [count(shown[name]) for name in ("epoch", "size", "count", "position", "index")]
        text(shown["authority"]), whole(shown["at_s"])
        tree_root = unbase(shown["root"], 32)
        if not isinstance(shown["inclusion"], list):
            raise Bad("not a list")
        inclusion = [unbase(one, 32) for one in shown["inclusion"]]
        before = self.stamps[-1]["count"] if self.stamps else 1
        if len(self.stamps) >= 260 or shown["count"] < before or shown["position"] == 0 or shown["index"] >= shown["size"]:
            raise Bad("the numbers of a time stamp do not fit together")
        token = unbase_any(text(shown["token"]), 64 * 1024)
        epoch, size = shown["epoch"], shown["size"]
        stamped = f"pintle/{self.organisation_text}/{epoch}\n{size}\n{base64.b64encode(tree_root).decode()}\n".encode()
        standing = "unjudged" if epoch in self.epochs else "false"
        if standing == "unjudged" and self.authority is not None:
            standing = openssl_judges(token, stamped, shown["at_s"], self.authority)
        good = standing != "false"
        if not good:
            self.fail("stamp-false", f"the time stamp over the first {shown['count']} entries is false")
        self.stamps.append(shown | {"line": self.lines, "good": good, "standing": standing, "tree_root": tree_root, "proof": inclusion})

    def reached(self, data):
        """Looks at the stamps that end with the entry that was just added to the machine's tree."""
        for stamp in self.stamps:
            if stamp["count"] != self.tree.size or not stamp["good"]:
                continue
            place = {"count": stamp["count"], "machine": self.machine_text, "machine_root": b64(self.tree.root())}
            hash_ = leaf(canonical(data | place | {"position": stamp["position"]}))
            if root_of_inclusion(hash_, stamp["index"], stamp["size"], stamp["proof"]) != stamp["tree_root"]:
                self.unproved.append(stamp["line"])

    def device(self, device):
        fields(device, ["id", "mark", "key", "person"])
        read = {"id": unbase(device["id"], 16), "key": unbase(device["key"], 32), "mark": text(device["mark"])}
        unbase(device["person"], 16)
        self.close()
        if read["id"] != h(read["key"])[:16]:
            self.fail("device-not-of-key", f"the id of device {read['mark']} is not that of its key")
        if any(known["id"] == read["id"] for known in self.devices):
            raise Bad("a device is named twice")
        self.devices.append(read | {"seq": 0, "mseq": 0})

    def person(self, person):
        fields(person, ["id", "name"])
        unbase(person["id"], 16), text(person["name"])
        self.close()

    def begin(self, batch):
        fields(batch, ["device", "from", "to", "first", "received_ms", "signature", "root"], ["previous"])
        numbers = [count(batch[name]) for name in ("device", "from", "to", "first")]
        previous = unbase(batch["previous"], 32) if "previous" in batch else None
        read = {"signature": unbase(batch["signature"], 64), "root": unbase(batch["root"], 32)}
        read["received_ms"] = whole(batch["received_ms"])
        self.close()
        number, start, to, first = numbers
        if number >= len(self.devices):
            raise Bad("a batch is of a device that the file does not name")
        if not (1 <= first <= to and 1 <= start <= to) or (previous is None) != (first == 1):
            raise Bad("the numbers of a batch do not fit together")
        device = self.devices[number]
        if first <= device["seq"]:
            self.fail("out-of-order", f"{device['mark']}-{first} comes again or too late")
        link = previous or h(b"pintle/log/1\n", device["key"])
        self.batch = read | {
            "device": number, "from": start, "to": to, "first": first, "seq": first - 1, "link": link,
            "line": self.lines, "shown": None,
        }  # fmt: skip

    def next_entry(self):
        if self.batch is None:
            raise Bad("an entry stands in no batch")
        if self.batch["seq"] >= self.batch["to"]:
            raise Bad("a batch has more entries than its seal covers")

    def other(self, parts):
        if not isinstance(parts, list) or len(parts) != 4:
            raise Bad("not four hashes")
        parts = [unbase(part, 32) for part in parts]
        self.next_entry()
        self.batch["link"] = h(self.batch["link"], *parts)
        self.batch["seq"] += 1

    def entry(self, line):
        entry, stated = line["entry"], unbase(line["link"], 32)
        parts = self.parts(entry)
        aside = text(line["aside"]) if "aside" in line else None
        off_s = whole(line["off_s"]) if "off_s" in line else None
        name = self.name() if self.batch else ""
        self.next_entry()
        batch = self.batch
        device = self.devices[batch["device"]]
        if h(batch["link"], *parts) != stated:
            self.fail("entry-altered", f"entry {name} was altered: it does not lead to its link")
        batch["link"] = stated
        batch["seq"] += 1
        seq = batch["seq"]
        batch["shown"] = (batch["shown"] or (seq, seq))[0], seq
        head = entry["head"]
        if head.get("seq") != seq or head.get("machine") != self.machine_text or not self.readable(head):
            self.fail("entry-misplaced", f"what stands in the place of {name} is another entry")
        else:
            self.running(device, name, head["mseq"], seq, aside)
        data = {"device": b64(device["id"]), "link": b64(stated), "received_ms": batch["received_ms"], "seq": seq}
        if aside is not None:
            data["aside"] = aside
        if off_s is not None:
            data["off_s"] = off_s
        self.tree.push(leaf(canonical(data)))
        self.reached(data)

    @staticmethod
    def readable(head):
        mseq = head.get("mseq")
        return isinstance(mseq, int) and not isinstance(mseq, bool) and mseq >= 0

    @staticmethod
    def parts(entry):
        if not isinstance(entry, dict) or not set(entry) <= {"head", "body", "words", "office", "withheld"}:
            raise Bad("not an entry")
        withheld = entry.get("withheld", {})
        if not isinstance(withheld, dict) or not set(withheld) <= {"body", "words", "office"} - set(entry):
            raise Bad("what is withheld is not also there")
        hashes = {name: unbase(one, 32) for name, one in withheld.items()}
        for name in ("head", "body", "words", "office"):
            if name in entry:
                if not isinstance(entry[name], dict):
                    raise Bad("a part is an object")
                hashes[name] = h(canonical(entry[name]))
        if "head" not in hashes or "body" not in hashes:
            raise Bad("an entry has a head and a body")
        seq = entry["head"].get("seq")
        if isinstance(seq, bool) or not isinstance(seq, int) or seq < 1:
            raise Bad("an entry has a number")
        return [hashes.get(name, bytes(32)) for name in ("head", "body", "words", "office")]

    def running(self, device, name, mseq, seq, aside):
        before, last, mark = device["mseq"], device["seq"], device["mark"]
        device["mseq"], device["seq"] = max(before, mseq), seq
        if aside == "machine-sequence-gap":
            return
        if mseq > before + 1:
            since = f"{mark}-{last}" if last else "the beginning"
            told = f"{mseq - before - 1} of {mark}'s entries about this machine are missing between {since} and {name}"
            self.fail("entries-missing", told)
        elif mseq <= before:
            self.fail("out-of-order", f"{name} has a running count that came before")

    def close(self):
        batch, self.batch = self.batch, None
        if batch is None:
            return
        device = self.devices[batch["device"]]
        mark, first, to = device["mark"], batch["first"], batch["to"]
        if batch["seq"] < first:
            self.fail("damaged-line", f"the batch from {mark}-{first} on has no entries", batch["line"])
        elif batch["seq"] < to:
            told = f"{mark}-{batch['seq'] + 1} to {mark}-{to} are missing at the end of their batch"
            self.fail("entries-missing", told, batch["line"])
        else:
            message = b"pintle/seal/1\n" + self.organisation + device["id"] + n8(batch["from"]) + n8(to) + batch["link"]
            # The id in the seal is the key's, whatever the file says.
            good = device["id"] == h(device["key"])[:16] and signed(device["key"], message, batch["signature"])
            if not good:
                told = f"the seal of {mark} over {mark}-{first} to {mark}-{to} is not that device's"
                self.fail("seal-false", told, batch["line"])
        if self.tree.root() != batch["root"] and self.strayed is None:
            from_, until = batch["shown"] or (first, to)
            told = f"the batch with {mark}-{from_} to {mark}-{until} does not stand where it stood"
            self.strayed = (batch["line"], told)

    def end(self, end):
        fields(end, ["entries", "lines"])
        count(end["entries"]), count(end["lines"])
        self.close()
        if (end["lines"], end["entries"]) != (self.lines, self.tree.size):
            self.fail("file-cut", "the file has other numbers of lines and entries than it should")
        self.stage = "ended"

    def verdict(self):
        if self.stage not in ("ended", "lost"):
            self.batch = None
            last = ", ".join(f"{d['mark']}-{d['seq']}" for d in self.devices if d["seq"])
            self.fail("file-cut", f"the file is cut off {'after ' + last if last else 'before any entry'}")
        if self.checkpoint is not None:
            self.whole_count()
        kinds = {GENTLE.get(failure["code"], "invalid") for failure in self.failures}
        for standing in ("invalid", "incomplete", "cannot judge"):
            if standing in kinds:
                return standing
        return "valid" if self.pinned else "cannot judge"

    def whole_count(self):
        if self.tree.size < self.counted:
            told = f"{self.counted - self.tree.size} of the machine's {self.counted} entries are missing in all"
            self.fail("entries-missing", told)
        elif self.tree.size > self.counted:
            self.fail("entries-added", "more entries are here than the checkpoint counts")
        if any(failure["code"] == "entries-missing" for failure in self.failures):
            return
        if self.strayed:
            self.fail("batch-altered", self.strayed[1], self.strayed[0])
        elif self.tree.root() != self.root and not self.failures:
            self.fail("batch-altered", "the entries do not lead to the root that the roll says")
        else:
            beyond = [stamp["line"] for stamp in self.stamps if stamp["good"] and stamp["count"] > self.tree.size]
            for line in self.unproved + beyond:
                self.fail("stamp-false", "a time stamp is not of these entries", line)


def judge_lines(lines, pin, authority=None):
    verifier = Verifier(pin, authority)
    for line in lines:
        verifier.line(line)
    return verifier.verdict(), sorted(verifier.failures, key=lambda failure: failure["line"])


def lines_of(path):
    """The lines of a file; they end where it cannot be inflated."""
    with open(path, "rb") as raw:
        inflated = zlib.decompressobj(wbits=31)
        rest = b""
        while chunk := raw.read(1 << 16):
            try:
                rest += inflated.decompress(chunk)
            except zlib.error:
                break
            *whole_lines, rest = rest.split(b"\n")
            yield from whole_lines
        if rest:
            yield rest


def main(arguments):
    pin = None
    if "--key" in arguments:
        at = arguments.index("--key")
        pin = unbase(arguments[at + 1], 32)
        del arguments[at : at + 2]
    authority = None
    if "--authority" in arguments:
        at = arguments.index("--authority")
        authority = arguments[at + 1]
        del arguments[at : at + 2]
    standing, failures = judge_lines(lines_of(arguments[0]), pin, authority)
    print(json.dumps({"standing": standing, "failures": failures}))
    return CODES[standing]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
