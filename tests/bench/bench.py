"""The speed benchmark: every row against what it is measured by, side by side in one run.

    bench.py --programs BUILD --out FILE.json [--table FILE.txt] [--work FOLDER] [--only NAME] [--short] [--installed]
    bench.py --packages

Each row_NAME.py beside this file has one function, measure(bench). Ours and the other side take turns, A B A B, after one
turn of each that does not count; what is shown are medians with the least and the greatest, and the ratio of each pair.
--short only shows that the rows work: small sizes, two rounds, and no figure is judged. --packages prints the Debian
packages that the rows need. Exit status: 0 all figures met (or --short), 1 not, 2 wrong use.
"""
import argparse
import importlib.util
import json
import os
import pathlib
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import types

HERE = pathlib.Path(__file__).resolve().parent
INSTRUCTION_SETS = ("sse2", "sse4_2", "avx", "avx2", "avx512f", "sha_ni", "neon", "asimd", "sha2")


class Pair:
    """Measurements of both sides, turn by turn."""

    def __init__(self, name, ours, theirs, unit):
        self.name, self.ours, self.theirs, self.unit = name, ours, theirs, unit
        self.ratios = [b / a for a, b in zip(ours, theirs)]
        self.ours_median = statistics.median(ours)
        self.theirs_median = statistics.median(theirs)
        self.ratio_median = statistics.median(self.ratios)

    def lines(self):
        def span(values):
            return f"{statistics.median(values):.4g} ({min(values):.4g} to {max(values):.4g})"
        return [self.name, f"  ours {span(self.ours)} {self.unit}, theirs {span(self.theirs)} {self.unit}, "
                f"theirs over ours {span(self.ratios)}, {len(self.ours)} pairs"]


class Bench:
    def __init__(self, options):
        self.programs = pathlib.Path(options.programs).resolve()
        self.short = options.short
        self.seed = 20261129
        self.figures, self.text = [], []
        self.started = time.monotonic()
        self.work = pathlib.Path(tempfile.mkdtemp(prefix="nipbench-speed-", dir=options.work))

    def rounds(self, n):
        return range(min(n, 2) if self.short else n)

    def note(self, text):
        print(text, flush=True)
        self.text.append(text)

    @staticmethod
    def run(argv, status=0, **keywords):
        """A program run to its end, with the time it took by the operating system's account. Not its memory: a child of
        Python inherits Python's own greatest size (getrusage(2)), which is larger than most of what is measured here."""
        argv = [str(word) for word in argv]
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            began = time.monotonic()
            process = subprocess.Popen(argv, stdin=subprocess.DEVNULL, stdout=out, stderr=err, **keywords)
            _, ended, usage = os.wait4(process.pid, 0)
            wall_s = time.monotonic() - began
            process.returncode = os.waitstatus_to_exitcode(ended)
            out.seek(0)
            err.seek(0)
            result = types.SimpleNamespace(
                status=process.returncode, wall_s=wall_s, user_s=usage.ru_utime, system_s=usage.ru_stime,
                cpu_s=usage.ru_utime + usage.ru_stime, out=out.read().decode(errors="replace"),
                err=err.read().decode(errors="replace"))
        if result.status != status:
            raise RuntimeError(f"{' '.join(argv[:3])} ... ended with {result.status}: {result.err.strip()[-500:]}")
        return result

    def pair(self, name, ours, theirs, rounds, unit="s"):
        ours(), theirs()
        a, b = [], []
        for _ in self.rounds(rounds):
            a.append(ours())
            b.append(theirs())
        pair = Pair(name, a, b, unit)
        for line in pair.lines():
            self.note(line)
        return pair

    def figure(self, name, value, unit, low, high, n):
        met = value is not None and low <= value <= high
        self.figures.append({"name": name, "value": value, "unit": unit, "low": low, "high": min(high, 1e300), "met": met,
                             "n": n, "seed": self.seed, "seconds": round(time.monotonic() - self.started, 1)})
        shown = "none" if value is None else f"{value:.4g}"
        bounds = f"at least {low:g}" if high >= 1e300 else f"{low:g} to {high:g}"
        word = "----" if self.short else "met " if met else "NOT "
        self.note(f"{word} {name}: {shown} {unit} (asked: {bounds}, n = {n})")


def machine():
    """What it ran on, and for which instructions our side was compiled."""
    model, flags = platform.processor() or platform.machine(), set()
    try:
        for line in pathlib.Path("/proc/cpuinfo").read_text().splitlines():
            key, _, value = line.partition(":")
            if key.strip() == "model name":
                model = value.strip()
            elif key.strip() in ("flags", "Features"):
                flags = set(value.split())
    except OSError:
        pass
    has = " ".join(name for name in INSTRUCTION_SETS if name in flags)
    return [f"{model}, {os.cpu_count()} cores, {platform.machine()}; it has {has}",
            f"ours: gcc -O2 with link-time optimisation for any {platform.machine()}, nothing beyond its basic instructions "
            "(OpenSSL chooses its SHA-256 by what the processor has, on both sides)"]


def rows():
    for path in sorted(HERE.glob("row_*.py")):
        spec = importlib.util.spec_from_file_location(path.stem, path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        yield path.stem[len("row_"):], module


def installed(package):
    result = subprocess.run(["dpkg-query", "-W", "-f", "${db:Status-Status}", package], capture_output=True, text=True, check=False)
    return result.stdout == "installed"


def write(path, text):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--packages", action="store_true", help="print the Debian packages that the rows need")
    parser.add_argument("--programs", help="folder of the optimised build")
    parser.add_argument("--out", type=pathlib.Path, help="figures")
    parser.add_argument("--table", type=pathlib.Path, help="everything that is printed")
    parser.add_argument("--work", default="/var/tmp", help="where to make the files that are read (about 2 GB)")
    parser.add_argument("--only", default="", help="rows whose name holds this")
    parser.add_argument("--short", action="store_true", help="a reduced form that judges nothing")
    parser.add_argument("--installed", action="store_true", help="leave out rows whose packages are not all there")
    options = parser.parse_args()
    if options.packages:
        print("\n".join(sorted({package for _, module in rows() for package in getattr(module, "PACKAGES", [])})))
        return 0
    if not options.programs or not options.out:
        parser.error("--programs and --out are needed")
    bench = Bench(options)
    failed = []
    try:
        for line in machine():
            bench.note(line)
        for name, module in rows():
            if options.only not in name or options.installed and not all(map(installed, getattr(module, "PACKAGES", []))):
                continue
            bench.note(f"-- {name}")
            try:
                module.measure(bench)
            except (RuntimeError, OSError, ValueError) as error:
                bench.note(f"FAILED {name}: {error}")
                failed.append(f"{name}: {error}")
            for folder in bench.work.iterdir():
                shutil.rmtree(folder) if folder.is_dir() else folder.unlink()
    finally:
        shutil.rmtree(bench.work, ignore_errors=True)
    write(options.out, json.dumps(bench.figures, indent=1) + "\n")
    if options.table:
        write(options.table, "\n".join(bench.text) + "\n")
    for row in failed:  # again, where whoever reads only the end sees it
        bench.note(f"row that broke: {row}")
    if not bench.figures and not failed:
        bench.note(f"no row has '{options.only}' in its name")
        return 1
    return 1 if failed or not (bench.short or all(figure["met"] for figure in bench.figures)) else 0


if __name__ == "__main__":
    sys.exit(main())
