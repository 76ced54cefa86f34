"""The recipe for a collection in datasets/README.md, run as it is printed there, and the columns that it promises.

    check_collection.py ANALYZE SERIES

Every series of a collection gets one table, named by its package hash; a second turn does nothing. results-columns.txt
beside this file has the columns in their order: a version may add some at the end of it and takes none away.
"""
import hashlib
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

here = pathlib.Path(__file__).resolve().parent


def recipe():
    text = (here / "../../datasets/README.md").read_text(encoding="utf-8")
    block = re.search(r"\n\n((?:    .*\n)+)", text[text.index("### A collection of many"):]).group(1)
    return re.sub(r"^    ", "", block, flags=re.M)


def run(folder, analyze):
    path = f"{analyze.parent}{os.pathsep}{os.environ['PATH']}"
    return subprocess.run(["sh", "-c", recipe()], cwd=folder, env=dict(os.environ, PATH=path), capture_output=True, text=True,
                          check=True).stdout


def main():
    analyze, series = (pathlib.Path(word).resolve() for word in sys.argv[1:3])
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        # A name with a blank in it, and a folder that is no series.
        shutil.copytree(series, folder / "collection/some series")
        (folder / "collection/notes").mkdir()
        said = run(folder, analyze)
        digest = hashlib.sha256((series / "datapackage.json").read_bytes()).hexdigest()
        tables = sorted(path.name for path in (folder / "results").iterdir())
        if tables != [digest + ".csv"] or list((folder / "work").iterdir()) or not said:
            sys.exit(f"the recipe made {tables} of a series with the hash {digest}, and said {said!r}")
        if run(folder, analyze):
            sys.exit("the recipe reports a series a second time")
        columns = (folder / "results" / tables[0]).read_text(encoding="utf-8-sig").splitlines()[0].split(",")
    promised = (here / "results-columns.txt").read_text(encoding="utf-8").split()
    if columns[:len(promised)] != promised:
        sys.exit("columns of results.csv have gone or moved: " + ", ".join(sorted(set(promised) - set(columns))))
    if columns != promised:
        sys.exit("new columns: add them to the end of results-columns.txt: " + ", ".join(columns[len(promised):]))


if __name__ == "__main__":
    main()
