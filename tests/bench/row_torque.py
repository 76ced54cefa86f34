"""Fit of a torque curve with its covariance, against SciPy's curve_fit and R's nls: loops over the same sets of points, each in
one process.

Same points, same model, same parameters out: see bench_torque.c for what is compared. The others get the derivatives and
begin at the parameters that made the points; ours looks for the curve over all shapes and corners. The time of each side is
processor time per fit. Where another stops at a curve that leaves more than ours, or does not converge, the set is counted
and told, and left out of the comparison of estimates and standard errors.
"""
import math
import os
import subprocess

PACKAGES = ["python3-scipy", "r-base-core"]
HERE = os.path.dirname(os.path.abspath(__file__))
DEBIAN_PYTHON = "/usr/bin/python3"  # the one that python3-scipy is for
MODELS = ("pull_out", "droop")
SAME_CURVE = 1e-6  # of the residual sum


class Other:
    """A program that is asked line by line."""

    def __init__(self, argv):
        self.process = subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def seconds(self, path, model):
        self.process.stdin.write("%s %s\n" % (path, model))
        self.process.stdin.flush()
        line = self.process.stdout.readline()
        if not line:
            raise RuntimeError("no answer for " + path)
        return float(line)

    def close(self):
        self.process.stdin.close()
        if self.process.wait() != 0:
            raise RuntimeError("ended with status %d" % self.process.returncode)


def numbers(path):
    with open(path, encoding="ascii") as file:
        return [[float(word) for word in line.split()] for line in file]


def torque_nm(model, parameters, speed):
    if model == "droop":
        return parameters[0] - parameters[1] * speed
    flat, a, b, tau = parameters
    z2 = 1 + (speed * tau) ** 2
    return min(flat, a / math.sqrt(z2) - b * speed / z2)


def left(model, parameters, speeds, torques):
    return sum((torque - torque_nm(model, parameters, speed)) ** 2 for speed, torque in zip(speeds, torques))


def compare(folder, model, name):
    """Largest relative difference of estimates and standard errors; sets that agree, that the other left worse, that ours
    left worse, and that it gave no answer for."""
    truth, speeds, *sets = numbers(os.path.join(folder, model + ".txt"))
    ours = numbers(os.path.join(folder, model + ".ours"))
    theirs = numbers(os.path.join(folder, model + "." + name))
    counts = {"same": 0, "worse": 0, "better": 0, "none": 0}
    largest = 0
    for torques, mine, other in zip(sets, ours, theirs):
        if any(math.isnan(number) for number in other):
            counts["none"] += 1
            continue
        ratio = left(model, other[:len(truth)], speeds, torques) / left(model, mine[:len(truth)], speeds, torques)
        if ratio > 1 + SAME_CURVE:
            counts["worse"] += 1
        elif ratio < 1 - SAME_CURVE:
            counts["better"] += 1
        else:
            counts["same"] += 1
            largest = max([largest] + [abs(b / a - 1) for a, b in zip(mine, other)])
    return largest, counts


def measure(bench):
    program = os.path.join(bench.programs, "tests/bench/bench_torque")
    folder = os.path.join(bench.work, "torque")
    os.makedirs(folder, exist_ok=True)
    sets = 10 if bench.short else 100
    bench.run([program, "write", folder, str(sets)])
    others = {"curve_fit": Other([DEBIAN_PYTHON, os.path.join(HERE, "curve_fit.py")]),
              "nls": Other(["Rscript", "--vanilla", os.path.join(HERE, "nls.R")])}
    ratios = {name: [] for name in others}
    largest, compared, beaten = 0, 0, 0
    for model in MODELS:
        path = os.path.join(folder, model + ".txt")
        for name, other in others.items():
            pair = bench.pair("torque curve, %s: %s" % (model.replace("_", "-"), name),
                              lambda: float(bench.run([program, "fit", folder, model, "0.05" if bench.short else "0.5"]).out),
                              lambda: other.seconds(path, model), 5)
            ratios[name].append(pair.ratio_median)
            difference, counts = compare(folder, model, name)
            largest = max(largest, difference)
            compared += counts["same"]
            beaten += counts["better"]
            bench.note("%s of %s: %d of %d sets the same curve, estimates and standard errors within %.2g; %d times it stopped "
                       "at a curve that leaves more than ours, %d times ours did, %d times it did not converge"
                       % (name, model, counts["same"], sets, difference, counts["worse"], counts["better"], counts["none"]))
    for other in others.values():
        other.close()
    bench.figure("torque_fit.curve_fit_over_ours", min(ratios["curve_fit"]), "", 20, math.inf, sets)
    bench.figure("torque_fit.nls_over_ours", min(ratios["nls"]), "", 20, math.inf, sets)
    bench.figure("torque_fit.largest_relative_difference", largest, "", 0, 1e-4, compared)
    bench.figure("torque_fit.sets_where_ours_leaves_more", beaten, "sets", 0, 0, 2 * len(MODELS) * sets)
