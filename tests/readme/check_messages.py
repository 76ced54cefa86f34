#!/usr/bin/env python3
"""Holds the troubleshooting table of README.md to what the programs say.

    check_messages.py README.md

What a symptom quotes in `this type` must be part of a text in the programs' sources, and links to a heading of the page must
find it.
"""
import glob
import os
import re
import sys


def texts(top):
    """Every string of the C sources, those that stand side by side as one."""
    found = []
    for folder in ("capture", "analyze", "rig", "datasets"):
        for path in glob.glob(os.path.join(top, folder, "**/*.c"), recursive=True):
            with open(path) as file:
                source = file.read()
            for run in re.findall(r'"(?:[^"\\\n]|\\.)*"(?:\s*(?:PRI\w+\s*)?"(?:[^"\\\n]|\\.)*")*', source):
                parts = re.findall(r'"((?:[^"\\\n]|\\.)*)"', run)
                found.append("".join(parts).replace('\\"', '"'))
    return "\n".join(found)


def anchors(page):
    """The names under which a repository page knows its headings."""
    prose = re.sub(r"^```.*?^```$", "", page, flags=re.M | re.S)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in re.findall(r"^#+ (.*)$", prose, re.M)}


def main():
    if len(sys.argv) != 2:
        raise SystemExit(__doc__)
    top = os.path.dirname(os.path.abspath(sys.argv[1]))
    with open(sys.argv[1]) as file:
        page = file.read()
    said = texts(top)
    rows = re.findall(r"^\| ([^|]*) \|", page[page.index("\n## Troubleshooting\n"):page.index("\n## Glossary\n")], re.M)
    quotes = [quote for row in rows for quote in re.findall(r"`([^`]*)`", row)]
    wrong = [f"no program says '{quote}'" for quote in quotes if quote not in said]
    wrong += [f"no heading for '#{name}'" for name in re.findall(r"\]\(#([^)]*)\)", page) if name not in anchors(page)]
    wrong += [f"no file '{path}'" for path in re.findall(r"\]\(([^)#:]+)\)", page)
              if not os.path.exists(os.path.join(top, path))]
    if len(quotes) < 10:
        wrong.append(f"only {len(quotes)} messages are quoted")
    for line in wrong:
        print(f"check_messages: {line}")
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
