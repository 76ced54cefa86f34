"""Which sources tests/static/check.sh reads, from a build folder of Meson.

    sources.py BUILD SUPPRESSIONS

Writes into BUILD: once/compile_commands.json, which names every source once although several binaries compile some of
them; program_sources and test_sources, their paths; gcc_commands, a line for each program source.
"""
import json
import os
import shlex
import sys


def main(build, suppressions):
    root = os.getcwd()
    off = {}
    with open(suppressions) as lines:
        for line in lines:
            if line.strip() and not line.startswith("#"):
                path, option, reason = line.split(None, 2)
                if not option.startswith("-Wno-analyzer-") or not reason:
                    raise SystemExit(f"{suppressions}: not 'file option reason': {line}")
                off.setdefault(path, []).append(option)
    once, programs, tests, commands = {}, [], [], []
    with open(os.path.join(build, "compile_commands.json")) as f:
        for entry in json.load(f):
            path = os.path.relpath(os.path.join(entry["directory"], entry["file"]), root)
            if path in once:
                continue
            # What decides how the source is read; include folders as seen from the source root.
            options = []
            for word in shlex.split(entry["command"]):
                if word.startswith("-I"):
                    folder = os.path.join(entry["directory"], word[2:])
                    options.append("-I" + os.path.relpath(folder, root) if not word[2:].startswith("/") else word)
                elif word.startswith(("-D", "-std=")):
                    options.append(word)
            is_test = path.startswith("tests/")
            if not is_test and path != "rig/base/err.c":
                options += ["-include", "tests/static/model.h"]
            once[path] = {"directory": root, "file": path, "arguments": ["clang", *options, "-c", path]}
            (tests if is_test else programs).append(path)
            if not is_test:
                commands.append(shlex.join(["gcc", *options, "-O0", "-fanalyzer", "-Werror", *off.get(path, []),
                                            "-c", path, "-o", "/dev/null"]))
    missing = set(off) - set(programs)
    if missing:
        raise SystemExit(f"{suppressions}: no such source: {', '.join(sorted(missing))}")
    os.makedirs(os.path.join(build, "once"), exist_ok=True)
    with open(os.path.join(build, "once", "compile_commands.json"), "w") as f:
        json.dump(list(once.values()), f, indent=1)
    for name, rows in (("program_sources", programs), ("test_sources", tests), ("gcc_commands", commands)):
        with open(os.path.join(build, name), "w") as f:
            f.writelines(row + "\n" for row in sorted(rows))


if __name__ == "__main__":
    main(*sys.argv[1:])
