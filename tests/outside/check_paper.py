"""Printed service histories, as programs that are not ours read them.

Promises: poppler and qpdf find the files sound, of the paper and standard they say, with every font in them; the file
inside is the history file, byte for byte, and `pintle verify` judges PDF and file alike, also after qpdf has written the
PDF anew; the code on it is the file's SHA-256. The numbers on paper are those of the summary, and so are those of the
history's page, which counts them itself.

Needs poppler and qpdf; what the page counts needs Node.
"""

import base64
import hashlib
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

HERE = pathlib.Path(__file__).parent
BINARIES = pathlib.Path(os.environ.get("PINTLE_TEST_BINARIES", HERE / "../../target/debug"))
failures = []


def expect(what, found, wanted):
    if found != wanted:
        failures.append(f"{what}: {found!r} is not {wanted!r}")


def ran(*arguments, **more):
    return subprocess.run([str(argument) for argument in arguments], check=True, capture_output=True, **more).stdout


def together(text):
    """Without spaces, and marks of breaks and directions: poppler gives lines as they were broken."""
    return re.sub(r"[\s\u200b\u200e\u200f\u202a-\u202e\u2066-\u2069]", "", text)


def pages(pdf):
    return [together(page) for page in ran("pdftotext", "-raw", pdf, "-").decode().split("\f")[:-1]]


def counted(number, one, many):
    return f"{number} {one if number == 1 else many}"


def kept_words(summary):
    kept = {name: sum(one[name] for one in summary["keeping"]) for name in ("on_time", "early", "late", "never")}
    return (f"{kept['on_time']} of {sum(kept.values())} on time, {kept['late']} late, {kept['never']} left out, "
            f"{kept['early']} early")


def at_a_glance(summary):
    """What the first page must say, worked out here from the lists of the summary."""
    told = [counted(sum(len(task["rows"]) for task in summary["services"]), "service recorded", "services recorded")]
    if summary["keeping"]:
        told.append(kept_words(summary))
    open_findings = [one for one in summary["findings"] if one["open"]]
    out = sum(one["tags_out"] for one in open_findings)
    told.append(f"Open findings{len(open_findings) or 'none'}" + (f", of which {out}" if out else ""))
    told.append(counted(len(summary["hands"]), "person recorded", "people recorded"))
    if summary["doubtful"]:
        told.append(counted(len(summary["doubtful"]), "point:", "points:"))
    if summary["disputes"]:
        told.append(str(len(summary["disputes"])) + " matter")
    told += [task["task"] for task in summary["overdue"]]
    told += summary["withheld"]["said"] or ["Withheldnothing"]
    told.append(counted(len(summary["entries"]), "entry by", "entries by"))
    believed = [one for one in summary["meters"][0]["readings"] if one["believed"]]
    if believed:
        told.append(f"{believed[-1]['shown']} {summary['meters'][0]['meter']}")
    return told


def lacking(first, whole, summary):
    missing = [words for words in at_a_glance(summary) if together(words) not in first]
    names = [entry["entry"] for entry in summary["entries"]]
    missing += [f"entry {name}" for name in names if name not in whole]
    # Texts that are read from the right stand as they are seen, and what no font has is a number in a box.
    plain = [doubt["why"] for doubt in summary["doubtful"] if together(doubt["why"]).isascii()]
    return missing + [why for why in plain if together(why) not in whole]


def check_pdf(folder, name, paper, summary, file):
    pdf = folder / f"{name}.{paper}.pdf"
    ran("qpdf", "--check", pdf)
    info = ran("pdfinfo", pdf).decode()
    expect(f"{pdf.name} paper", f"({paper.replace('a4', 'A4')})" in info, True)
    expect(f"{pdf.name} standard", b"pdfaid:conformance>B<" in pdf.read_bytes(), True)
    fonts = ran("pdffonts", pdf).decode().splitlines()[2:]
    # name, type (of two words), encoding, embedded, subset, ToUnicode, object
    expect(f"{pdf.name} fonts", {tuple(font.split()[-5:-2]) for font in fonts}, {("yes", "yes", "yes")})
    texts = pages(pdf)
    failures.extend(f"{pdf.name}: {words!r} is not there" for words in lacking(texts[0], "".join(texts), summary))
    digest = hashlib.sha256(file.read_bytes()).hexdigest()
    expect(f"{pdf.name} digest on each page", all(digest[:16] in page for page in texts), True)
    expect(f"{pdf.name} digest", digest in "".join(texts), True)
    codes = []
    for page in range(len(texts), 0, -1):
        picture = ran("pdftoppm", "-gray", "-r", 100, "-f", page, "-l", page, pdf)
        codes += ran(BINARIES / "qr_text", input=picture).decode().split()
        if codes:
            break
    expect(f"{pdf.name} code", codes, [digest])
    held = folder / "held.gz"
    ran("pdfdetach", "-save", 1, "-o", held, pdf)
    expect(f"{pdf.name} file inside", held.read_bytes() == file.read_bytes(), True)
    expect(f"{pdf.name} files inside", ran("pdfdetach", "-list", pdf).decode().split()[0], "1")
    return pdf


def verified(path, key):
    told = subprocess.run([BINARIES / "pintle", "--home", path.parent / "none", "verify", path, "--key", key, "--json"],
                          capture_output=True)
    verdict = json.loads(told.stdout)
    return told.returncode, verdict.pop("sha256"), verdict


def check_verdicts(folder, pdf, file, key):
    code, none, of_file = verified(file, key)
    expect(f"{file.name} is valid", (code, none), (0, None))
    anew = folder / "anew.pdf"
    ran("qpdf", "--object-streams=generate", "--recompress-flate", pdf, anew)
    for path in (pdf, anew):
        code, sha256, of_pdf = verified(path, key)
        expect(f"{path.name} verdict", (code, of_pdf), (0, of_file))
        expect(f"{path.name} digest", sha256.replace(" ", ""), hashlib.sha256(file.read_bytes()).hexdigest())
    # One bit of what is inside.
    bent = bytearray(pdf.read_bytes())
    bent[bent.index(file.read_bytes()) + file.stat().st_size // 2] ^= 1
    anew.write_bytes(bent)
    expect("a changed file inside", verified(anew, key)[0] in (1, 2), True)


def check_page(folder, name, summary):
    """The page's own counting, by its own script, of the same file."""
    told = json.loads(ran("node", HERE / "page/tale.mjs", folder / f"{name}.gz").decode())
    expect(f"{name}: services", told["services"], {task["task"]: len(task["rows"]) for task in summary["services"]})
    expect(f"{name}: open findings", told["open"], sum(one["open"] for one in summary["findings"]))
    expect(f"{name}: findings", told["findings"], len(summary["findings"]))
    expect(f"{name}: repairs", told["repairs"], len(summary["repairs"]))
    expect(f"{name}: meter changes", told["changes"], len(summary["changes"]))
    expect(f"{name}: entries", told["entries"], len(summary["entries"]))
    expect(f"{name}: people", told["hands"], sorted(one["entries"] for one in summary["hands"]))
    expect(f"{name}: fuel", told["fuel"], list(summary["fuel"]) if summary["fuel"] else [0, "0"])
    used = {one["name"] + " " + one["unit"]: [one["times"], one["total"]] for one in summary["materials"]}
    expect(f"{name}: parts", told["materials"], used)
    # The page takes the highest reading; where one in doubt is higher still, it says so beside it and they differ.
    readings = summary["meters"][0]["readings"]
    believed = [one for one in readings if one["believed"]]
    if believed and all(float(one["life"]) <= float(believed[-1]["life"]) for one in readings):
        expect(f"{name}: meter", told["life"], believed[-1]["life"])
        told["meter compared"] = True
    html = (folder / f"{name}.html").read_text()
    computed = json.loads(base64.b64decode(html.split('id="summary">')[1].split("</script>")[0]))["book"]
    expect(f"{name}: keeping up, as page and paper have it", computed["keeping"], summary["keeping"])
    expect(f"{name}: who ran it", (computed["hands"] or {}).get("life"), (summary["ran"] or {}).get("share"))
    disputes = len(computed["clashes"]) + len(computed["twins"])
    expect(f"{name}: disagreements", disputes, len(summary["disputes"]))
    struck = sorted(one["entry"] for one in summary["doubtful"] if one["code"] == "struck")
    expect(f"{name}: struck", told["struck"], struck)
    return told


def main():
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        ran(BINARIES / "history_paper", folder)
        key = (folder / "key").read_text()
        compared, meters = 0, 0
        for path in sorted(folder.glob("*.json")):
            summary, file = json.loads(path.read_text()), folder / f"{path.stem}.gz"
            for paper in ("a4", "letter"):
                pdf = check_pdf(folder, path.stem, paper, summary, file)
            check_verdicts(folder, pdf, file, key)
            # In the ugly one strikes are struck and people disagree, which the page leaves to whoever made it.
            if path.stem != "ugly" and shutil.which("node"):
                meters += check_page(folder, path.stem, summary).get("meter compared", False)
                compared += 1
        if compared > 0 and meters < 2:
            sys.exit("too few meters were compared")
        # A check that never fails is none: another history's numbers, and one entry less.
        year = json.loads((folder / "year.json").read_text())
        texts = pages(folder / "small.a4.pdf")
        if len(lacking(texts[0], "".join(texts), year)) < 3:
            sys.exit("another history's numbers were not found missing")
    for failure in failures[:40]:
        print(failure)
    if failures:
        sys.exit(f"{len(failures)} failures")
    print(f"4 histories on two papers are sound, hold their files, and say what their summaries say; {compared} pages count the same")


if __name__ == "__main__":
    main()
