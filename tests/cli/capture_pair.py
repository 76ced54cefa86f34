"""A bench of separate instruments, end to end: nipbench-capture against the simulated pair of nipbench-rig.

    python3 capture_pair.py [--short] [--out FIGURES.json] [CASE...]

CAPTURE, RIG, ANALYZE, FEEDERS and RIVER are set by the build. A CASE is the name of a function below.
"""
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import tempfile
import time

CAPTURE, RIG, ANALYZE = (os.environ[name] for name in ("CAPTURE", "RIG", "ANALYZE"))
FEEDER = os.environ["FEEDERS"] + "/gear-8mm.yaml"
RIVER = pathlib.Path(os.environ["RIVER"])
CALIBRATION = {"schema": "nipbench-calibration-1", "date": "2031-03-02T09:15:00Z", "origin": "stated", "rig_serial": "",
               "force": {"degree": 1, "coefficients": [0, 100], "covariance": [[25, 0], [0, 0.0025]],
                         "residual_sd_counts": 1, "degrees_of_freedom": None, "load_low_n": 0, "load_high_n": 150},
               "encoder": None, "feeds": []}
PLAN = """nipbench_plan: 1
title: One gear, simulated
simulated: true
licence: CC0-1.0
seed: 20310302
blocks: {runs}
calibration: calibration.json
rest_before_s: 0.6
rest_after_s: 0.3
sampling:
  rate_hz: {rate_hz}
limits:
  force_n: 130
  travel_mm: 12
  time_s: 20
conditions:
  filament_material: river-test filament
  nip_preload_n: 80
feeders:
  - name: gear-8mm
    drive_diameter_mm: 8
    teeth: 26
tests:
  - test: blocked-push
    travel_mm: {travel_mm}
    speeds_mm_s: [2]
end: true
"""
checks = failures = 0
figures = []
SEED = 1  # that of nipbench-rig when nothing is said
# These runs go at the pace of real instruments, where a disk that pauses ends a run: they are not about disks.
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
short = False  # fewer runs and cases, for every day
began = time.monotonic()


def figure(name, value, unit, low, high, n):
    figures.append({"name": name, "value": value, "unit": unit, "low": low, "high": high, "met": low <= value <= high, "n": n,
                    "seed": SEED, "seconds": round(time.monotonic() - began, 1)})


def check(what, good, seen=""):
    global checks, failures
    checks += 1
    if not good:
        failures += 1
        print(f"FAILED: {what}\n{seen}")


class Pair:
    """A simulated pair for as long as a with block lasts; river.force and river.feed lead to it."""

    def __init__(self, words="", feeder=FEEDER, hands=False):
        self.words, self.feeder, self.hands = words, feeder, hands

    def __enter__(self):
        pathlib.Path("log").unlink(missing_ok=True)
        self.process = subprocess.Popen([RIG, f"--pair={self.words}" if self.words else "--pair", "--feeder", self.feeder,
                                         "--link", "river", "--log", "log"] + ["--hands"] * self.hands,
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.ports = [self.process.stdout.readline().strip() for _ in range(2)]
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait()

    def hand(self, words):
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()
        return self.process.stdout.readline().strip()

    def log(self):
        return [json.loads(line) for line in open("log")]


def write_plan(runs=1, rate_hz=50, travel_mm=8, counts_per_n=100.0):
    calibration = json.loads(json.dumps(CALIBRATION))
    calibration["force"]["coefficients"][1] = counts_per_n
    calibration["force"]["covariance"][1][1] = (0.0005 * counts_per_n) ** 2
    pathlib.Path("calibration.json").write_text(json.dumps(calibration))
    pathlib.Path("plan.yaml").write_text(PLAN.format(runs=runs, rate_hz=rate_hz, travel_mm=travel_mm))


def bench(name="bench-streaming.yaml", **edits):
    """The example with lines replaced: key with two underscores for its section."""
    text = (RIVER / name).read_text()
    for key, value in edits.items():
        text, n = re.subn(rf"(?m)^( *){key}:.*\n", lambda m: f"{m[1]}{key}: {value}\n" if value is not None else "", text,
                          count=1)
        assert n == 1, key
    pathlib.Path("bench.yaml").write_text(text)
    return "bench.yaml"


def capture(*words, **options):
    return subprocess.run([CAPTURE, *words], capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=120,
                          **options)


def run_series(out, path="bench.yaml", plan="plan.yaml", more=()):
    return capture("run", plan, "--port", path, "--out", out, "--yes", *more)


def record(out, number=1):
    return json.loads(pathlib.Path(f"{out}/runs/{number:04}.json").read_text())


def stall_forces(series):
    done = subprocess.run([ANALYZE, "report", series, "--out", series + "-report"], capture_output=True, text=True)
    check(f"report of {series}", done.returncode == 0, done.stderr)
    results = json.loads(pathlib.Path(series + "-report/results.json").read_text())
    return [r["stall_force_n"] for r in results["runs"]]


def mean_interval(values):
    """Mean of several runs and half of its 95 % interval: their scatter, and what they have in common once."""
    n = len(values)
    mean = sum(v["value"] for v in values) / n
    scatter = sum((v["value"] - mean) ** 2 for v in values) / (n - 1) / n
    common = max(v["standard_uncertainty"] for v in values)
    return mean, (scatter + common ** 2) ** 0.5


def series_against_the_native_rig():
    bench()
    write_plan(runs=3 if short else 4)
    with Pair() as pair:
        done = run_series("pair")
        truth = [e["value"] for e in pair.log() if e["event"] == "run"]
    check("a series from the pair", done.returncode == 0, done.stderr)
    verified = subprocess.run([ANALYZE, "verify", "pair"], capture_output=True, text=True)
    check("verify", verified.returncode == 0, verified.stdout + verified.stderr)
    r = record("pair")
    s = r["separate_instruments"]
    check("interval of the gauge", abs(s["force_interval_s"] - 0.02) < 0.002, s)
    check("the rate is that of the gauge", abs(r["sample_rate_hz"] * s["force_interval_s"] - 1) < 1e-4, r["sample_rate_hz"])
    check("resolution", s["force_resolution_n"] == 0.01, s)
    check("feed latency and its uncertainty", 0 < s["feed_latency_s"] < 0.05 and
          s["feed_latency_standard_uncertainty_s"] >= s["feed_latency_s"] / 3 ** 0.5 * 0.999, s)
    rows = [line.split(",") for line in open("pair/runs/0001.csv")][1:]
    check("commanded microsteps of the feeder", int(rows[-1][2]) == round(8 / (3.14159265 * 8 / 3200)), rows[-1])
    check("no encoder", rows[0][3] == "", rows[0])

    native = dict(CALIBRATION, force=dict(CALIBRATION["force"], coefficients=[12345, 4000], covariance=[[25, 0], [0, 4]]))
    write_plan(runs=3 if short else 4, rate_hz=1000)
    pathlib.Path("calibration.json").write_text(json.dumps(native))
    rig = subprocess.Popen([RIG, "--feeder", FEEDER, "--speedup", "20"], stdout=subprocess.PIPE, text=True)
    done = run_series("native", rig.stdout.readline().strip())
    rig.terminate()
    rig.wait()
    check("a series from the native rig", done.returncode == 0, done.stderr)
    (a, ua), (b, ub) = mean_interval(stall_forces("pair")), mean_interval(stall_forces("native"))
    joint = 2 * (ua ** 2 + ub ** 2) ** 0.5
    said = {name: "one reading per" in pathlib.Path(name + "-report/report.html").read_text() for name in ("pair", "native")}
    check("the report says how coarse the readings of the pair are, and nothing of the kind of the native rig",
          said["pair"] and not said["native"], said)
    print(f"stall force: pair {a:.2f} N (u {ua:.2f}), native {b:.2f} N (u {ub:.2f}), difference {a - b:+.2f}, "
          f"joint interval {joint:.2f}; truth of the pair's runs {sum(truth) / len(truth):.2f} N")
    figure("stall force of the pair less that of the native rig, over the joint interval", (a - b) / joint, "1", -1, 1, 8)
    check("the same stall force within the joint interval", abs(a - b) <= joint, f"{a} {b} {joint}")
    check("the joint interval is no excuse", joint < 3, joint)


def polled_gauge_in_kilograms():
    bench("bench-polled.yaml")
    write_plan(runs=1, rate_hz=20, counts_per_n=1 / 0.00980665)
    with Pair("poll,unit=kgf") as pair:
        done = run_series("polled")
        truth = [e["value"] for e in pair.log() if e["event"] == "run"]
    check("a series from a polled gauge", done.returncode == 0, done.stderr)
    rows = [line.split(",") for line in open("polled/runs/0001.csv")][1:]
    greatest = max(int(row[1]) for row in rows) * 0.00980665
    check("kilograms become newtons", 0.9 * truth[0] < greatest < 1.1 * truth[0], f"{greatest} {truth}")


def weights_on_the_gauge():
    bench()
    with Pair(hands=True) as pair:
        check("a hand that is not understood", pair.hand("lift 3").startswith("refused"))
        host = subprocess.Popen([CAPTURE, "weigh", "--port", "bench.yaml", "--out", "readings.csv", "--yes", "--timeout",
                                 "60", "--loads-n", "--loads", "20,60,100", "--cycles", "1"], stdin=subprocess.DEVNULL,
                                stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        said = ""
        for line in host.stderr:
            said += line
            if line.rstrip().endswith("take all weights off"):
                pair.hand("hang 0")
            elif m := re.search(r"hang (\S+) N$", line.rstrip()):
                pair.hand("hang " + m[1])
        check("weigh", host.wait() == 0, said)
    rows = [line.split(",") for line in open("readings.csv")][1:]
    # The cell of the feeder file drifts and scatters; 0.3 N is more than that.
    off = max(abs(float(row[1]) / 100 - float(row[0])) for row in rows)
    check("counts are hundredths of a newton", len(rows) >= 6 and off < 0.3, rows)


def killed_in_mid_motion(how):
    """Without a stop word, so that nothing but the short pieces helps."""
    bench(stop=None, release=None)
    write_plan()
    with Pair() as pair:
        host = subprocess.Popen([CAPTURE, "run", "plan.yaml", "--port", "bench.yaml", "--out", f"killed-{how.name}",
                                 "--yes"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 30
        while not any(e["event"] == "moving" for e in pair.log()) and time.monotonic() < deadline:
            time.sleep(0.02)
        time.sleep(1.03)
        killed_us = time.monotonic() * 1e6
        host.send_signal(how)
        time.sleep(1.5)
        last = pair.log()[-1]
        check(f"{how.name}: the feed stands", last["event"] == "standing", last)
        after_ms = (last["monotonic_us"] - killed_us) / 1000
        print(f"{how.name}: the feed stands after {after_ms:.0f} ms")
        figure(f"{how.name} to capture: the feed stands after", after_ms, "ms", 0, 500, 1)
        check(f"{how.name}: within 500 ms, and it had been moving", 0 < after_ms <= 500, after_ms)
        host.kill()
        host.wait()
        if how == signal.SIGKILL:
            bench()
            done = capture("run", "--resume", "--out", f"killed-{how.name}", "--port", "bench.yaml", "--yes")
            check("the series is resumed", done.returncode == 0, done.stderr)
            ended = [record(f"killed-{how.name}", n)["ended"] for n in (1, 2)]
            check("the run that was killed, and its repeat", ended == ["interrupted", "complete"], ended)
            verified = subprocess.run([ANALYZE, "verify", f"killed-{how.name}"], capture_output=True, text=True)
            check("verify after resuming", verified.returncode == 0, verified.stdout + verified.stderr)


def killed():
    killed_in_mid_motion(signal.SIGKILL)


def stopped():
    killed_in_mid_motion(signal.SIGSTOP)


def limit_without_a_stop_word():
    """What the controller has in its hands is pushed on past the force limit: 31.6 N/mm (the blocked end alone; the filament
    only makes it less) at 2 mm/s, for 0.15 s of motion, a reading of 0.02 s, and 0.02 s of latencies and of this computer."""
    limit_n = 40
    bench(stop=None, release=None)
    write_plan()
    plan = pathlib.Path("plan.yaml")
    plan.write_text(plan.read_text().replace("force_n: 130", f"force_n: {limit_n}"))
    with Pair():
        done = run_series("limited")
    check("a run that meets its force limit", done.returncode == 0, done.stderr)
    check("it ended at it", record("limited")["ended"] == "limit", record("limited"))
    counts = [int(row.split(",")[1]) for row in pathlib.Path("limited/runs/0001.csv").read_text().splitlines()[1:]]
    zero = sum(counts[:20]) / 20
    past_n = (max(counts) - zero) / 100 - limit_n
    print(f"without a stop word: {past_n:.1f} N past the force limit")
    most_n = 31.6 * 2 * (0.15 + 0.02 + 0.02)
    check(f"the force goes past its limit by at most {most_n:.1f} N", 0 < past_n <= most_n, past_n)
    figure("force past its limit without a stop word, 2 mm/s against 31.6 N/mm", past_n, "N", 0, most_n, 1)


def named_at_the_start():
    cases = [("unit@0", {}, 4, "writes 'lbf' where the bench file says N"),
             ("comma@0", {}, 4, "writes a decimal comma"),
             ("garbage@0", {}, 4, "is 115200 the right baud rate?"),
             ("silent@0", {}, 4, "writes nothing"),
             ("mute@0", {}, 4, "does not answer 'G21'"),
             ("rate=20", {}, 3, "readings a second, not 50"),
             ("", {"unit": "kgf"}, 4, "writes 'N' where the bench file says kgf"),
             ("", {"column": "3"}, 4, "has no number where the bench file says"),
             ("", {"force_port": 1}, 4, "the two instruments are swapped"),
             ("poll", {"force_port": 1, "rate_hz": "20\n  poll: '?'"}, 4, "the two instruments are swapped"),
             ("", {"axis": "E\n  start_up: [G77]"}, 4, "answers 'error: unknown G word' to 'G77'")]
    named = 0
    cases = cases[::2] if short else cases
    for words, edits, status, sentence in cases:
        swapped = edits.pop("force_port", None)
        bench(**edits)
        if swapped:
            text = pathlib.Path("bench.yaml").read_text()
            text = text.replace("river.force", "river.x").replace("river.feed", "river.force")
            pathlib.Path("bench.yaml").write_text(text.replace("river.x", "river.feed"))
        with Pair(words):
            done = capture("identify", "bench.yaml")
        check(f"{words} {edits} {swapped}: status {done.returncode}", done.returncode == status, done.stderr)
        check(f"{words} {edits} {swapped}: named", sentence in done.stderr, done.stderr)
        named += done.returncode == status and sentence in done.stderr
    figure("wrong instruments named at the start, share", named / len(cases), "1", 1, 1, len(cases))


def named_in_mid_run():
    cases = [("unit@1", "writes 'lbf' where 'N' is expected", "fault"),
             ("comma@1", "has another decimal sign than the bench file states", "fault"),
             ("garbage@1", "is the baud rate right?", "fault"),
             ("silent@1", "has been silent for", "fault"),
             ("error@1", "answered 'error: motion is not allowed'", "fault"),
             ("mute@1", "answers come too slowly", "fault"),
             ("over-range@1", "force limit", "limit"),
             ("slow@0", "the motion controller", "fault")]
    write_plan()
    named = 0
    cases = cases[1::3] if short else cases
    for words, sentence, ended in cases:
        out = "mid-" + words.split("@")[0]
        bench()
        with Pair(words) as pair:
            done = run_series(out)
            time.sleep(0.5)
            last = pair.log()[-1]
        r = record(out)
        check(f"{words}: ended as {ended}", r["ended"] == ended, r["ended_why"])
        check(f"{words}: named", sentence in done.stderr, done.stderr + r["ended_why"])
        named += r["ended"] == ended and sentence in done.stderr
        check(f"{words}: the feed stands", last["event"] == "standing", last)
        verified = subprocess.run([ANALYZE, "verify", out], capture_output=True, text=True)
        check(f"{words}: verify", verified.returncode == 0, verified.stdout + verified.stderr)
    figure("instruments that go wrong in mid-run named, share", named / len(cases), "1", 1, 1, len(cases))


def refused_before_anything_moves():
    with Pair():
        bench()
        write_plan(rate_hz=100)
        done = run_series("refused")
        check("another rate in the plan", done.returncode == 3 and "readings a second" in done.stderr, done.stderr)
        write_plan()
        text = pathlib.Path("plan.yaml").read_text().replace("simulated: true", "simulated: false", 1)
        pathlib.Path("real.yaml").write_text(text)
        done = run_series("refused", plan="real.yaml")
        check("a plan that is not simulated", done.returncode == 3 and "must say 'simulated: true'" in done.stderr,
              done.stderr)
        bench(axis="Q9")
        done = capture("identify", "bench.yaml")
        check("a bad bench file", done.returncode == 3 and re.search(r"bench\.yaml:\d+:\d+: axis: ", done.stderr),
              done.stderr)
        bench(port="/dev/no-such-gauge")
        done = capture("identify", "bench.yaml")
        check("a port that is not there", done.returncode == 4 and "/dev/no-such-gauge" in done.stderr, done.stderr)
        check("nothing was made", not pathlib.Path("refused").exists())


def main():
    global short
    wanted = sys.argv[1:]
    out = None
    if wanted[:1] == ["--short"]:
        short = True
        wanted = wanted[1:]
    if wanted[:1] == ["--out"]:
        out = pathlib.Path(wanted[1]).resolve()
        wanted = wanted[2:]
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        os.chdir(folder)
        longer = (polled_gauge_in_kilograms, weights_on_the_gauge, stopped)
        for case in (series_against_the_native_rig, killed, limit_without_a_stop_word, named_at_the_start, named_in_mid_run,
                     refused_before_anything_moves, *(() if short else longer)):
            if not wanted or case.__name__ in wanted:
                case()
        os.chdir("/")
    if out is not None:
        out.write_text(json.dumps(figures, indent=1) + "\n")
    print(f"{checks} checks, {failures} failed")
    return 1 if failures or checks == 0 else 0


if __name__ == "__main__":
    sys.exit(main())
