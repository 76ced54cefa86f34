"""How `nipbench-capture run` guides the operator, at a terminal and on a pipe: conditions asked for, picture and time
left, a line for each run, what looks wrong, and runs that are repeated.

CAPTURE, RIG, ANALYZE and FEEDERS are set by the build.
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
import tempfile
import termios

CAPTURE, RIG, ANALYZE = (os.environ[name] for name in ("CAPTURE", "RIG", "ANALYZE"))
FEEDERS = os.environ["FEEDERS"]
GEARS = ["--feeder", FEEDERS + "/gear-8mm.yaml", "--feeder", FEEDERS + "/gear-12mm.yaml"]
PLAN = """nipbench_plan: 1
title: An operator who is guided, simulated
simulated: true
licence: CC0-1.0
seed: 20310302
blocks: {blocks}
calibration: calibration.json
rest_before_s: 0.4
rest_after_s: 0.6
sampling:
  rate_hz: 1000
limits:
  force_n: 130
  travel_mm: 14
  time_s: 20
{ask}conditions:
  nip_preload_n: 80
  ambient_temperature_c: 21.5
feeders:
{feeders}tests:
  - {{test: blocked-push, travel_mm: {travel_mm}, speeds_mm_s: {speeds}}}
end: true
"""
ONE = "  - {name: gear-8mm, drive_diameter_mm: 8}\n"
TWO = ONE + "  - {name: gear-12mm, description: wide, drive_diameter_mm: 12}\n"
ASK = "ask: [ambient_temperature_c, humidity_percent, filament_lot]\n"
SILENT_S = 120
checks = failures = 0


def check(what, good, seen=""):
    global checks, failures
    checks += 1
    if not good:
        failures += 1
        print(f"FAILED: {what}\n{seen}")


def write(blocks=1, ask="", feeders=ONE, travel_mm=8, speeds="[5, 10]", counts_per_n=4000):
    pathlib.Path("plan.yaml").write_text(PLAN.format(blocks=blocks, ask=ask, feeders=feeders, travel_mm=travel_mm, speeds=speeds))
    pathlib.Path("calibration.json").write_text(json.dumps({
        "schema": "nipbench-calibration-1", "date": "2031-03-02T09:15:00Z", "origin": "stated", "rig_serial": "",
        "force": {"degree": 1, "coefficients": [12345, counts_per_n], "covariance": [[25, 0], [0, 4]],
                  "residual_sd_counts": 40, "degrees_of_freedom": None, "load_low_n": 0, "load_high_n": 150},
        "encoder": None, "feeds": []}))


class Rig:
    """A simulated rig for as long as a with block lasts."""

    def __init__(self, *words):
        self.words = words

    def __enter__(self):
        self.process = subprocess.Popen([RIG, "--speedup", "20", *self.words], stdout=subprocess.PIPE, text=True)
        return self.process.stdout.readline().strip()

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait()
        self.process.stdout.close()


def command(port, *words):
    return [CAPTURE, "run", *words, "--port", port, "--out", "series"]


def is_moving(path):
    try:
        steps = [int(row.split(",")[2]) for row in path.read_text().split("\n")[1:-1]]
    except FileNotFoundError:
        return False
    return 0 in steps and max(steps[steps.index(0):]) > 20


def at_terminal(arguments, answer, columns, locale="C.UTF-8", more=None, stop=()):
    """Run it at a terminal of so many columns; answer(question) gives what is typed. As soon as the file that
    stop names, if any, has rows of a motion, Ctrl-C is pressed. Returns status, the lines on the screen without those that
    were drawn over, and everything that was sent to it."""
    child, terminal = pty.fork()
    if child == 0:
        os.environ.pop("COLUMNS", None)
        os.environ.update(LC_ALL=locale, **(more or {}))
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        attributes = termios.tcgetattr(0)
        attributes[3] &= ~termios.ECHO
        termios.tcsetattr(0, termios.TCSANOW, attributes)
        os.execv(arguments[0], arguments)
    seen, asked = b"", 0
    while True:
        if stop and is_moving(stop[0]):
            os.write(terminal, b"\x03")
            stop.pop()
        if not select.select([terminal], [], [], 0.02 if stop else SILENT_S)[0]:
            if stop:
                continue
            check("it goes on", False, seen.decode(errors="replace")[-1500:])
            os.kill(child, 9)
            break
        try:
            piece = os.read(terminal, 4096)
        except OSError:
            break
        if not piece:
            break
        seen += piece
        if re.search(rb"to\s+stop: $", seen) and len(seen) > asked:
            asked = len(seen)
            # The question from its first line on: what follows a line is set in.
            text = re.split(r"\n(?! )", seen.decode().replace("\r\n", "\n"))[-1]
            os.write(terminal, answer(re.sub(r"\s+", " ", text.split("\x1b[K")[-1]).strip()).encode() + b"\n")
            seen += b"\n"
    _, status = os.waitpid(child, 0)
    os.close(terminal)
    lines = [line.split("\r")[-1].split("\x1b[K")[-1] for line in seen.decode().replace("\r\n", "\n").split("\n")]
    return os.waitstatus_to_exitcode(status), lines, seen.decode()


def on_pipe(arguments, answers):
    return subprocess.run(arguments, input=answers, capture_output=True, text=True, env={**os.environ, "LC_ALL": "C"})


def record(number):
    return json.loads(pathlib.Path(f"series/runs/{number:04}.json").read_text())


def sums():
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in pathlib.Path("series/runs").iterdir()}


def is_sound():
    return subprocess.run([ANALYZE, "verify", "series"], capture_output=True).returncode == 0


def fresh():
    shutil.rmtree("series", ignore_errors=True)


def case_conditions_are_asked_for_and_kept():
    """Asked at the start and at each mounting; a bad answer is told; the record of each run has what was stated; a
    resumed series begins with the last values."""
    fresh()
    write(blocks=2, ask=ASK, feeders=TWO, speeds="[10]")
    asked = []
    typed = {"ambient temperature, last 21.5": ["warm", "23.25"], "gear-8mm: filament lot, not": ["lot 5"],
             "gear-12mm: filament lot, not": ["a lot of so many letters that no label on any reel could ever hold all of them"]}

    def answer(question):
        asked.append(question)
        for beginning, words in typed.items():
            if question.startswith(beginning) and words:
                return words.pop(0)
        if question.startswith("Block 2"):
            return "\x03"  # Ctrl-C: the rest comes later
        return ""

    with Rig(*GEARS) as port:
        status, lines, _ = at_terminal(command(port, "plan.yaml"), answer, 80)
        text = "\n".join(lines)
        check("stopped before block 2", status == 1, text)
        check("what is no number is told", "ambient temperature: 'warm' is not a number; type the number alone" in text, text)
        check("what is too long is told", "filament lot: must have 1 to 64 bytes" in text, text)
        check("asked for the room once more after a bad answer, and never again",
              sum("ambient temperature" in q for q in asked) == 2 and sum("relative humidity in %, not" in q for q in asked) == 1, asked)
        check("asked for each feeder", sum(q.startswith("gear-8mm: filament lot, not stated yet") for q in asked) == 1 and
              sum(q.startswith("gear-12mm: filament lot, not stated yet") for q in asked) == 2, asked)
        for number in (1, 2):
            r = record(number)
            wanted = {"nip_preload_n": 80.0, "ambient_temperature_c": 23.25}
            if r["feeder"] == "gear-8mm":
                wanted["filament_lot"] = "lot 5"
            check(f"conditions of run {number}", r["conditions"] == wanted, r["conditions"])
        # Resumed by a program that answers with empty lines.
        result = on_pipe(command(port, "--resume"), "\n" * 20)
        check("status on a pipe", result.returncode == 0, result.stderr)
        check("the last values", "ambient temperature, last 23.25 " in result.stderr and
              "gear-8mm: filament lot, last lot 5:" in result.stderr, result.stderr)
        check("each question is a line of its own",
              all(line.endswith(", Ctrl-C to stop:") for line in result.stderr.split("\n") if "Ctrl-C" in line), result.stderr)
        for number in (3, 4):
            r = record(number)
            check(f"temperature of run {number}", r["conditions"]["ambient_temperature_c"] == 23.25, r["conditions"])
            check(f"lot of run {number}", r["conditions"].get("filament_lot") == ("lot 5" if r["feeder"] == "gear-8mm" else None),
                  r["conditions"])
        check("sound", is_sound())
        # Nobody is asked: the plan's.
        fresh()
        result = on_pipe(command(port, "plan.yaml", "--yes"), "")
        check("status unattended", result.returncode == 0, result.stderr)
        check("no question", "to stop" not in result.stderr, result.stderr)
        check("what nobody stated stays unstated", record(1)["conditions"] == {"nip_preload_n": 80.0, "ambient_temperature_c": 21.5})


def case_pictures_fit_the_terminal():
    for columns, locale, more in ((80, "C.UTF-8", {}), (60, "C", {"NO_COLOR": "1"}), (120, "C", {"COLUMNS": "50"})):
        fresh()
        write(blocks=3, feeders=TWO)
        with Rig(*GEARS) as port:
            status, lines, raw = at_terminal(command(port, "plan.yaml"), lambda question: "", columns, locale, more)
        text = "\n".join(lines)
        wide = int(more.get("COLUMNS", columns))
        check(f"status at {columns}", status == 0, text)
        # The last line is a result, on standard output, and no picture.
        check(f"nothing is wider than {wide}", all(len(line) <= wide for line in lines if not line.startswith("series:")),
              [line for line in lines if len(line) > wide])
        utf8 = locale != "C"
        done, coming, following = ("■", "·", "▸") if utf8 else ("#", ".", ">")
        check(f"a picture at the start ({columns})", f"block 1  {following}{coming} {coming * 2}  0 of 4" in lines, text)
        check(f"a picture of block 2 ({columns})", f"block 2  {done * 2} {following}{coming}  2 of 4" in lines, text)
        check(f"what the marks mean ({columns})", f"{done} done   {following} next   {coming} to come" in lines, text)
        check(f"plain letters alone ({columns})", utf8 or all(ord(letter) < 128 for letter in raw), text)
        check(f"no colour ({columns})", "\x1b[" not in raw.replace("\x1b[K", ""))
        check(f"time left by the plan ({columns})", re.search(r"^0 of 12 runs done, about \d+ s of runs left,\s+and 6\s+mountings$", text, re.M), text)
        check(f"time left by what was ({columns})",
              re.search(r"6 of 12 runs done, about \d+ s left: \d+ s of runs,\s+and 3\s+mountings\s+of about \d+ s", text), text)
        check(f"a line for each run ({columns})", len([line for line in lines if re.match(
            r"run 00\d\d  gear-\d+mm  (?:\d+ mm/s  )?peak \d+\.\d N .*ended: travel$", line)]) == 12, text)


def case_a_run_that_looks_wrong_is_repeated():
    """The converter is over its range in the first run: seen, repeated on the operator's word, and not counted twice."""
    fresh()
    write()
    before = {}

    def answer(question):
        if question.startswith("run 0001 looks wrong"):
            before.update(sums())
            return "R"
        check("only the first run is asked about", "looks wrong" not in question, question)
        return ""

    with Rig(*GEARS[:2], "--faults", "over-range@0.9+0.3") as port:
        status, lines, _ = at_terminal(command(port, "plan.yaml"), answer, 80)
        text = "\n".join(lines)
        identify = subprocess.run([CAPTURE, "identify", port], capture_output=True)
    check("status", status == 0, text)
    check("what looks wrong", "looks wrong: saturated: the converter was over its range" in text, text)
    check("the result tells of it",
          "series: 3 of 3 runs recorded: 2 complete, 1 at a limit, 0 interrupted, 0 faults; 1 of them repeated others" in text, text)
    check("the rig is at rest", identify.returncode == 0)
    after = sums()
    check("the first run is as it was", len(before) == 2 and all(after[name] == value for name, value in before.items()), before)
    first, second, third = record(1), record(2), record(3)
    check("the repeat names what it repeats", second.get("repeats") == 1 and second["plan_run"] == 1 and "repeats" not in first, second)
    check("and why", any(event["text"] == "repeats run 1, which looked wrong: saturated" for event in second["events"]), second["events"])
    check("the next one is of the next place", third["plan_run"] == 2 and "repeats" not in third, third)
    check("same speed", first["speed_mm_s"] == second["speed_mm_s"] != third["speed_mm_s"])
    check("sound", is_sound())
    subprocess.run([ANALYZE, "report", "series", "--out", "report", "--no-figures", "--format", "html,md"], capture_output=True, check=True)
    runs = json.loads(pathlib.Path("report/results.json").read_text())["runs"]
    check("all three are in the report", [run["run"] for run in runs] == [1, 2, 3], runs)
    check("the first does not count", [run["analysed"] for run in runs] == [False, True, True], runs)
    check("and says why", runs[0]["why_not"] == "repeated by the operator as run 2, which counts in its place", runs[0]["why_not"])
    page = pathlib.Path("report/report.html").read_text()
    does_not_count = "1 more was repeated by the operator and does not count: run 1 by run 2."
    check("and is none of those counted", "in 2 runs." in page and does_not_count in page)
    check("nor on the page without a table of runs", does_not_count in pathlib.Path("report/report.md").read_text())
    check("in words too", "repeated by the operator as run 2" in pathlib.Path("report/report.html").read_text())
    # A record that repeats another place is refused by all readers.
    path = pathlib.Path("series/runs/0003.json")
    path.write_text(path.read_text().replace('"plan_run": 2', '"plan_run": 2, "repeats": 2'))
    result = subprocess.run([ANALYZE, "verify", "series"], capture_output=True, text=True)
    check("a repeat of another place is no sound series",
          result.returncode == 3 and "run 2 is of another place in the plan than run 3" in result.stderr + result.stdout, result)


def case_a_repeat_that_is_broken_off_is_still_wanted():
    fresh()
    write()
    rows = pathlib.Path("series/runs/0002.csv.part")
    stop = []

    def answer(question):
        if "looks wrong" in question:
            stop.append(rows)
            return "r"
        return ""

    with Rig(*GEARS[:2], "--speedup", "2", "--faults", "over-range@0.9+0.3") as port:
        status, lines, _ = at_terminal(command(port, "plan.yaml"), answer, 80, stop=stop)
        check("stopped in the repeat", status == 1, "\n".join(lines))
        check("the repeat was interrupted", record(2)["ended"] == "interrupted" and record(2)["repeats"] == 1, record(2))
        result = on_pipe(command(port, "--resume"), "\n" * 9)
    check("resumed", result.returncode == 0, result.stderr)
    check("what is repeated is run 1 once more", record(3).get("repeats") == 1 and record(3)["plan_run"] == 1, record(3))
    check("then comes the rest", record(4)["plan_run"] == 2 and not pathlib.Path("series/runs/0005.json").exists())
    check("sound", is_sound())


def case_only_enter_that_was_meant_sets_the_rig_going():
    """A word instead of Enter is refused, and Enter typed too often is no answer to a later question."""
    fresh()
    write(feeders=TWO)
    asked, going = [], []

    def answer(question):
        asked.append(question)
        if "when ready" in question:
            going.append(len(list(pathlib.Path("series/runs").glob("*.csv*"))))
            if len(asked) == 2:
                return "stop"
            return "\n\n\n"
        return ""

    with Rig(*GEARS) as port:
        status, lines, _ = at_terminal(command(port, "plan.yaml"), answer, 80)
    text = "\n".join(lines)
    check("status", status == 0, text)
    check("asked for the cautions, for the first feeder twice, for the second once",
          [q.split(" - ")[0] for q in asked] == ["I have read this and the rig is clear", *[q.split(" - ")[0] for q in asked[1:2]] * 2,
                                                *[q.split(" - ")[0] for q in asked[3:]]] and len(asked) == 4, asked)
    check("a word is refused", text.count("'stop' is not Enter alone, so nothing was done") == 1, text)
    check("nothing went before Enter", going == [0, 0, 0, 2], going)


def case_what_is_stopped_before_the_first_run_can_begin_again():
    """Ctrl-C at a condition of the room: no further question, and nothing is made; at a feeder: how to go on is told."""
    write(ask=ASK)
    for at, there in (("ambient temperature", False), ("Block 1: mount", True), ("gear-8mm: filament lot", True)):
        fresh()
        asked = []

        def answer(question):
            asked.append(question)
            return "\x03" if question.startswith(at) else ""

        with Rig(*GEARS[:2]) as port:
            status, lines, _ = at_terminal(command(port, "plan.yaml"), answer, 200)
            text = "\n".join(lines)
            check(f"stopped at {at}", status == 1 and "stopped by the operator before the first run" in text, text)
            check(f"no question after {at}", asked[-1].startswith(at) and
                  not any("to stop:" in line for line in lines[[i for i, line in enumerate(lines) if at in line][-1] + 1:]), text)
            check(f"folder after {at}", os.path.exists("series") == there)
            check(f"how to go on after {at}", ("to go on: nipbench-capture run --resume --port " in text) == there, text)
            result = on_pipe(command(port, "--resume" if there else "plan.yaml"), "\n" * 9)
            check(f"all of it after {at}", result.returncode == 0 and ("2 of 2 remaining runs recorded" if there else "2 of 2 runs recorded") in result.stdout, result)


def case_an_error_has_a_line_of_its_own():
    """Feed is measured with the way blocked: the move ends at its force limit, while the live line is there."""
    with Rig(*GEARS[:2]) as port:
        status, lines, raw = at_terminal(
            [CAPTURE, "measure-feed", "--port", port, "--out", "feed.csv", "--feeder", "gear-8mm", "--full-steps", "200", "--microsteps",
             "16", "--reduction", "1", "--diameter", "8", "--lengths", "50,100"], lambda question: "", 80)
    text = "\n".join(lines)
    check("status", status != 0 and "force limit on the rig" in text, text)
    check("there was a live line", "at rest" in raw, raw)
    check("the message begins its line", re.search(r"(?:\n|\r\x1b\[K)nipbench-capture: the move", raw.replace("\r\n", "\n")), raw[-400:])


def looks(words, answers="\n" * 30, **plan):
    """Run a plan on a pipe; what looked wrong about each run, and the whole text."""
    fresh()
    write(**plan)
    with Rig(*words) as port:
        result = on_pipe(command(port, "plan.yaml"), answers)
    return result, re.findall(r"^  looks wrong: ([a-z ]+): ", result.stderr, re.M)


def case_each_thing_that_looks_wrong():
    result, what = looks(GEARS[:2], counts_per_n=-4000)
    check("a cell the wrong way round", what == ["wrong direction"] * 2, result.stderr)
    check("empty lines go on, and the result tells of them", result.returncode == 0 and result.stdout ==
          "series: 2 of 2 runs recorded: 2 complete, 0 at a limit, 0 interrupted, 0 faults; 2 looked wrong\n", result)
    check("and each question is a line", result.stderr.count(
        "looks wrong: type r and Enter to repeat it, or press Enter to go on, Ctrl-C to stop:\n") == 2, result.stderr)
    pathlib.Path("loose.yaml").write_text("name: loose\nfixture: {gap_mm: 900}\nend: true\n")
    result, what = looks(["--feeder", "loose.yaml"])
    check("nothing in the way", what == ["no load"] * 2, result.stderr)
    result, what = looks(GEARS[:2], travel_mm=2)
    check("a travel that is too short", what == ["no onset"] * 2 and "more travel, or a stiffer end?" in result.stderr, result.stderr)
    pathlib.Path("drifting.yaml").write_text("name: drifting\nsensor: {drift_n_per_min: 60}\nend: true\n")
    result, what = looks(["--feeder", "drifting.yaml"])
    check("a zero that moves", what != [] and set(what) == {"drifted"}, result.stderr)
    result, what = looks([*GEARS[:2], "--faults", "missing=0.05"])
    check("samples that are missing", set(what) == {"gaps"}, result.stderr)
    result, what = looks(GEARS[:2])
    check("nothing is wrong", what == [], result.stderr)
    # An input that ends at the question goes on; what has to be changed next cannot be confirmed, but here nothing has.
    result, what = looks(GEARS[:2], answers="\n\n", counts_per_n=-4000)
    check("an input that ends goes on", result.returncode == 0 and what == ["wrong direction"] * 2, result.stderr)
    # Answers that are neither are told, and a repeat may be repeated.
    result, what = looks(GEARS[:2], answers="\n\nmaybe\nr\n r \n\n\n", counts_per_n=-4000)
    check("neither r nor Enter", result.stderr.count("'maybe' is neither r nor Enter alone") == 1, result.stderr)
    check("repeated twice", result.returncode == 0 and [record(n).get("repeats") for n in (1, 2, 3, 4)] == [None, 1, 2, None], result.stderr)
    check("sound", is_sound())


def main():
    os.environ.pop("COLUMNS", None)
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        wanted = sys.argv[1:]
        for name, case in list(globals().items()):
            if name.startswith("case_") and (not wanted or name in wanted):
                case()
        os.chdir("/")
    print(f"{checks} checks, {failures} failed")
    return 0 if checks > 0 and failures == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
