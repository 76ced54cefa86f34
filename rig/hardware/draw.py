#!/usr/bin/env python3
"""Writes the drawings of this folder from numbers.csv: draw.py [FOLDER]. FOLDER is this one when left out."""
import pathlib
import sys

sys.dont_write_bytecode = True
import fixture
import wiring


def main():
    if len(sys.argv) > 2 or sys.argv[1:2] == ["--help"]:
        print(__doc__)
        return 0 if len(sys.argv) == 2 else 2
    folder = pathlib.Path(sys.argv[1] if len(sys.argv) == 2 else pathlib.Path(__file__).parent)
    for name, text in {**fixture.sheets(), **wiring.sheets()}.items():
        (folder / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
