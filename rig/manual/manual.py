"""Manual pages, bash completion and the tables of README.md, all made of what the programs say with --help.

    manual.py --pages FOLDER [--documents FOLDER] PROGRAM...
                                               one page for each program and command into FOLDER, which is made anew; they
                                               say that README.md and the examples are in the other folder
    manual.py --completion FOLDER PROGRAM...   one script for each program, likewise
    manual.py --check README.md PROGRAM...     status 1 when the tables there are not what the programs say
    manual.py --update README.md PROGRAM...    write them

PROGRAM is the path of a built program. Status 2 means wrong use, 5 that something could not be read or written.
"""
import argparse
import os
import pathlib
import shutil
import sys

import bash_words
import help_text
import man_page
import readme_tables


def write_folder(folder, files):
    """The folder with these files and no other. Its time is set last: Ninja goes by it."""
    folder = pathlib.Path(folder)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    os.utime(folder)


def update(path, programs, write):
    path = pathlib.Path(path)
    have = path.read_text(encoding="utf-8")
    want = readme_tables.put_in(have, readme_tables.tables(programs, help_text.STANDARD))
    difference = readme_tables.first_difference(have, want)
    if difference is None:
        return 0
    if write:
        path.write_text(want, encoding="utf-8")
        return 0
    line, there, wanted = difference
    print(f"{path}:{line}: the tables are not what the programs say; manual.py --update writes them\n"
          f"  there:  {there}\n  wanted: {wanted}", file=sys.stderr)
    return 1


def main():
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    what = words.add_mutually_exclusive_group(required=True)
    for option, value in (("--pages", "FOLDER"), ("--completion", "FOLDER"), ("--check", "README.md"), ("--update", "README.md")):
        what.add_argument(option, metavar=value)
    words.add_argument("--documents", metavar="FOLDER", default=man_page.DOCUMENTS)
    words.add_argument("programs", nargs="+", metavar="PROGRAM")
    asked = words.parse_args()
    try:
        programs = [help_text.read(program) for program in asked.programs]
        if asked.pages:
            write_folder(asked.pages, man_page.all_pages(programs, documents=asked.documents))
        elif asked.completion:
            write_folder(asked.completion, {program.words[0]: bash_words.script(program) for program in programs})
        else:
            return update(asked.check or asked.update, programs, asked.update is not None)
    except (help_text.HelpError, man_page.PageError, readme_tables.TableError, OSError) as trouble:
        print(f"manual.py: {trouble}", file=sys.stderr)
        return 5
    return 0


if __name__ == "__main__":
    sys.exit(main())
