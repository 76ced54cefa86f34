"""Whether what `rig/demo --full` left in a folder is right: every series is there, verifies and has its truth; what the
report says of each test agrees with what the simulator knows.

    python3 tests/rig/check_full_demo.py DIR NIPBENCH_ANALYZE [TEST...]

Prints each thing that is wrong and exits 1 when there is one. TEST: those that were captured, if not all.
"""
import json
import math
import pathlib
import re
import subprocess
import sys

TESTS = ["blocked-push", "speed-sweep", "free-run", "loaded-feed", "preload-sweep", "reversal", "melt-push", "endurance"]
PUSHES = ["blocked-push", "speed-sweep", "preload-sweep", "endurance"]
# How unlikely a value may be that is off, by Student's t with the degrees of freedom of its interval: many intervals rest
# on a few runs, and with 5 degrees of freedom one in 500 is off by more than two half widths. Some 80 are compared, so that
# fewer than one honest demo in 10,000 fails. Of all intervals together so many must hold the truth: fewer than one demo in
# 1,000 would fall below by chance.
CHANCE_LEAST = 1e-6
HELD_LEAST = 0.85
DEGREES_MOST = 1e6  # past that t is normal
SLICES = 4000

wrong = []


def expect(good, sentence):
    if not good:
        wrong.append(sentence)


def load(path):
    with open(path, encoding="utf-8") as file:
        return json.load(file)


def numbers(setting):
    return [float(word) for word in re.findall(r"-?\d+(?:\.\d+)?", setting or "")]


# The greatest brake load of the loaded-feed plan: what lies above it was not reached and has no value.
GREATEST_LOAD_N = 64


def below(limit, value):
    return value if value < limit else None


def creep(p, preload):
    nip = p["nip"]
    return nip["creep_floor_per_n"] + nip["creep_extra_per_n"] * math.exp(-preload / nip["creep_preload_n"])


def melt_coefficient(p, celsius):
    hot = p["hot_end"]
    return hot["coefficient"] * math.exp(-hot["per_kelvin"] * (celsius - hot["reference_c"]))


def grip(p, speed, preload=1):
    """Grip limit of a clean gear; with preload 1 the grip coefficient. No demo preload that counts is saturated."""
    return p["nip"]["grip_coefficient"] * preload * speed ** -p["nip"]["grip_speed_exponent"]


def motor_limit(truth, feeder):
    return next(run["nominal"]["motor_limit_n"] for run in truth["runs"] if run["feeder"] == feeder)


def feed_ratio(p, preload):
    """Feed to a microstep against that at no dent: past the dent preload the effective diameter shrinks."""
    dent = max(0, preload - p["nip"]["dent_preload_n"]) * p["nip"]["dent_mm_per_n"]
    return 1 - dent / p["gear"]["drive_diameter_mm"]


def mains(p, frequency_hz):
    """Pick-up at that frequency. 50 and 60 Hz are both looked for, each with a false alarm in 200."""
    return p["sensor"]["mains_n"] if frequency_hz == p["sensor"]["mains_hz"] else 0


# What is true of a quantity: p has the feeder's parameters, s the numbers in the quantity's setting, m the force at
# which its motor gives way. None: the quantity need not have a value there. Speeds are those of the plans.
TRUTHS = {
    "free-run": {
        "eccentricity_um": lambda p, s, m: 1000 * p["gear"]["eccentricity_mm"],
        "tooth_ripple_um": lambda p, s, m: 1000 * p["gear"]["tooth_ripple_mm"],
        "full_step_ripple_um": lambda p, s, m: 1000 * p["gear"]["full_step_ripple_mm"],
        "effective_feed_ratio": lambda p, s, m: feed_ratio(p, s[0]),
        "noise_n": lambda p, s, m: p["sensor"]["noise_n"],
        "mains_n": lambda p, s, m: mains(p, s[0]) if s else p["sensor"]["mains_n"],
    },
    "loaded-feed": {
        "creep_per_n": lambda p, s, m: creep(p, s[0]),
        "slip_onset_n": lambda p, s, m: below(0.8 * GREATEST_LOAD_N, p["nip"]["onset_fraction"] * grip(p, 5, s[0])),
        "greatest_feed_force_n": lambda p, s, m: below(GREATEST_LOAD_N, min(m, grip(p, 5, s[0]))),
        "effective_feed_ratio": lambda p, s, m: feed_ratio(p, s[0]),
    },
    "preload-sweep": {
        "grip_coefficient": lambda p, s, m: grip(p, 5),
        "top_force_n": lambda p, s, m: m,
        "best_preload_n": lambda p, s, m: m / grip(p, 5),
    },
    "reversal": {
        "lost_motion_mm": lambda p, s, m:
            p["gear"]["backlash_mm"] + (p["tube"]["clearance_mm"] if s and s[0] > 0 else 0),
        "lost_motion_tube_mm": lambda p, s, m: p["tube"]["clearance_mm"],
        "force_ratio": lambda p, s, m: math.exp(2 * p["tube"]["friction"] * math.radians(s[0] if s else 0)),
        "guide_tube_friction": lambda p, s, m: p["tube"]["friction"],
    },
    "melt-push": {
        "force_at_rate_n": lambda p, s, m:
            p["hot_end"]["force_n"] + melt_coefficient(p, s[0]) * s[1] ** p["hot_end"]["exponent"],
    },
    "endurance": {
        "grip_fade_percent_per_m": lambda p, s, m: 100 * p["nip"]["fade_per_m"],
    },
}


def check_files(folder, analyze, tests):
    for test in tests:
        series = folder / test / "series"
        verified = subprocess.run([analyze, "verify", series], capture_output=True, text=True)
        expect(verified.returncode == 0, f"{test}: verify ended with {verified.returncode}: {verified.stderr}")
        for name in ("plan.yaml", "calibration.json"):
            expect((folder / test / name).read_bytes() == (series / name).read_bytes(),
                   f"{test}: the series holds another {name} than the one that it was run with")
        runs = [load(path) for path in sorted((series / "runs").glob("*.json"))]
        expect(len(runs) > 0 and all(run["test"] == test for run in runs), f"{test}: runs of other tests")
        expect(all(run["ended"] == "complete" for run in runs),
               f"{test}: {sum(run['ended'] != 'complete' for run in runs)} of {len(runs)} runs are not complete")
        truth = load(folder / test / "truth.json")
        expect([known["feeder"] for known in truth["runs"]] == [run["feeder"] for run in runs],
               f"{test}: the truth file knows {len(truth['runs'])} runs, the series has {len(runs)}, or other feeders")
        check_bench(test, folder, runs)
    page = (folder / "report/report.html").read_text(encoding="utf-8")
    expect("SIMULATED" in page, "report.html does not say that the data are simulated")


def check_bench(test, folder, runs):
    """The operator did what was asked for: what the runs say was on the bench, and cleaned gears."""
    told = (folder / test / "capture.log").read_text(encoding="utf-8")
    expect(told.count("mount feeder ") == len({(run["block"], run["feeder"]) for run in runs}),
           f"{test}: feeders were mounted {told.count('mount feeder ')} times")
    cleaned = [run for run in runs if run.get("cleaned")]
    expect(told.count("clean the drive gear") == len(cleaned), f"{test}: cleaned {len(cleaned)} times, by its records")
    expect(all(run["events"][0] == {"text": "drive gear cleaned", "time_us": 0} for run in cleaned),
           f"{test}: a cleaning is no event of its run")
    if test == "endurance":
        expect(len(cleaned) > 0, "endurance: the gear was never cleaned")
    if test == "reversal":
        expect(all(run["cycles"] == 3 for run in runs), "reversal: runs of other than 3 cycles")


def beyond(t, degrees):
    """Two-sided probability of a Student's t beyond t: with t = sqrt(degrees) tan(a) its density is that of
    cos(a)^(degrees - 1). By Simpson's rule, both parts over the width in which the power is not nothing."""
    def area(low, high):
        high = min(high, low + 12 / math.sqrt(degrees) if degrees > 100 else high)
        step = (high - low) / SLICES
        return step / 3 * sum((1 if i in (0, SLICES) else 4 if i % 2 else 2) * math.cos(low + i * step) ** (degrees - 1)
                              for i in range(SLICES + 1))
    start = math.atan(t / math.sqrt(degrees))
    return area(start, math.pi / 2) / area(0, math.pi / 2)


def half_width_in_errors(degrees):
    """The t that is exceeded with 5 %."""
    low, high = 1.0, 13.0
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (middle, high) if beyond(middle, degrees) > 0.05 else (low, middle)
    return low


def chance(value, known):
    """How likely an honest value is that far off, by its interval, whose two halves may differ."""
    degrees = min(max(value.get("degrees_of_freedom") or DEGREES_MOST, 1), DEGREES_MOST)
    half = (value["high_95"] - value["value"]) if known > value["value"] else (value["value"] - value["low_95"])
    return beyond(abs(value["value"] - known) / half * half_width_in_errors(math.floor(degrees)), degrees)


def check_quantities(folder, results, tests):
    all_held = all_compared = 0
    for test in tests:
        if test not in TRUTHS:
            continue
        truth = load(folder / test / "truth.json")
        parameters = {p["name"]: p for p in truth["feeders"]}
        # Feeders of one name in several series are told apart as "gear-8mm (series 4)".
        outcomes = [(feeder["feeder"].split(" (")[0], outcome) for feeder in results["feeders"]
                    for outcome in feeder["tests"] if outcome["test"] == test]
        expect(sorted(feeder for feeder, _ in outcomes) == sorted(parameters),
               f"{test}: results.json has this test of {[feeder for feeder, _ in outcomes]}")
        for feeder, outcome in outcomes:
            name = f"{test}, {feeder}"
            expect(outcome["present"], f"{name}: no answer: {outcome['why_not']}")
            held = compared = 0
            for key, worked_out in TRUTHS[test].items():
                found = [q for q in outcome["quantities"] if q["key"] == key]
                expect(len(found) > 0, f"{name}: no {key}")
                if key == "mains_n":
                    hz = parameters[feeder]["sensor"]["mains_hz"]
                    expect(any(numbers(q["setting"]) == [hz] for q in found), f"{name}: no pick-up at {hz:g} Hz")
                for q in found:
                    known = worked_out(parameters[feeder], numbers(q["setting"]), motor_limit(truth, feeder))
                    value = q["quantity"]
                    if known is None:
                        continue
                    where = f"{name}: {key} {q['setting'] or ''}"
                    answered = value is not None and value["low_95"] is not None and value["high_95"] is not None
                    expect(answered, f"{where}: no value with an interval; in truth {known:.5g}")
                    if not answered:
                        continue
                    compared += 1
                    low, high = value["low_95"], value["high_95"]
                    held += low <= known <= high
                    if not low <= known <= high:
                        print(f"  misses: {where}: {value['value']:.5g} ({low:.5g} to {high:.5g}), in truth {known:.5g}")
                    if not low <= known <= high:
                        expect(chance(value, known) >= CHANCE_LEAST,
                               f"{where}: {value['value']:.5g} ({low:.5g} to {high:.5g}), in truth {known:.5g}: "
                               f"a chance of {chance(value, known):.2g}")
            print(f"{name}: {held} of {compared} intervals hold the truth")
            all_held += held
            all_compared += compared
    print(f"{all_held} of all {all_compared} intervals hold the truth")
    expect(all_held >= HELD_LEAST * all_compared, f"only {all_held} of {all_compared} intervals hold the truth")


def check_pushes(folder, results, tests):
    """Run by run, as in the small demo. Where the grip fades while a push goes on, its truth lies between what it was when
    the push began and what it was at the end."""
    for test in tests:
        if test not in PUSHES:
            continue
        known = load(folder / test / "truth.json")
        fade_per_m = known["feeders"][0]["nip"]["fade_per_m"]
        runs = sorted((run for run in results["runs"] if run["test"] == test), key=lambda run: run["order"])
        expect(len(runs) == len(known["runs"]), f"{test}: {len(known['runs'])} runs moved, results.json has {len(runs)}")
        held = right = 0
        for truth, run in zip(known["runs"], runs):
            stall = run["stall_force_n"]
            begin = truth["realised"]["stall_force_n"]
            end = begin * (1 - fade_per_m * (truth["fed_since_cleaning_m"] + run["fed_mm"] / 1000)) / (
                1 - fade_per_m * truth["fed_since_cleaning_m"])
            held += stall is not None and stall["low_95"] <= begin and stall["high_95"] >= end
            right += run["limited_by"] == truth["realised"]["limited_by"]
        print(f"{test}: {held} of {len(runs)} stall forces hold the truth, what limited it right in {right}")
        expect(held >= 0.8 * len(runs), f"{test}: only {held} of {len(runs)} stall forces hold the truth")
        expect(right >= 0.9 * len(runs), f"{test}: what limited it right in only {right} of {len(runs)} runs")


# The tests of the demo whose pushes the report holds against the motor's data sheet.
PREDICTED = ["blocked-push", "speed-sweep"]
ROUNDING_SHARE = 1e-3  # what the data sheet's rounding may move a predicted force by


def predicted_n(parameters, speed):
    """Push force by the model's own motor: pull-out torque (Acarnley, Stepping Motors) or what the current holds."""
    motor, gear = parameters["motor"], parameters["gear"]
    p = motor["full_steps_per_rev"] / 4
    w = 2 * p * gear["reduction"] * speed / gear["drive_diameter_mm"]
    z = math.hypot(motor["resistance_ohm"], w * motor["inductance_h"])
    psi = motor["flux_linkage_wb"]
    out = p * psi * (4 / math.pi * motor["supply_v"] / z - w * psi * motor["resistance_ohm"] / z ** 2)
    return 2 * gear["reduction"] * gear["efficiency"] * min(out, motor["holding_torque_nm"]) / gear["drive_diameter_mm"] * 1000


def check_predictions(folder, results, tests):
    """The motor file is that of the model: what it predicts is what the model does, and no measured force contradicts it."""
    wanted = [test for test in tests if test in PREDICTED]
    if not wanted:
        expect("predictions" not in results, "a prediction without any push to hold against it")
        return
    parameters = {p["name"]: p for p in load(folder / wanted[0] / "truth.json")["feeders"]}
    speeds = [point["speed_mm_s"] for feeder in results["predictions"] for point in feeder["measured"]]
    expect(len(speeds) >= 2 * len(wanted), f"only {len(speeds)} speeds are held against the motor's data sheet")
    for feeder in results["predictions"]:
        name = feeder["feeder"].split(" (")[0]
        expect(feeder["differing"] == 0, f"{feeder['feeder']}: measured and predicted differ at {feeder['differing']} speeds")
        for point in feeder["measured"]:
            known, said = predicted_n(parameters[name], point["speed_mm_s"]), point["predicted_n"]["value"]
            expect(abs(said / known - 1) < ROUNDING_SHARE,
                   f"{feeder['feeder']} at {point['speed_mm_s']:g} mm/s: predicted {said:.5g} N, "
                   f"the model's motor does {known:.5g} N")
    print(f"{len(speeds)} forces held against the motor's data sheet")


def main():
    folder, analyze = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]).resolve()
    tests = sys.argv[3:] or TESTS
    check_files(folder, analyze, tests)
    results = load(folder / "report/results.json")
    expect(results["simulated"] is True, "results.json does not say that the data are simulated")
    check_pushes(folder, results, tests)
    check_quantities(folder, results, tests)
    check_predictions(folder, results, tests)
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
