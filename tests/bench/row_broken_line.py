"""One broken-line fit of 100,000 points with the breakpoint's standard error, against R's package segmented.

Both sides get the same points and are timed in processor time around the fit alone. segmented is called as its manual
does, so that it finds its own start; ours takes every interval between neighbouring points into account.
"""
import math
import os
import subprocess

PACKAGES = ["r-base-core", "r-cran-segmented"]


class Segmented:
    """R, kept alive between rounds."""

    def __init__(self):
        script = os.path.join(os.path.dirname(os.path.abspath(__file__)), "segmented.R")
        self.process = subprocess.Popen(["Rscript", "--vanilla", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                        text=True)

    def fit(self, path, start=""):
        """Seconds, breakpoint, standard error and residual sum; with a start, the best from there and from close by."""
        self.process.stdin.write("%s %s\n" % (path, start))
        self.process.stdin.flush()
        line = self.process.stdout.readline()
        if not line:
            raise RuntimeError("R ended without an answer for " + path)
        return [float(word) for word in line.split()]

    def close(self):
        self.process.stdin.close()
        if self.process.wait() != 0:
            raise RuntimeError("R ended with status %d" % self.process.returncode)


def measure(bench):
    program = os.path.join(bench.programs, "tests/bench/bench_broken_line")
    folder = os.path.join(bench.work, "broken_line")
    os.makedirs(folder, exist_ok=True)
    points = 2000 if bench.short else 100000
    names = bench.run([program, "write", folder, str(points)]).out.split()
    segmented = Segmented()
    ratios, differences = [], []
    for name in names:
        path = os.path.join(folder, name + ".f64")
        answers = {}

        def ours():
            answers["ours"] = [float(word) for word in
                               bench.run([program, "fit", path, "0.05" if bench.short else "0.5"]).out.split()]
            return answers["ours"][0]

        def theirs():
            answers["theirs"] = segmented.fit(path)
            return answers["theirs"][0]

        pair = bench.pair("broken line of %d points, %s: segmented" % (points, name.replace("_", " ")), ours, theirs,
                          3)
        _, at, error, left = answers["ours"]
        _, at_r, error_r, left_r = answers["theirs"]
        # Noise makes hollows of the residual sum, and segmented may stop in one: then what it finds from our breakpoint
        # and a standard error to either side is its answer too, if by its own measure that is the better fit.
        found = min((segmented.fit(path, repr(at + shift * error)) for shift in (-1, 0, 1)), key=lambda answer: answer[3])
        stopped = abs(at - at_r) / error
        if found[3] < left_r:
            _, at_r, error_r, left_r = found
        ratios.append(pair.ratio_median)
        differences.append(abs(at - at_r) / error)
        bench.note("%s: breakpoint %.8f +- %.2g, segmented's best %.8f +- %.2g: %.2g standard errors apart, residual sum over "
                   "ours, less 1: %.2g; by itself it stopped %.2g standard errors off"
                   % (name, at, error, at_r, error_r, differences[-1], left_r / left - 1, stopped))
    segmented.close()
    bench.figure("broken_line.segmented_over_ours", min(ratios), "", 1000, math.inf, len(ratios))
    bench.figure("broken_line.breakpoint_difference_standard_errors", max(differences), "", 0, 0.05, len(differences))
