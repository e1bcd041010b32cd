"""Checks tests/vectors/protocol.json without any code of ours: standard library, cryptography, rfc8785.

Every canonical text, hash, link, signed text, signature, digest and id of the golden vectors is computed anew from
docs/PROTOCOL.md. Ends with `N passed, N failed`, and exit code 1 if anything differs or too little was checked.
"""

import base64
import hashlib
import json
import pathlib
import re
import sys

import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

VECTORS = pathlib.Path(__file__).parent.parent / "vectors" / "protocol.json"
PARTS = ("head", "body", "words", "office")
passed = failed = 0


def check(what, computed, expected):
    global passed, failed
    if computed == expected:
        passed += 1
    else:
        failed += 1
        print(f"{what}: computed {computed!r}, the vectors say {expected!r}")


def b64(data):
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def unb64(text):
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def sha256(*pieces):
    return hashlib.sha256(b"".join(pieces)).digest()


def big_endian(number):
    return number.to_bytes(8, "big")


class Refused(Exception):
    pass


def read(text):
    """JSON as the protocol restricts it."""

    def whole(digits):
        if digits == "-0" or abs(int(digits)) > 2**53 - 1:
            raise Refused("not-canonical")
        return int(digits)

    def no_fraction(_):
        raise Refused("not-canonical")

    def no_constant(_):
        raise Refused("malformed-json")

    def unique(pairs):
        if len({key for key, _ in pairs}) != len(pairs):
            raise Refused("malformed-json")
        for key, _ in pairs:
            plain(key)
        return dict(pairs)

    def plain(text):
        if "\0" in text:
            raise Refused("bad-text")
        if re.search("[\ud800-\udfff]", text):
            raise Refused("malformed-json")

    def texts(value):
        if isinstance(value, str):
            plain(value)
        for item in value if isinstance(value, list) else value.values() if isinstance(value, dict) else ():
            texts(item)

    try:
        value = json.loads(
            text, parse_int=whole, parse_float=no_fraction, parse_constant=no_constant, object_pairs_hook=unique
        )
    except json.JSONDecodeError:
        raise Refused("malformed-json") from None
    texts(value)
    return value


def verify(key, signature, text):
    try:
        Ed25519PublicKey.from_public_bytes(unb64(key)).verify(unb64(signature), text)
        return True
    except InvalidSignature:
        return False


def check_canonical(vectors):
    for vector in vectors["canonical"]:
        check(vector["name"], rfc8785.dumps(read(vector["json"])).decode(), vector["canonical"])
    for vector in vectors["refused"]:
        try:
            code = f"read as {read(vector['json'])!r}"
        except Refused as refusal:
            code = str(refusal)
        check(vector["name"], code, vector["code"])


def check_devices(vectors):
    for vector in vectors["devices"]:
        secret = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(vector["secret_hex"]))
        public = secret.public_key().public_bytes_raw()
        check("public key", b64(public), vector["public_key"])
        check("device id", b64(sha256(public)[:16]), vector["device"])
        check("link[0]", b64(sha256(b"pintle/log/1\n", public)), vector["link_0"])


def part_hash(entry, part):
    if part in entry.get("withheld", {}):
        return unb64(entry["withheld"][part])
    return sha256(rfc8785.dumps(entry[part])) if part in entry else bytes(32)


def check_log(log):
    key = unb64(log["public_key"])
    links = [sha256(b"pintle/log/1\n", key)]
    for number, vector in enumerate(log["entries"], 1):
        entry = read(vector["json"])
        check(f"entry {number}", rfc8785.dumps(entry).decode(), vector["canonical"])
        hashes = [part_hash(entry, part) for part in PARTS]
        check(f"parts of {number}", {part: b64(value) for part, value in zip(PARTS, hashes)}, vector["parts"])
        links.append(sha256(links[-1], *hashes))
        check(f"link[{number}]", b64(links[-1]), vector["link"])
        withheld = vector["withheld"] or {}
        shown = {part: value for part, value in entry.items() if part not in withheld} | {"withheld": withheld}
        check(f"link[{number}], withheld", b64(sha256(links[-2], *(part_hash(shown, p) for p in PARTS))), vector["link"])
    for seal in log["seals"]:
        text = b"pintle/seal/1\n" + unb64(seal["organisation"]) + sha256(key)[:16]
        text += big_endian(seal["from"]) + big_endian(seal["to"]) + links[seal["to"]]
        check("text of a seal", text.hex(), seal["text_hex"])
        check("a seal", verify(log["public_key"], seal["signature"], text), True)
        check("a seal over another text", verify(log["public_key"], seal["signature"], text + b"x"), False)


def check_signed(vectors):
    for vector in vectors["sync"]:
        text = b"pintle/sync/1\n" + sha256(vector["body"].encode())
        check("text of a proof", text.hex(), vector["text_hex"])
        check("a proof", verify(vector["public_key"], vector["signature"], text), True)
    for vector in vectors["enrol"]:
        text = b"pintle/enrol/1\n" + sha256(vector["code"].encode()) + unb64(vector["public_key"])
        check("text of an enrolment", text.hex(), vector["text_hex"])
        check("an enrolment", verify(vector["public_key"], vector["signature"], text), True)
    # Ed25519 is deterministic: the same secret makes the same signature in every language.
    secrets = {v["public_key"]: Ed25519PrivateKey.from_private_bytes(bytes.fromhex(v["secret_hex"])) for v in vectors["devices"]}
    log = [vector | {"public_key": vectors["log"]["public_key"]} for vector in vectors["log"]["seals"]]
    for vector in vectors["sync"] + vectors["enrol"] + log:
        signature = secrets[vector["public_key"]].sign(bytes.fromhex(vector["text_hex"]))
        check("a signature", b64(signature), vector["signature"])


def check_digests_and_clashes(vectors):
    for vector in vectors["digests"]:
        total = sum(int.from_bytes(unb64(link)[:8], "big") for link in vector["links"]) % 2**64
        check("a digest", {"count": len(vector["links"]), "sum": str(total)}, vector["digest"])
    alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    for vector in vectors["clashes"]:
        over = sorted(vector["over"], key=lambda entry: (unb64(entry["device"]), entry["seq"]))
        text = rfc8785.dumps({"matter": vector["matter"], "over": over})
        identity = sha256(b"pintle/clash/1\n", text)[:16]
        check("the id of a clash", b64(identity), vector["id"])
        bits = int.from_bytes(identity[:4], "big") >> 2
        check("its short id", "".join(alphabet[bits >> (25 - 5 * i) & 31] for i in range(6)), vector["short"])


def main():
    vectors = json.loads(VECTORS.read_text(encoding="utf-8"))
    check_canonical(vectors)
    check_devices(vectors)
    check_log(vectors["log"])
    check_signed(vectors)
    check_digests_and_clashes(vectors)
    print(f"{passed} passed, {failed} failed")
    return 1 if failed or passed < 70 else 0


if __name__ == "__main__":
    sys.exit(main())
