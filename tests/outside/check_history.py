"""Three verifiers of service histories must agree: the program's, one in Python written from the format's page, and the
script of the page that shows a history in a browser (run by Node; where there is none it is left out, and said so).

On good files, those of earlier versions among them, and on files damaged in every way at every place: each field changed, each line missing, doubled or moved,
cut anywhere, bits of the compressed file flipped, batches left out or in another device's name, an older checkpoint, another
machine's entry, a co-signature forged. For each the verdict, the codes and the lines of the failures are compared, and that
the entry that was changed is named; between program and page every word as well, and what a good file is said to be.

Files with time stamps are judged twice, without an authority and with it; the Python one has OpenSSL judge the tokens.
The page takes no authority.
"""

import copy
import gzip
import json
import os
import pathlib
import shutil
import ssl
import subprocess
import sys
import tempfile

import history

BINARIES = pathlib.Path(os.environ.get("PINTLE_TEST_BINARIES", "target/debug"))
# What stands in a file as a claim that nothing proves; the page says so.
CLAIMS = ("/history/made_ms", "/history/organisation/name", "/history/withheld", "/person", "/device/mark", "/device/person")
# So do these of a time stamp, if nobody says whose stamps count; if somebody does, the name is the certificate's.
STAMP_CLAIMS = ("/stamp/authority", "/stamp/at_s", "/stamp/size", "/stamp/token")
AUTHORITY = pathlib.Path(__file__).parent.parent.parent / "core/tests/vectors/stamps/history/root.pem"


def made(*withheld):
    out = subprocess.run([BINARIES / "history_file", *withheld], check=True, capture_output=True, text=True).stdout
    key, *lines = out.splitlines()
    return key, lines


class Page:
    """The script of the page, which answers one question after the other."""

    def __init__(self):
        judge = pathlib.Path(__file__).parent / "page" / "judge.mjs"
        self.node = subprocess.Popen(["node", judge], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(self, **question):
        self.node.stdin.write(json.dumps(question) + "\n")
        self.node.stdin.flush()
        return json.loads(self.node.stdout.readline())


def words(failure):
    """What is told; of a line that cannot be read, why is each parser's affair."""
    return failure["told"].split(":")[0] if failure["code"] == "damaged-line" else failure["told"]


class Check:
    def __init__(self, folder, page):
        self.authority = None
        self.path, self.page, self.cases, self.disagreements = folder / "file.gz", page, 0, []

    def page_agrees(self, name, key, verdict):
        if self.page is None or self.authority is not None:
            return
        page = self.page.ask(path=str(self.path), key=key)
        told = [[(f["line"], f["code"], words(f)) for f in one["failures"]] for one in (page, verdict)]
        if page["standing"] != verdict["standing"] or told[0] != told[1]:
            self.disagreements.append(f"{name}: page {page}, program {verdict}")
        about = {field: value for field, value in verdict.items() if field not in ("not_proved", "failures", "page", "sha256")}
        if verdict["standing"] in ("valid", "cannot judge") and about != {field: page[field] for field in about}:
            self.disagreements.append(f"{name}: the page tells of {page}, the program of {about}")

    def rust(self, key):
        verdict = self.program(key)
        return verdict["standing"], verdict["failures"]

    def program(self, key):
        command = [BINARIES / "pintle", "--home", self.path.parent / "none", "verify", self.path, "--json"]
        command += ["--key", key] if key else []
        command += ["--authority", self.authority] if self.authority else []
        ran = subprocess.run(command, capture_output=True, text=True)
        verdict = json.loads(ran.stdout)
        if ran.returncode != history.CODES[verdict["standing"]]:
            self.disagreements.append(f"exit code {ran.returncode} for {verdict['standing']}")
        return verdict

    def neither(self, name, key, data):
        """Neither takes a file whose compressed bytes are damaged. How far each can inflate it is its library's affair."""
        self.cases += 1
        self.path.write_bytes(data)
        found = [history.judge_lines(history.lines_of(self.path), history.unbase(key, 32))[0], self.rust(key)[0]]
        if self.page is not None:
            found.append(self.page.ask(path=str(self.path), key=key)["standing"])
        self.expect("valid" not in found and "cannot judge" not in found, f"{name}: {found}")

    def agree(self, name, key, data):
        """All look at the bytes of one file; gives what they say."""
        self.cases += 1
        self.path.write_bytes(data)
        pin = history.unbase(key, 32) if key else None
        python = history.judge_lines(history.lines_of(self.path), pin, self.authority)
        verdict = self.program(key)
        self.page_agrees(name, key, verdict)
        rust = verdict["standing"], verdict["failures"]
        places = [sorted((f["line"], f["code"]) for f in failures) for _, failures in (python, rust)]
        if python[0] != rust[0] or places[0] != places[1]:
            self.disagreements.append(f"{name}: Python {python}, Rust {rust}")
        return rust

    def counts_for_none(self, name, key, lines):
        """The first time stamp counts for neither. Whether damage is a lie or a stranger's, libraries say differently."""
        self.cases += 1
        self.path.write_bytes(gzip.compress("".join(line + "\n" for line in lines).encode(), 6, mtime=0))
        verdict = self.program(key)
        verifier = history.Verifier(history.unbase(key, 32), self.authority)
        for line in history.lines_of(self.path):
            verifier.line(line)
        rust = verdict["standing"] == "valid" and verdict["stamps"][0]["standing"] == "counts"
        python = verifier.stamps[0]["standing"] == "counts"
        self.expect(not rust and not python, f"{name}: counts for Rust {rust}, for Python {python}")

    def lines(self, name, key, lines):
        text = "".join(line + "\n" for line in lines)
        return self.agree(name, key, gzip.compress(text.encode(), 6, mtime=0))

    def expect(self, condition, told):
        if not condition:
            self.disagreements.append(told)


def leaves(value, pointer=""):
    if isinstance(value, dict):
        return [leaf for key, one in value.items() for leaf in leaves(one, f"{pointer}/{key}")]
    if isinstance(value, list):
        return [leaf for at, one in enumerate(value) for leaf in leaves(one, f"{pointer}/{at}")]
    return [pointer]


def bend(value, pointer):
    *way, last = pointer.split("/")[1:]
    for step in way:
        value = value[int(step) if isinstance(value, list) else step]
    last = int(last) if isinstance(value, list) else last
    old = value[last]
    if isinstance(old, str):
        middle = len(old) // 2
        value[last] = old[:middle] + ("B" if old[middle : middle + 1] == "A" else "A") + old[middle + 1 :]
    elif old is not None:
        value[last] = old + 1


def names(lines):
    """The name of the entry on each line."""
    found, marks, mark, seq = [], [], None, 0
    for line in map(json.loads, lines):
        if "device" in line:
            marks.append(line["device"]["mark"])
        if "batch" in line:
            mark, seq = marks[line["batch"]["device"]], line["batch"]["first"] - 1
        is_entry = "entry" in line or "other" in line
        seq += is_entry
        found.append((mark, seq) if is_entry else None)
    return found


def damage(check, key, lines):
    named = names(lines)
    for at, line in enumerate(lines):
        for pointer in leaves(json.loads(line)):
            bent = copy.deepcopy(json.loads(line))
            bend(bent, pointer)
            file = lines[:at] + [json.dumps(bent, separators=(",", ":"), ensure_ascii=False)] + lines[at + 1 :]
            standing, failures = check.lines(f"line {at + 1} {pointer}", key, file)
            if not pointer.startswith(CLAIMS):
                check.expect(standing != "valid", f"line {at + 1} {pointer}: {standing}")
            if named[at]:
                mark, seq = named[at]
                told = " ".join(failure["told"] for failure in failures)
                check.expect(f"{mark}-{seq}" in told or f"{mark}-{seq + 1}" in told, f"{mark}-{seq} {pointer}: {told}")
        without, twice = lines[:at] + lines[at + 1 :], lines[: at + 1] + lines[at:]
        moved = lines[:at] + lines[at + 1 : at + 2] + [line] + lines[at + 2 :]
        changes = {"without": without, "twice": twice, "cut before": lines[:at]}
        if at + 1 < len(lines):
            changes["moved"] = moved
        for name, file in changes.items():
            standing, _ = check.lines(f"line {at + 1} {name}", key, file)
            harmless = "person" in json.loads(line) or (name == "moved" and '{"person"' in lines[at + 1])
            check.expect(standing != "valid" or harmless, f"line {at + 1} {name}: {standing}")
    for at, line in enumerate(lines):
        for form, changed in other_forms(json.loads(line)):
            file = lines[:at] + [json.dumps(changed, separators=(",", ":"), ensure_ascii=False)] + lines[at + 1 :]
            standing, _ = check.lines(f"line {at + 1} {form}", key, file)
            check.expect(standing == "invalid", f"line {at + 1} {form}: {standing}")
    for bad in ("", "{", "[]", "null", '{"end":{}}', '{"a":1,"a":2}', '{"batch":1.5}', '{"other":[1,2,3,4]}', "\ufeff{}"):
        for at in range(0, len(lines), 3):
            standing, _ = check.lines(f"{bad!r} at line {at + 1}", key, lines[:at] + [bad] + lines[at + 1 :])
            check.expect(standing == "invalid", f"{bad!r} at line {at + 1}: {standing}")


def other_forms(line):
    """What some libraries read as the same: a list for an object, null for what is not there."""
    (kind,) = [kind for kind in line if kind not in ("link", "aside", "off_s")]
    if isinstance(line[kind], dict) and kind != "entry":
        yield "as a list", {kind: list(line[kind].values())}
    for absent in {"batch": ("previous",), "entry": ("aside", "off_s")}.get(kind, ()):
        place = line if kind == "entry" else line[kind]
        if absent not in place:
            yield f"with {absent} null", line | ({absent: None} if kind == "entry" else {kind: place | {absent: None}})


def stamps(check):
    """Time stamps in a file: each field changed, each left out, doubled, moved; tokens changed; entries gone from under them."""
    key, lines = made("stamped")
    first = next(at for at, line in enumerate(lines) if line.startswith('{"stamp"'))
    to = max(at for at, line in enumerate(lines) if line.startswith('{"stamp"')) + 1
    plain = lines[:first] + lines[to:]
    for check.authority in (None, AUTHORITY):
        check.expect(check.lines("good, stamped", key, lines) == ("valid", []), "a good file with time stamps")
        found = [stamp["standing"] for stamp in check.program(key)["stamps"]]
        expected = ["counts", "counts", "stranger"] if check.authority else ["unjudged"] * 3
        check.expect(found == expected, f"time stamps are {found}")
        check.expect(check.lines("stamped, without a key", None, lines)[0] == "cannot judge", "stamped, without a key")
        for v, file in ((1, lines), (2, plain), (3, lines)):
            file = [file[0].replace('"v":2', f'"v":{v}'), *file[1:]]
            check.expect(check.lines(f"version {v}", key, file)[0] != "valid", f"the other version {v}")
        for at in range(first, to):
            counts = check.authority is not None and "Moor" in lines[at]
            claims = ("/stamp/authority",) if counts else STAMP_CLAIMS
            for pointer in leaves(json.loads(lines[at])):
                bent = json.loads(lines[at])
                bend(bent, pointer)
                file = lines[:at] + [json.dumps(bent, separators=(",", ":"))] + lines[at + 1 :]
                standing, _ = check.lines(f"line {at + 1} {pointer}", key, file)
                # The middle of a token is the authority's own certificate; the bits that matter follow below.
                harmless = pointer in claims or pointer == "/stamp/token"
                check.expect(standing == "invalid" or harmless, f"line {at + 1} {pointer}: {standing}")
            for other in range(first, to):
                file = lines[:at] + [lines[other]] + lines[at + 1 :]
                check.lines(f"line {other + 1} in place of {at + 1}", key, file)
            check.lines(f"line {at + 1} left out", key, lines[:at] + lines[at + 1 :])
            check.lines(f"line {at + 1} twice", key, lines[: at + 1] + lines[at:])
            check.lines(f"line {at + 1} moved", key, lines[:at] + lines[at + 1 : at + 2] + [lines[at]] + lines[at + 2 :])
            check.lines(f"cut before line {at + 1}", key, lines[:at])
        batches(check, key, lines)
    # Bits of a token, but not of what no signature covers: the names of algorithms, and the authority's own certificate,
    # which who was given it has no use for.
    stamp = json.loads(lines[first])
    token = history.unbase_any(stamp["stamp"]["token"], 1 << 16)
    own, digests = ssl.PEM_cert_to_DER_cert(AUTHORITY.read_text()), bytes.fromhex("0609608648016503040201")
    ecdsa = bytes.fromhex("06082a8648ce3d040302")
    places = [(token.index(own), own), (token.index(digests), digests), (token.rindex(ecdsa), ecdsa)]
    free = {at for start, bytes_ in places for at in range(start, start + len(bytes_))}
    for at in [at for at in range(0, len(token), 11) if at not in free]:
        stamp["stamp"]["token"] = history.b64(token[:at] + bytes([token[at] ^ 1 << at % 8]) + token[at + 1 :])
        file = lines[:first] + [json.dumps(stamp)] + lines[first + 1 :]
        check.counts_for_none(f"bit {at % 8} of byte {at} of the token", key, file)
    check.authority = None


def batches(check, key, lines):
    starts = [at for at, line in enumerate(lines) if line.startswith('{"batch"')] + [len(lines) - 1]
    parts = [lines[a:b] for a, b in zip(starts, starts[1:])]
    top, end = lines[: starts[0]], lines[-1:]
    for left_out in range(len(parts)):
        cards = ('{"device"', '{"person"')
        kept = [line for at, part in enumerate(parts) if at != left_out for line in part if not line.startswith(cards)]
        devices = [line for part in parts for line in part if line.startswith(cards)]
        standing, failures = check.lines(f"batch {left_out} left out", key, top + devices + kept + end)
        check.expect(standing == "incomplete", f"batch {left_out} left out: {standing} {failures}")
        for other in range(left_out):
            order = list(parts)
            order[left_out], order[other] = order[other], order[left_out]
            swapped = [line for part in order for line in part]
            standing, _ = check.lines(f"batches {other} and {left_out} swapped", key, top + swapped + end)
            check.expect(standing == "invalid", f"batches {other} and {left_out} swapped: {standing}")


def main():
    if shutil.which("node") is None and os.environ.get("PINTLE_TEST_COMPLETE"):
        sys.exit("Node is needed for the page's script: install nodejs")
    page = Page() if shutil.which("node") else print("no Node: the page's script is left out")
    with tempfile.TemporaryDirectory() as folder:
        check = Check(pathlib.Path(folder), page)
        for withheld in ((), ("words", "office", "names")):
            key, lines = made(*withheld)
            check.expect(check.lines(f"good {withheld}", key, lines) == ("valid", []), f"a good file {withheld}")
            check.expect(check.lines("without a key", None, lines)[0] == "cannot judge", "without a key")
            other = history.b64(bytes(31) + b"\x07")
            check.expect(check.lines("another key", other, lines)[0] == "invalid", "another key")
        olds = sorted((pathlib.Path(__file__).parent.parent / "old").glob("*/*.history"))
        for old in olds:
            found = check.agree(old.name, old.with_suffix(".key").read_text().strip(), old.read_bytes())
            check.expect(found == ("valid", []), f"{old} of an earlier version: {found}")
        check.expect(len(olds) >= 3, "the histories of earlier versions are gone")
        damage(check, key, lines)
        batches(check, key, lines)
        stamps(check)
        data = gzip.compress("".join(line + "\n" for line in lines).encode(), 6, mtime=0)
        for at in range(10, len(data) - 8, 29):
            check.neither(f"bit {at % 8} of byte {at}", key, data[:at] + bytes([data[at] ^ 1 << at % 8]) + data[at + 1 :])
        for size in range(0, len(data) - 8, 61):
            check.neither(f"cut to {size} bytes", key, data[:size])
        for told in check.disagreements[:20]:
            print(told)
        print(f"{check.cases} files, {len(check.disagreements)} disagreements")
        # An empty run agrees on everything.
        return 0 if check.cases > 700 and not check.disagreements else 1


if __name__ == "__main__":
    sys.exit(main())
