"""Reading a long run into columns, against fread of R's data.table, each with two threads and the file in memory."""

import os
import re
import subprocess

PACKAGES = ["r-base-core", "r-cran-data.table"]

THREADS = 2
HERE = os.path.dirname(os.path.abspath(__file__))


class Reader:
    """A program that reads the file whenever it is told to."""

    def __init__(self, words):
        self.program = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.rows = None

    def read_s(self):
        self.program.stdin.write("again\n")
        self.program.stdin.flush()
        line = self.program.stdout.readline()
        found = re.match(r"read_s=([0-9.]+) rows=(\d+)", line)
        if found is None:
            raise RuntimeError(f"{self.program.args[0]} said {line!r}")
        self.rows = int(found.group(2))
        return float(found.group(1))

    def end(self):
        self.program.stdin.close()
        if self.program.wait() != 0:
            raise RuntimeError(f"{self.program.args[0]} ended with {self.program.returncode}")


def measure(bench):
    folder = os.path.join(bench.work, "read")
    os.makedirs(folder, exist_ok=True)
    path = os.path.join(folder, "long.csv")
    program = os.path.join(bench.programs, "tests/bench/bench_read")
    rows = 200_000 if bench.short else 10_000_000
    bench.run([program, path, "write", str(rows)])
    bench.note(f"a run of {rows} rows, {os.path.getsize(path) / 1e6:.0f} MB, read with {THREADS} threads")
    ours = Reader([program, path, "wait", str(THREADS)])
    theirs = Reader(["Rscript", "--vanilla", os.path.join(HERE, "fread.R"), path, str(THREADS)])
    pair = bench.pair("read a run CSV: fread", ours.read_s, theirs.read_s, len(bench.rounds(21)))
    ours.end()
    theirs.end()
    os.unlink(path)
    if ours.rows != rows or theirs.rows != rows:
        raise RuntimeError(f"of {rows} rows {ours.rows} and {theirs.rows} were read")
    bench.figure("read_csv.fread_over_ours", pair.ratio_median, "", 3, float("inf"), len(pair.ratios))
