"""The arrows between the parts, read off the include lines: every #include "..." starts at the source root, so it names
the part that is used. Prints each breach as "file:line: sentence" and exits 1 when there is one.

    python3 tests/arrows/arrows.py [ROOT]

The tables below are the architecture; DEVELOPERS.md draws the same picture. Tests may use whatever they test.
"""
import fnmatch
import pathlib
import re
import sys

# Part -> parts it may include, itself apart. A file belongs to the entry with the longest matching path.
ARROWS = {
    "rig/base": [],
    "rig/wire": [],
    "rig/model": ["rig/base"],
    "rig/simulator": ["rig/model", "rig/wire", "rig/base", "datasets/format"],
    "rig/firmware": ["rig/wire"],
    "datasets/format": ["rig/base"],
    "capture": ["rig/wire", "datasets/format", "rig/base"],
    # Inside analyze: numerics <- tests of a kind (the files of analyze/ itself) <- report <- the program.
    "analyze/numerics": ["rig/base"],
    "analyze": ["analyze/numerics", "datasets/format", "rig/base"],
    "analyze/report": ["analyze", "analyze/numerics", "datasets/format", "rig/base"],
    "analyze/main.c": ["analyze/report", "analyze", "analyze/numerics", "datasets/format", "rig/base"],
}
# Inside capture the layers are files: link (bytes) <- rig client (messages), and beside it what makes messages out of the
# languages of separate instruments <- runner (one run) <- what uses many runs or none (the series, and whatever is not
# named here) <- the commands <- main.c. No file may include a header of a layer above its own.
CAPTURE_LAYERS = {"link": 0, "clock_rate": 0, "text_line": 0, "bench_file": 1, "force_text": 1,
                  "gcode_feed": 1, "pair": 1, "rig_open": 1, "rig_receiver": 1, "rig_client": 1, "run_writer": 2, "run_notes": 2,
                  "runner": 2, "run_glance": 0, "watch_sums": 0, "watch_stream": 0, "command": 4, "commands": 4, "main": 5}
CAPTURE_LAYER_ELSE = 3

# System headers that only some parts may know, as a pattern of the header and where it may stand.
SYSTEM_HEADERS = {
    r"gsl/.*": "analyze/numerics",
    r"libserialport\.h": "capture",
    r"criterion/.*": "tests",
}
# The firmware compiles rig/wire without a hosted C library: these are the headers of freestanding C11.
FREESTANDING = {"float.h", "iso646.h", "limits.h", "stdalign.h", "stdarg.h", "stdbool.h", "stddef.h", "stdint.h",
                "stdnoreturn.h"}

# Who speaks to the user and who ends a program. Everybody else hands what is to be said up: an error as a struct err,
# a result to a FILE that is passed in. Patterns of files; a part that is not named is free.
SPEAKERS = {
    "rig/base": [],
    "rig/wire": [],
    "rig/model": [],
    "datasets/format": [],
    "capture": ["capture/main.c", "capture/commands.c", "capture/command_*.c", "capture/operator.c"],
    "analyze/numerics": [],
    "analyze": ["analyze/request.c"],
    "analyze/report": [],
}
SPEAKS = re.compile(r"\b(?:stdout|stderr)\b|\b(?:printf|vprintf|puts|putchar|perror|_?exit|quick_exit)[ \t]*\(")
NO_CODE = re.compile(r'//[^\n]*|/\*.*?\*/|"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\'', re.S)

TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "meson.build", "capture", "analyze", "tests", "rig", "datasets"}
LINES_MAX = 650
TEST_LINES_MAX = 800  # tables of cases are long and still one idea
INCLUDE = re.compile(r'^[ \t]*#[ \t]*include\b[ \t]*(?:"([^"\n]*)"|<([^>\n]*)>|(.*))', re.M)


def part_of(path):
    """The entry of ARROWS that a path from the root belongs to, or None."""
    found = [part for part in ARROWS if path == part or path.startswith(part + "/")]
    return max(found, key=len, default=None)


def layer_of(path):
    """Layer of a file of capture/; link_pty.c belongs to the link like link.c."""
    stem = pathlib.PurePosixPath(path).stem
    names = [name for name in CAPTURE_LAYERS if stem == name or stem.startswith(name + "_")]
    return CAPTURE_LAYERS[max(names, key=len)] if names else CAPTURE_LAYER_ELSE


def breaches_of_include(root, path, target):
    if not (root / target).is_file():
        yield f'"{target}" is no file below the source root; include paths start there'
        return
    if ".." in target.split("/") or "." in target.split("/"):
        yield f'"{target}" does not name its file plainly from the source root'
        return
    if path.startswith("tests/"):
        return
    own, other = part_of(path), part_of(target)
    if own is None:
        yield f"this file belongs to no part that the arrows know"
        return
    if other is None:
        yield f'"{target}" belongs to no part that {own} may use'
        return
    if other != own and other not in ARROWS[own]:
        yield f'"{target}": no arrow leads from {own} to {other}'
    if own == other == "capture" and layer_of(target) > layer_of(path):
        yield f'"{target}" is a layer above this one'


def breaches_of_system_include(root, path, header):
    if (root / header).is_file():
        yield f"<{header}> is our own file and belongs in quotes"
    for pattern, where in SYSTEM_HEADERS.items():
        if re.fullmatch(pattern, header) and not path.startswith(where + "/") and not path.startswith("tests/"):
            yield f"<{header}> may be included only in {where}"
    if path.startswith("rig/wire/") and header not in FREESTANDING:
        yield f"<{header}> is no header of freestanding C11, which rig/wire keeps to"


def breaches_of_silence(path, text):
    """Lines of a file that print or end the program, although the file is none of those that may, as (line, word)."""
    part = part_of(path)
    if part not in SPEAKERS or any(fnmatch.fnmatchcase(path, pattern) for pattern in SPEAKERS[part]):
        return
    code = NO_CODE.sub(lambda match: re.sub(r"[^\n]", " ", match[0]), text)
    for match in SPEAKS.finditer(code):
        yield code.count("\n", 0, match.start()) + 1, match[0].rstrip("( \t")


def breaches(root):
    """All breaches below root, as (path, line, sentence)."""
    found = []
    for entry in sorted(root.iterdir()):
        if entry.name not in TOP and not entry.name.startswith((".", "build")):
            found.append((entry.name, 0, "the top level holds nothing but " + ", ".join(sorted(TOP))))
    libserialport = []
    for folder in sorted(TOP):
        if not (root / folder).is_dir():
            continue
        for file in sorted((root / folder).rglob("*.[ch]")):
            path = file.relative_to(root).as_posix()
            text = file.read_text(encoding="utf-8", errors="replace")
            lines = text.count("\n")
            most = TEST_LINES_MAX if path.startswith("tests/") else LINES_MAX
            if lines > most:
                found.append((path, lines, f"more than {most} lines; a second question wants a second file"))
            found.extend((path, line, f"{word}: only {', '.join(SPEAKERS[part_of(path)]) or 'the programs'} may speak or exit")
                         for line, word in breaches_of_silence(path, text))
            for match in INCLUDE.finditer(text):
                line = text.count("\n", 0, match.start()) + 1
                quoted, angled, odd = match.groups()
                if quoted is not None:
                    sentences = breaches_of_include(root, path, quoted)
                elif angled is not None:
                    sentences = breaches_of_system_include(root, path, angled)
                    if angled == "libserialport.h" and path.startswith("capture/"):
                        libserialport.append((path, line))
                else:
                    sentences = [f"#include {odd.strip()} hides what is used"]
                found.extend((path, line, sentence) for sentence in sentences)
    for path, line in libserialport[1:]:
        found.append((path, line, f"<libserialport.h> is for one file alone, and {libserialport[0][0]} has it"))
    return found


def main():
    root = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else pathlib.Path(__file__).parents[2])
    if not (root / "meson.build").is_file():
        sys.exit(f"{root} is not the source root")
    found = breaches(root)
    for path, line, sentence in found:
        print(f"{path}:{line}: {sentence}" if line else f"{path}: {sentence}")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
