"""Write what a round of fuzzing found and reached in the form of a study, and exit 1 when something was found or a parser is
reached in too few of its lines.

    python3 tests/fuzz/figures.py WORK SEED OUT TARGET...

WORK holds for each target its log, its status and findings/, and coverage.json of all targets together. A parser is measured
as a whole file, its writing half and its branches for want of memory too: the targets write back what they read, and let an
allocation fail. Nothing is left out.
"""
import json
import pathlib
import re
import sys

# The parsers: everything that turns bytes of others into values. file_bytes.c, which opens and reads files for them, and
# series_path.c, err.c are not among them.
PARSERS = [
    "rig/wire/frame.c", "rig/wire/message.c", "capture/rig_receiver.c", "rig/base/number.c", "datasets/format/yaml_strict.c",
    "datasets/format/yaml_get.c", "datasets/format/plan.c", "datasets/format/plan_tests.c", "datasets/format/plan_order.c",
    "datasets/format/conditions.c", "datasets/format/json_strict.c", "datasets/format/calibration.c",
    "datasets/format/run_record.c", "datasets/format/run_journal.c", "datasets/format/descriptor.c",
    "datasets/format/run_csv.c", "datasets/format/date_time.c", "datasets/format/table_row.c", "datasets/format/readings.c",
    "datasets/format/readings_note.c", "datasets/format/bench_table.c", "capture/bench_file.c", "capture/text_line.c",
    "capture/force_text.c", "capture/gcode_feed.c", "capture/condition_ask.c", "analyze/motor_file.c",
    "analyze/report/published.c", "analyze/report/json_differences.c", "rig/simulator/feeder_file.c", "rig/simulator/fault_words.c",
    "rig/simulator/word_list.c", "rig/simulator/pair_controller.c",
]
PERCENT_LEAST = 95
EXECUTIONS = re.compile(r"^stat::number_of_executed_units:\s*(\d+)", re.M)
DONE = re.compile(r"^Done (\d+) runs in (\d+) second", re.M)


def figure(name, value, unit, low, high, n, seed, seconds):
    return {"name": name, "value": value, "unit": unit, "low": low, "high": high,
            "met": value is not None and low <= value <= high, "n": n, "seed": seed, "seconds": seconds}


def of_target(work, name, seed):
    """Findings of one target; a run that ended otherwise than well without leaving one counts as one."""
    log = (work / name / "log").read_text(encoding="utf-8", errors="replace")
    status = int((work / name / "status").read_text(encoding="utf-8"))
    found = len(list((work / name / "findings").iterdir()))
    executions, done = EXECUTIONS.search(log), DONE.search(log)
    if found == 0 and (status != 0 or executions is None or done is None):
        found = 1
    if found:
        print(f"{name}: {found} found, status {status}")
        print("\n".join(log.splitlines()[-40:]))
    return figure(f"findings, {name}", found, "1", 0, 0, int(executions[1]) if executions else 0, seed,
                  int(done[2]) if done else 0)


def of_parser(files, path, seed):
    lines = next((f["summary"]["lines"] for f in files if f["filename"].endswith("/" + path)), None)
    percent = round(100 * lines["covered"] / lines["count"], 2) if lines else None
    return figure(f"parser line coverage, {path}", percent, "%", PERCENT_LEAST, 100, lines["count"] if lines else 0, seed, 0)


def main():
    work, seed, out, names = pathlib.Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3], sys.argv[4:]
    with open(work / "coverage.json", encoding="utf-8") as file:
        files = json.load(file)["data"][0]["files"]
    figures = [of_target(work, name, seed) for name in names] + [of_parser(files, path, seed) for path in PARSERS]
    with open(out, "w", encoding="utf-8") as file:
        json.dump(figures, file, indent=2)
    sys.exit(0 if all(f["met"] for f in figures) else 1)


if __name__ == "__main__":
    main()
