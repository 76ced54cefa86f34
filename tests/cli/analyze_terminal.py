"""nipbench-analyze on a terminal: what it prints over pseudo-terminals of several widths, and beside one.

    ANALYZE=build/analyze/nipbench-analyze MAKE_SERIES=build/tests/bench/make_series MOTOR=rig/simulator/river/motor.yaml \
        python3 tests/cli/analyze_terminal.py WORK

No line may be wider than the terminal, no number may be lost, and progress is a matter of the terminal alone.
"""
import fcntl
import hashlib
import json
import os
import pathlib
import pty
import re
import select
import shutil
import struct
import subprocess
import sys
import termios
import time
import unicodedata

ANALYZE = os.environ["ANALYZE"]
WIDTHS = (40, 60, 80, 132)
RUNS = 12  # of the series: three of each feeder at either speed
COPIES_MAX = 256
failures = checks = 0


def expect(good, *what):
    global failures, checks
    checks += 1
    if not good:
        failures += 1
        print("FAILED:", *what)


def width(line):
    """Columns that a line takes."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in line)


def on_terminal(columns, *words, out_too=True, environment=None):
    """The program with standard error (and output) on a terminal: status, bytes there, bytes of a plain output."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    got, plain = b"", b""
    program = subprocess.Popen([ANALYZE, *map(str, words)], stdin=subprocess.DEVNULL, stderr=slave,
                               stdout=slave if out_too else subprocess.PIPE,
                               env={**os.environ, "COLUMNS": "333", **(environment or {})})
    os.close(slave)
    sources = [master] + ([] if out_too else [program.stdout.fileno()])
    while sources:
        for source in select.select(sources, [], [])[0]:
            try:
                piece = os.read(source, 65536)
            except OSError:  # the other end of a terminal is closed
                piece = b""
            if not piece:
                sources.remove(source)
            elif source == master:
                got += piece
            else:
                plain += piece
    os.close(master)
    return program.wait(), got.decode().replace("\r\n", "\n"), plain.decode()


def plain(*words, columns=None):
    environment = {k: v for k, v in os.environ.items() if k != "COLUMNS"}
    if columns is not None:
        environment["COLUMNS"] = columns
    done = subprocess.run([ANALYZE, *map(str, words)], capture_output=True, text=True, env=environment)
    return done.returncode, done.stdout, done.stderr


def after_erasing(text):
    """What stands on the terminal: a line that was gone back on is overwritten."""
    lines = []
    for line in text.split("\n"):
        cells = ""
        for part in line.split("\r"):
            cells = part + cells[len(part):]
        lines.append(cells.rstrip())
    return "\n".join(lines)


def squeezed(text):
    """Words alone, so that a wrapped text may be held against one that is not."""
    return re.sub(r"\s+", "", text)


def test_widths(series, motor):
    commands = [("compare", series), ("verify", series, series.parent / "absent"), ("repeats", series, "--difference", 2),
                ("benches", series), ("predict", motor, series)]
    for words in commands:
        _, wide, _ = plain(*words, columns="9999")
        for columns in WIDTHS:
            status, text, _ = on_terminal(columns, *words)
            seen = after_erasing(text)
            for line in seen.split("\n"):
                expect(width(line) <= columns, words[0], "at", columns, "columns: too wide:", repr(line))
            expect("\x1b" not in text, words[0], "at", columns, "columns: an escape sequence")
            for number in set(re.findall(r"-?\d+\.\d+ (?:N|mm/s|%)", wide)):
                expect(number in re.sub(r"\n\s*", " ", seen) or squeezed(number) in squeezed(seen), words[0], "at", columns,
                       "columns: no", number)
    # Where every line fits, the terminal shows what a file would get.
    _, text, _ = on_terminal(9999, "compare", series)
    expect(text == plain("compare", series, columns="9999")[1], "a wide terminal and a file differ")


def test_variable(series):
    for columns, most in (("60", 60), ("7", 40), ("nonsense", 80), ("0", 80), (None, 80)):
        _, text, _ = plain("compare", series, columns=columns)
        widest = max(width(line) for line in text.split("\n"))
        expect(most - 12 < widest <= most, "COLUMNS", columns, "widest line", widest)


def test_json(series):
    for words in (("compare", series), ("verify", series), ("benches", series), ("repeats", series, "--difference", 2)):
        _, one, _ = plain(*words, "--json", columns="40")
        _, two, _ = plain(*words, "--json", columns="999")
        _, errors, three = on_terminal(40, *words, "--json", out_too=False)
        expect(one == two == three and json.loads(one), words[0], "--json depends on the terminal")


def test_progress(work, series):
    """Work that takes long enough on any machine: the same series again and again, as often as it takes."""
    copies, counted = [series], []
    while len(counted) < 4 and len(copies) < COPIES_MAX:
        for _ in range(len(copies)):
            copies.append(copy(work, series, len(copies)))
        begun = time.monotonic()
        status, text, results = on_terminal(80, "compare", *copies, "--threads", 1, out_too=False)
        took = time.monotonic() - begun
        lines = [line.strip() for line in text.split("\r") if line.strip()]
        runs = [re.fullmatch(r"analysing runs: (\d+) of (\d+)(?:, (?:about .*|a few seconds) left)?", line) for line in lines]
        counted = [int(match[1]) for match in runs if match]
    expect(counted, "no progress in", round(took, 1), "s:", text[:300])
    expect(counted == sorted(counted) and all(int(match[2]) == RUNS * len(copies) for match in runs if match), text[:300])
    expect(any(line.endswith(" left") for line in lines), "no time left in", lines[-5:])
    expect(after_erasing(text).strip() == "", "progress is left standing:", repr(after_erasing(text)[-300:]))
    expect("\x1b" not in text, "progress by escape sequences")
    expect(all(width(line) < 80 for line in lines), "progress too wide")
    expect(len(set(lines)) <= 5 * took + 1, len(set(lines)), "lines in", took, "s")
    code, same, errors = plain("compare", *copies, "--threads", 2, columns="333")
    expect(errors == "", "progress without a terminal:", errors[:200])
    expect(same == results, "results differ beside progress")
    expect(code == status, "status", code, status)
    # On one terminal with the results, which begin where the line was.
    _, text, _ = on_terminal(80, "compare", *copies, "--threads", 2)
    expect(after_erasing(text).lstrip("\n") == after_erasing(plain("compare", *copies, columns="80")[1]),
           "a terminal with progress shows other results")


def copy(work, series, n):
    """Another series of the same runs: its title says so, and so its package is another."""
    to = work / f"copy{n}"
    shutil.copytree(series, to, copy_function=os.link)
    plan = (to / "plan.yaml").read_text(encoding="utf-8") + f"# copy {n}\n"
    (to / "plan.yaml").unlink()
    (to / "plan.yaml").write_text(plan, encoding="utf-8")
    package = json.loads((to / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        if resource["path"] == "plan.yaml":
            resource["bytes"] = len(plan.encode())
            resource["hash"] = "sha256:" + hashlib.sha256(plan.encode()).hexdigest()
    (to / "datapackage.json").unlink()
    (to / "datapackage.json").write_text(json.dumps(package), encoding="utf-8")
    return to


def test_hostile(work, series):
    """A folder with control characters in its name."""
    name = work / "n\x1b[31mred\x07\u202eend"
    shutil.copytree(series, name)
    for columns in (40, 80):
        status, text, _ = on_terminal(columns, "verify", name, series)
        expect("\x1b" not in text and "\x07" not in text and "\u202e" not in text, "a name got through:", repr(text))
        expect(status == 0, "status", status)
    os.truncate(next(iter(sorted((name / "runs").glob("*.csv")))), 100)
    status, text, _ = on_terminal(60, "verify", name, series)
    expect(status == 3 and text.startswith("1 of 2 series is not as it was published.\n"), status, text)
    expect("\x1b" not in text, "a name got through:", repr(text))
    expect(all(width(line) <= 60 for line in after_erasing(text).split("\n")), "too wide:", text)


def made(folder, rows_of_a_run):
    subprocess.run([os.environ["MAKE_SERIES"], folder, "--runs", str(RUNS), "--rows", rows_of_a_run, "--feeders", "2",
                    "--speeds", "2", "--seed", "7"], check=True, stdout=subprocess.DEVNULL)
    return folder


def main():
    work = pathlib.Path(sys.argv[1])
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir(parents=True)
    series = made(work / "series", "3000")
    motor = pathlib.Path(os.environ["MOTOR"])
    test_widths(series, motor)
    test_variable(series)
    test_json(series)
    test_hostile(work, series)
    test_progress(work, made(work / "long", "200000"))
    shutil.rmtree(work, ignore_errors=True)
    print(f"{checks} checks, {failures} failed")
    return failures != 0


if __name__ == "__main__":
    sys.exit(main())
