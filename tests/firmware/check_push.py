"""Whether a series captured from the firmware tells what the model behind its pins knows.

    python3 check_push.py TRUTH.json RESULTS.json SERIES

Prints each run and each thing that is wrong; exits 1 when there is one.
"""
import csv
import json
import pathlib
import sys

wrong = []


def expect(good, sentence):
    if not good:
        wrong.append(sentence)


def load(path):
    with open(path, encoding="utf-8") as file:
        return json.load(file)


def check_rows(path):
    """Times go at the converter's pace, within what interrupts of the chip may delay a stamp."""
    with open(path, encoding="utf-8", newline="") as file:
        rows = [[int(field) for field in row] for row in list(csv.reader(file))[1:]]
    expect(len(rows) > 200, f"{path.name}: only {len(rows)} rows")
    apart = [b[0] - a[0] for a, b in zip(rows, rows[1:])]
    expect(all(12440 <= us <= 12560 for us in apart), f"{path.name}: samples {min(apart)} to {max(apart)} us apart")
    expect(all(row[4] == 0 for row in rows), f"{path.name}: flags")
    steps = max(row[2] for row in rows)
    return len(rows), steps


def main():
    truth, results = load(sys.argv[1]), load(sys.argv[2])
    runs = sorted(results["runs"], key=lambda run: run["order"])
    expect(len(runs) == len(truth) == 3, f"{len(truth)} pushes, {len(runs)} runs in the report")
    for known, run in zip(truth, runs):
        name = f"run {run['run']}"
        stall = run["stall_force_n"]
        expect(run["limited_by"] == known["limited_by"],
               f"{name}: limited by {run['limited_by']}, in truth by {known['limited_by']}")
        if stall is None:
            expect(False, f"{name}: no stall force")
            continue
        rows, steps = check_rows(pathlib.Path(sys.argv[3], "runs", f"{int(run['run']):04}.csv"))
        print(f"{name}: {rows} samples, {steps} steps, stall force {stall['value']:.2f} N "
              f"[{stall['low_95']:.2f}, {stall['high_95']:.2f}], in truth {known['stall_force_n']:.2f} N")
        expect(stall["low_95"] <= known["stall_force_n"] <= stall["high_95"],
               f"{name}: the interval does not hold the truth")
        expect(stall["high_95"] - stall["low_95"] < 0.1 * known["stall_force_n"], f"{name}: the interval is too wide to tell")
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
