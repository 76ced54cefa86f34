"""The bootstrap of a comparison of six feeders, 2,000 draws and all 15 differences, against R's package boot.

Each side is timed in its own process around the computation alone: drawing, means, and percentile intervals of all pairs.
R's draws are then given to ours as a matrix of indices, and the intervals by these are held against those of boot.ci.
"""
import os

PACKAGES = ["r-base-core", "r-cran-boot"]


def pairs_of(text):
    return [tuple(float(word) for word in line.replace(",", " ").split()) for line in text.strip().splitlines()]


def seconds_of(out):
    lines = [line.split()[1] for line in out.splitlines() if line.startswith("seconds")]
    return sorted(float(line) for line in lines)[len(lines) // 2]


def measure(bench):
    program = os.path.join(bench.programs, "tests/bench/bench_bootstrap")
    script = os.path.join(os.path.dirname(os.path.abspath(__file__)), "bootstrap.R")
    folder = os.path.join(bench.work, "bootstrap")
    os.makedirs(folder, exist_ok=True)
    loops = 20 if bench.short else 1000
    bench.run([program, folder, "1"])

    def ours():
        return seconds_of(bench.run([program, folder, str(loops)]).out)

    def theirs():
        return seconds_of(bench.run(["Rscript", "--vanilla", script, folder, "3"]).out)

    pair = bench.pair("bootstrap of 6 feeders, 2,000 draws: boot", ours, theirs, len(bench.rounds(5)))
    out = bench.run([program, folder, "1"]).out
    got = [tuple(float(word) for word in line.split()[1:]) for line in out.splitlines() if line.startswith("interval")]
    with open(os.path.join(folder, "intervals.csv")) as file:
        wanted = pairs_of(file.read())
    if len(got) != 15 or len(wanted) != 15:
        raise RuntimeError("%d intervals of ours against %d of R" % (len(got), len(wanted)))
    apart = max(abs(a - b) / max(abs(a), abs(b)) for one, other in zip(got, wanted) for a, b in zip(one, other))
    bench.figure("bootstrap.boot_over_ours", pair.ratio_median, "1", 50, 1e6, len(pair.ratios))
    bench.figure("bootstrap.largest_relative_difference", apart, "1", 0, 1e-9, 2 * len(got))
    bench.note("the same draws in both: the largest relative difference of 30 interval ends is %.2g" % apart)
