"""Compares core's canonical bytes with those of the rfc8785 package for thousands of generated values.

Each value is spelled oddly (spaces, escapes, order of keys), read by the program `canonical_lines`, and must come back
as the bytes that the package makes. Seeded: the same values in every run. PINTLE_TEST_BINARIES names the folder of the program.
"""

import json
import os
import pathlib
import random
import subprocess
import sys

import rfc8785

VALUES = 5000
SEED = 20260504
BINARIES = pathlib.Path(os.environ.get("PINTLE_TEST_BINARIES", "target/debug"))
# Every class of character that sorting or escaping treats in its own way, and both sides of each border.
ALPHABET = (
    [chr(c) for c in range(1, 0x30)]
    + list('"\\/azAZ~\x7f\x80\x9f\xa0\xad\u00e9\u0301\u07ff\u0800\u2028\u2029\ud7ff\ue000\ufb33\ufffd\uffff')
    + list("\U00010000\U0001f600\U0010ffff")
)
WHOLE = [0, 1, -1, 9, 10, 2**31, -(2**31), 2**32, 2**53 - 1, -(2**53 - 1)]


def text(r):
    return "".join(r.choices(ALPHABET, k=r.choice((0, 1, 1, 2, 3, 8, 40))))


def value(r, depth=0):
    kind = r.randrange(9 if depth < 5 else 6)
    if kind == 0:
        return r.choice((None, True, False))
    if kind in (1, 2):
        return r.choice(WHOLE) if r.random() < 0.3 else r.randrange(-(10 ** r.randrange(1, 16)), 10 ** r.randrange(1, 16))
    if kind in (3, 4, 5):
        return text(r)
    if kind == 6:
        return [value(r, depth + 1) for _ in range(r.randrange(6))]
    return {text(r): value(r, depth + 1) for _ in range(r.randrange(8))}


def spelled_text(r, text):
    def spelled(c):
        if r.random() < 0.2:
            units = c.encode("utf-16-be")
            pairs = [units[i : i + 2].hex() for i in range(0, len(units), 2)]
            return "".join("\\u" + (p.upper() if r.random() < 0.5 else p) for p in pairs)
        if c == "/" and r.random() < 0.5:
            return "\\/"
        return json.dumps(c, ensure_ascii=False)[1:-1]

    return '"' + "".join(map(spelled, text)) + '"'


def spelled(r, value):
    space = lambda: "".join(r.choices(" \t\r", k=r.choice((0, 0, 1, 2))))
    if isinstance(value, str):
        return spelled_text(r, value)
    if isinstance(value, list):
        return "[" + ",".join(space() + spelled(r, item) + space() for item in value) + "]"
    if isinstance(value, dict):
        pairs = list(value.items())
        r.shuffle(pairs)
        return "{" + ",".join(space() + spelled_text(r, k) + space() + ":" + space() + spelled(r, v) for k, v in pairs) + "}"
    return json.dumps(value)


def main():
    r = random.Random(SEED)
    values = [value(r) for _ in range(VALUES)]
    lines = "\n".join(spelled(r, v) for v in values).encode()
    answer = subprocess.run([BINARIES / "canonical_lines"], input=lines, stdout=subprocess.PIPE, check=True)
    answers = answer.stdout.decode().removesuffix("\n").split("\n")
    assert len(answers) == VALUES, f"{len(answers)} answers to {VALUES} values"
    failed = 0
    for v, ours in zip(values, answers):
        theirs = rfc8785.dumps(v).decode()
        if ours != theirs:
            failed += 1
            if failed <= 5:
                print(f"core: {ours!r}\nrfc8785: {theirs!r}")
    print(f"{VALUES - failed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
