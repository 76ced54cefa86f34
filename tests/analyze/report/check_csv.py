"""CSV files as programs and spreadsheets read them: texts and numbers come back as they were, and no text is a formula.

    check_csv.py CSV_FIELDS [--spreadsheet] [RESULTS.csv]    NIPBENCH_TEST_SEED chooses the random texts

With --spreadsheet the same is asked of LibreOffice (soffice), and of RESULTS.csv too.
"""
import csv
import math
import os
import pathlib
import random
import re
import shutil
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as tree

PIECES = ["=", "+", "-", "@", "'", "''", "\"", "\"\"", ",", ";", " ", "  ", "a", "1", "1+1", "SUM(A1:A9)", "HYPERLINK(\"x\")", "cmd|' /C calc'!A0",
          "é", "漢", "±", "µm", "°C", "\uff1d", "\uff0b", "\uff0d", "\uff20", "%", "|", "\\", "/", ".", "#N/A", "TRUE", "e5", "(", ")", "<b>", "&", "\t="]
OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:%s:1.0}"


def formula_like(text):
    return re.match("[' ]*[=+\\-@\uff1d\uff0b\uff0d\uff20]", text) is not None


def read_back(field):
    """The text that a field stands for, by the rule that datasets/README.md states."""
    return field[1:] if field[:1] == "'" and formula_like(field[1:]) else field


def texts():
    seed = int(os.environ.get("NIPBENCH_TEST_SEED", "20261129"))
    print("seed", seed)
    chosen = random.Random(seed)
    return PIECES + [a + b for a in PIECES for b in PIECES[::4]] + ["".join(chosen.choices(PIECES, k=chosen.randint(2, 6))) for _ in range(2000)]


def number(row):
    return (-1 if row % 2 == 0 else 1) * 2.385 * 10.0 ** (row % 23 - 9)


def read_plain(path, wanted):
    failed = []
    data = path.read_bytes()
    if data[:3] != b"\xef\xbb\xbf" or data.count(b"\n") != data.count(b"\r\n"):
        failed.append("no mark of UTF-8 in front, or other ends of lines than RFC 4180 has")
    with open(path, encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file, strict=True))
    if rows[0] != ["row", "text", "number"] or len(rows) != len(wanted) + 1:
        failed.append(f"{len(rows)} rows, head {rows[0]}")
    for row, text in zip(rows[1:], wanted):
        if formula_like(row[1]) and row[1][0] != "'":
            failed.append(f"{text!r} is a formula: {row[1]!r}")
        # A tab is no text of a data set: it is shown as a question mark.
        if read_back(row[1]) != text.replace("\t", "?"):
            failed.append(f"{text!r} is read as {row[1]!r}")
        if not math.isclose(float(row[2]), number(int(row[0])), rel_tol=1e-9):
            failed.append(f"row {row[0]} has {row[2]}, not {number(int(row[0]))}")
    return failed


def sheet(path):
    """Rows of cells as a spreadsheet takes the file: (kind, value, shown, formula)."""
    if shutil.which("soffice") is None:
        sys.exit("soffice is missing; tests/run --slow installs libreoffice-calc-nogui")
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(["soffice", "--headless", "-env:UserInstallation=file://" + folder + "/profile",
                               # Comma, quotes, UTF-8: what its dialog proposes of itself for a file with the mark; without a window it does
                               # not look at the mark and takes the code page of another system.
                               "--infilter=Text - txt - csv (StarCalc):44,34,76,1", "--convert-to", "fods", "--outdir",
                               folder, str(path)], capture_output=True, encoding="utf-8", timeout=300, env=dict(os.environ, LC_ALL="C.UTF-8"))
        made = pathlib.Path(folder) / (path.stem + ".fods")
        # That there is no Java is no matter of the file.
        said = "\n".join(line for line in (done.stdout + done.stderr).splitlines() if "javaldx" not in line)
        if done.returncode != 0 or not made.is_file() or re.search("warning|error", said, re.I):
            sys.exit(f"soffice: status {done.returncode}: {said}")
        root = tree.parse(made).getroot()
    for row in root.iter(OFFICE % "table" + "table-row"):
        cells = []
        for cell in row.iter(OFFICE % "table" + "table-cell"):
            repeated = int(cell.get(OFFICE % "table" + "number-columns-repeated", "1"))
            shown = "\n".join("".join(spelled(p)) for p in cell.iter(OFFICE % "text" + "p"))
            cells += [(cell.get(OFFICE % "office" + "value-type"), cell.get(OFFICE % "office" + "value"), shown,
                       cell.get(OFFICE % "table" + "formula"))] * (repeated if repeated < 1000 else 1)
        yield cells


def spelled(element):
    """Text of a paragraph; runs of blanks are elements."""
    yield element.text or ""
    for child in element:
        yield " " * int(child.get(OFFICE % "text" + "c", "1")) if child.tag == OFFICE % "text" + "s" else "".join(spelled(child))
        yield child.tail or ""


def read_sheet(path):
    """Every cell of the file against the same cell of the sheet."""
    failed, cells = [], 0
    with open(path, encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file, strict=True))
    for i, (row, seen) in enumerate(zip(rows, sheet(path), strict=False)):
        for field, (kind, value, shown, formula) in zip(row, seen):
            cells += 1
            try:
                as_number = float(field) if re.fullmatch(r"-?[0-9.]+(e[-+]?[0-9]+)?", field) else None
            except ValueError:
                as_number = None
            if formula is not None:
                failed.append(f"row {i}: {field!r} is the formula {formula}")
            elif as_number is not None and (kind != "float" or not math.isclose(float(value), as_number, rel_tol=1e-9)):
                failed.append(f"row {i}: {field!r} became {kind} {value}")
            elif kind == "string" and shown != field:
                failed.append(f"row {i}: {field!r} became {shown!r}")
            elif kind not in ("string", None) and as_number is None and not re.fullmatch(r"(?i:\s*(true|false)\s*)|\d{4}-\d\d-\d\dT[\d:.]+Z?|[0-9.,/ %e()+-]+", field):
                failed.append(f"row {i}: {field!r} became {kind} {value}")
    if cells < len(rows) * 3 - 20:
        failed.append(f"{cells} cells of {len(rows)} rows were seen")
    return failed, cells


def main():
    words = [word for word in sys.argv[1:] if word != "--spreadsheet"]
    wanted = texts()
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "fields.csv"
        path.write_bytes(subprocess.run([words[0]], input=("\n".join(wanted) + "\n").encode(), capture_output=True, check=True).stdout)
        failed = read_plain(path, wanted)
        print(f"{len(wanted)} texts read back")
        for file in [path, *map(pathlib.Path, words[1:])] if "--spreadsheet" in sys.argv else []:
            more, cells = read_sheet(file)
            print(f"{file.name}: {cells} cells in a spreadsheet")
            failed += more
    print("\n".join(["FAILED " + line for line in failed[:30]] + [f"{len(failed)} failed"]))
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
