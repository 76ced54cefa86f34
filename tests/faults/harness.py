"""What the fault studies share: the programs, a small series, the rig's own account of what it did, and checks of a series
against it. Nothing here knows which fault was injected."""
import argparse
import bisect
import concurrent.futures
import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

HEADER = b"time_us,force_counts,commanded_steps,encoder_counts,flags\n"
SECONDS_MAX = 60
STALL_MS = 150  # a machine that lets nobody run for so long is too busy to be studied on
VOID_SHARE_MAX = 0.05
DISARMED = {"cut", "power-on"}

CALIBRATION = """{"schema": "nipbench-calibration-1", "date": "2031-03-02T09:15:00Z", "origin": "stated", "rig_serial": "",
 "force": {"degree": 1, "coefficients": [12345, 4000], "covariance": [[25, 0], [0, 4]], "residual_sd_counts": 40,
           "degrees_of_freedom": null, "load_low_n": 0, "load_high_n": 150},
 "encoder": {"mm_per_count": 0.005, "standard_uncertainty_mm_per_count": 0.00001}, "feeds": []}
"""

PLAN = """nipbench_plan: 1
title: One gear, simulated
simulated: true
licence: CC0-1.0
seed: 20310302
blocks: {runs}
calibration: calibration.json
rest_before_s: {rest_s}
rest_after_s: {rest_s}
sampling:
  rate_hz: {rate_hz}
limits:
  force_n: {force_n}
  travel_mm: {travel_limit_mm}
  time_s: {time_s}
conditions:
  filament_material: fault-test filament
  nip_preload_n: 80
feeders:
  - name: gear-8mm
    drive_diameter_mm: 8
tests:
  - test: {test}
    travel_mm: {travel_mm}
    speeds_mm_s: [{speed_mm_s}]
end: true
"""


def now_us():
    """The clock that the rig's log and the shim's log tell of as well."""
    return time.monotonic_ns() // 1000


class Problem(Exception):
    """The harness itself cannot go on: never a finding."""


class RigGone(Problem):
    """Somebody else has ended the rig: the case says nothing and is begun anew."""


class Heartbeat:
    """A process that does nothing but look at the clock every 10 ms. Where even that one was held up for long, this machine
    had no time for anybody, and what a case shows says nothing of the programs."""
    CODE = """
import sys, time
last = time.monotonic_ns()
while True:
    time.sleep(0.01)
    now = time.monotonic_ns()
    if now - last > 1000000 * int(sys.argv[1]):
        print(last // 1000, now // 1000, flush=True)
    last = now
"""

    def __init__(self, folder):
        self.path = os.path.join(folder, "heartbeat")
        with open(self.path, "wb") as out:
            self.process = subprocess.Popen([sys.executable, "-c", self.CODE, str(STALL_MS)], stdin=subprocess.DEVNULL,
                                            stdout=out)

    def stalled(self, from_us, to_us):
        with open(self.path, encoding="ascii") as file:
            gaps = [tuple(map(int, line.split())) for line in file if line.endswith("\n")]
        return any(begin < to_us and end > from_us for begin, end in gaps)

    def end(self):
        self.process.kill()
        self.process.wait()


class Settings:
    """Programs, seed and work folder, from the command line."""

    def __init__(self, name, runs, description):
        parser = argparse.ArgumentParser(description=description)
        for program in ("capture", "analyze", "rig", "feeders", "shim"):
            parser.add_argument("--" + program, required=True, type=os.path.abspath)
        parser.add_argument("--runs", type=int, default=runs)
        parser.add_argument("--seed", type=int, default=20261206)
        parser.add_argument("--jobs", type=int, default=8)
        parser.add_argument("--out", type=os.path.abspath)
        parser.add_argument("--work", type=os.path.abspath, help="folder for what is made (default: a temporary one)")
        parser.add_argument("--only", default="", help="cases whose name holds this")
        parser.add_argument("--flat-mib", type=float, default=1, help="by how much memory may change (long study)")
        parser.add_argument("--tamper", default="", help="spoil something on purpose; the study must then fail")
        self.__dict__.update(vars(parser.parse_args()))
        self.work = tempfile.mkdtemp(prefix=f"nipbench-{name}-", dir=self.work)
        self.figures = []
        self.started = time.monotonic()
        print(f"{name}: seed {self.seed}, {self.runs} runs, {self.jobs} at a time", flush=True)

    def figure(self, name, value, unit, low, high, n):
        met = value is not None and low <= value <= high
        self.figures.append({"name": name, "value": value, "unit": unit, "low": low, "high": high, "met": met, "n": n,
                             "seed": self.seed, "seconds": round(time.monotonic() - self.started, 1)})
        shown = "none" if value is None else f"{value:.6g}"
        print(f"{'met' if met else 'NOT'}  {name}: {shown} {unit} (asked: {low:g} to {high:g}, n = {n})", flush=True)

    def end(self, failures):
        """Write the figures and give the exit status; what failed is kept on disk."""
        if self.out:
            os.makedirs(os.path.dirname(self.out), exist_ok=True)
            with open(self.out, "w", encoding="utf-8") as file:
                json.dump(self.figures, file, indent=1)
        for failure in failures[:40]:
            print("FAILED", failure)
        if len(failures) > 40:
            print(f"and {len(failures) - 40} more")
        good = not failures and self.figures and all(figure["met"] for figure in self.figures)
        if good:
            shutil.rmtree(self.work, ignore_errors=True)
        else:
            print("evidence is in", self.work)
        print(f"took {time.monotonic() - self.started:.0f} s")
        return 0 if good else 1


def write(path, text):
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)


def write_plan(folder, runs=3, rest_s=0.4, rate_hz=1000, force_n=130, travel_limit_mm=60, time_s=60, test="blocked-push",
               travel_mm=2, speed_mm_s=5):
    os.makedirs(folder, exist_ok=True)
    write(os.path.join(folder, "calibration.json"), CALIBRATION)
    write(os.path.join(folder, "plan.yaml"), PLAN.format(**locals()))
    return os.path.join(folder, "plan.yaml")


class Rig:
    """A simulated rig with its log and its samples."""

    def __init__(self, settings, folder, speedup, faults="", seed=1, feeder="gear-8mm"):
        os.makedirs(folder, exist_ok=True)
        self.folder = folder
        self.speedup = speedup
        self.log_path = os.path.join(folder, "rig.jsonl")
        self.samples_path = os.path.join(folder, "rig.csv")
        self.port = os.path.join(folder, "port")
        words = [settings.rig, "--speedup", f"{speedup:g}", "--seed", str(seed), "--feeder",
                 os.path.join(settings.feeders, feeder + ".yaml"), "--log", self.log_path, "--samples", self.samples_path,
                 "--link", self.port]
        if faults:
            words += ["--faults", faults]
        self.complaints = open(os.path.join(folder, "rig.err"), "w+", encoding="utf-8")
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=self.complaints, stdin=subprocess.DEVNULL,
                                        text=True)
        if not self.process.stdout.readline().startswith("/dev/"):
            self.complaints.seek(0)
            raise Problem("the rig did not start: " + self.complaints.read())
        write(os.path.join(folder, "rig.words"), " ".join(words) + "\n")

    def end(self):
        """Have it write everything down and end. A rig that is not there any more has crashed, or somebody has ended it."""
        gone = self.process.poll()
        if gone is not None:
            self.process.stdout.close()
            self.complaints.close()
            raise (Problem if gone not in (0, -signal.SIGTERM, -signal.SIGKILL) else RigGone)(f"the rig ended with status {gone}")
        self.process.terminate()
        try:
            self.process.wait(SECONDS_MAX)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise Problem("the rig did not end") from None
        self.process.stdout.close()
        self.complaints.close()


class Account:
    """What the rig says that it did: its log, and every sample that it took."""

    def __init__(self, rig):
        self.speedup = rig.speedup
        self.log = []
        with open(rig.log_path, encoding="utf-8") as file:
            for line in file:
                if line.endswith("\n"):
                    self.log.append(json.loads(line))
        self.samples = []
        with open(rig.samples_path, encoding="ascii", newline="") as file:
            for row in csv.reader(file):
                if row and row[0] != "rig_us":
                    self.samples.append(tuple(int(cell) if cell else None for cell in row))
        if not self.log:
            raise Problem("the rig's log is empty")
        self.outside = [entry["outside_us"] for entry in self.log]
        self.sample_outside = [sample[1] for sample in self.samples]
        self.values = {}
        for i, sample in enumerate(self.samples):
            self.values.setdefault(sample[3:], []).append(i)

    def rig_us(self, outside_us):
        """The rig's clock at a moment of the clock outside, from what it wrote down in the 50 ms before: it may have looked at
        the clock outside too late for some of that, never too early."""
        known = []
        for times, entry in ((self.outside, self._log_time), (self.sample_outside, self._sample_time)):
            last = bisect.bisect_right(times, outside_us)
            first = bisect.bisect_left(times, outside_us - 50000)
            known += [entry(i) for i in range(max(0, min(first, last - 1)), last)]
        return max((rig + (outside_us - at) * self.speedup for at, rig in known), default=None)

    def _log_time(self, i):
        return self.log[i]["outside_us"], self.log[i]["rig_us"]

    def _sample_time(self, i):
        return self.samples[i][1], self.samples[i][0]

    def delay_cuts(self, rig_us):
        """On purpose, to see that a check can fail."""
        for entry in self.log:
            if entry["what"] == "cut":
                entry["rig_us"] += rig_us
                entry["outside_us"] += rig_us / self.speedup

    def waits_for_end(self):
        """Whether a timed fault has begun and not yet ended."""
        phases = [entry["phase"] for entry in self.log if entry["what"] == "fault" and "phase" in entry]
        return phases.count("begins") > phases.count("ends")

    def armed_at(self, outside_us):
        """Whether the motor was energised at that moment."""
        armed = False
        for entry in self.log:
            if entry["outside_us"] > outside_us:
                break
            if entry["what"] in ("armed", "move", "standing"):
                armed = True
            elif entry["what"] in DISARMED:
                armed = False
        return armed

    def disarmed_after(self, outside_us):
        """The first entry after that moment which takes the motor's current away, or None."""
        for entry in self.log:
            if entry["outside_us"] >= outside_us and entry["what"] in DISARMED:
                return entry
        return None

    def sampling_at(self, outside_us):
        """Index of the first sample of the stretch of sampling that was on at that moment, or None."""
        begun = None
        for entry in self.log:
            if entry["outside_us"] > outside_us:
                break
            if entry["what"] == "configured":
                begun = entry if entry["rate_hz"] else None
            elif entry["what"] in ("sampling-ended", "power-on"):
                begun = None
        if begun is None:
            return None
        # The times outside are those of the rig's looks at the world: several things may have the same.
        first = bisect.bisect_left(self.sample_outside, begun["outside_us"])
        while first < len(self.samples) and self.samples[first][0] <= begun["rig_us"]:
            first += 1
        return first

    def find(self, rows):
        """Indices of the samples that rows are, in order; None when they are none: the first row fixes the origin."""
        if not rows:
            return []
        for first in self.values.get(rows[0][1:], ()):
            found = self._follow(rows, first)
            if found is not None:
                return found
        return None

    def _follow(self, rows, first):
        origin = self.samples[first][0] - rows[0][0]
        found = []
        at = first
        for row in rows:
            wanted = row[0] + origin
            while at < len(self.samples) and self.samples[at][0] < wanted:
                at += 1
            if at >= len(self.samples) or self.samples[at][0] != wanted or self.samples[at][3:] != row[1:]:
                return None
            found.append(at)
            at += 1
        return found


def read_rows(path):
    """Rows of a run as tuples; Problem-free: what cannot be read is told as a text."""
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError as error:
        return None, f"{path}: {error.strerror}"
    if not data.startswith(HEADER):
        return None, f"{path}: no header"
    if not data.endswith(b"\n"):
        return None, f"{path}: its last row is torn"
    rows = []
    for line in data[len(HEADER):].decode("ascii", "replace").splitlines():
        cells = line.split(",")
        try:
            rows.append(tuple(int(cell) if cell else None for cell in cells))
        except ValueError:
            return None, f"{path}: row {len(rows) + 2} is '{line[:80]}'"
        if len(cells) != 5:
            return None, f"{path}: row {len(rows) + 2} has {len(cells)} cells"
    return rows, ""


class Capture:
    """The real program, at work in a thread's own time."""

    def __init__(self, settings, folder, port, series, plan=None, resume=False, shim=None, words=(), tag="", **popen):
        self.series = series
        self.folder = folder
        self.shim = shim
        command = [settings.capture, "run"]
        command += ["--resume"] if resume else [plan]
        command += ["--port", port, "--out", series, "--yes", *words]
        environment = dict(os.environ, LC_ALL="C")
        if shim is not None:
            environment.update(shim.environment(series))
        self.out_path = os.path.join(folder, f"capture{tag}.out")
        self.err_path = os.path.join(folder, f"capture{tag}.err")
        self.command = command
        with open(self.out_path, "wb") as out, open(self.err_path, "wb") as err:
            words = {"stdin": subprocess.DEVNULL, "stdout": out, "stderr": err}
            words.update(popen)
            self.started_us = now_us()
            self.process = subprocess.Popen(command, env=environment, **words)

    def signal(self, number):
        """Send it if the program still runs; the moment, or None."""
        if self.process.poll() is not None:
            return None
        at = now_us()
        self.process.send_signal(number)
        return at

    def wait(self, seconds=SECONDS_MAX):
        """Exit status; None when it was not done in time and had to be killed."""
        try:
            return self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            return None

    @property
    def said(self):
        with open(self.err_path, encoding="utf-8", errors="replace") as file:
            return file.read()

    @property
    def complaint(self):
        """What the program says last, where it is its own line."""
        lines = [line for line in self.said.splitlines() if line.strip()]
        return lines[-1] if lines and lines[-1].startswith("nipbench-capture: ") else ""

    def complaints(self):
        return [line for line in self.said.splitlines() if line.startswith("nipbench-capture: ")]


class Shim:
    """The disk that fails, and its log of what was made durable."""

    def __init__(self, settings, folder, tag="", words="", stash=True):
        self.path = settings.shim
        self.log = os.path.join(folder, f"disk{tag}.log")
        self.control = os.path.join(folder, f"disk{tag}.control")
        self.stash = os.path.join(folder, f"stash{tag}") if stash else None
        self.words = words
        if stash:
            os.makedirs(self.stash, exist_ok=True)

    def environment(self, below):
        names = {"LD_PRELOAD": self.path, "DISK_FAULTS_BELOW": below, "DISK_FAULTS_LOG": self.log,
                 "DISK_FAULTS_CONTROL": self.control}
        if self.stash:
            names["DISK_FAULTS_STASH"] = self.stash
        if self.words:
            names["DISK_FAULTS"] = self.words
        return names

    def begin(self, words):
        """The fault from now on. The file appears with its words in it."""
        write(self.control + ".new", words)
        os.rename(self.control + ".new", self.control)

    def entries(self):
        """The log, line by line; a line that a kill cut off is left out."""
        found = []
        try:
            with open(self.log, encoding="utf-8", errors="replace") as file:
                for line in file:
                    cells = line.rstrip("\n").split("\t")
                    if line.endswith("\n") and len(cells) == 8:
                        found.append({"us": int(cells[0]), "began_us": int(cells[1]), "word": cells[2],
                                      "inode": int(cells[3]), "size": int(cells[4]), "path": cells[5], "other": cells[6],
                                      "kept": cells[7]})
        except FileNotFoundError:
            pass
        return found

    def struck_us(self):
        """When the first failure was injected, or None."""
        return next((entry["us"] for entry in self.entries() if entry["word"] == "fault"), None)


def run_analyze(settings, series):
    """What `verify` says: (status, text)."""
    done = subprocess.run([settings.analyze, "verify", series], stdin=subprocess.DEVNULL, capture_output=True,
                          timeout=SECONDS_MAX, check=False)
    return done.returncode, (done.stdout + done.stderr).decode("utf-8", "replace")


def records_of(series):
    """The run records, by number. Raises ValueError on one that is no JSON."""
    found = {}
    folder = os.path.join(series, "runs")
    for name in sorted(os.listdir(folder)) if os.path.isdir(folder) else ():
        if re.fullmatch(r"\d{4}\.json", name):
            with open(os.path.join(folder, name), encoding="utf-8") as file:
                found[int(name[:4])] = json.load(file)
    return found


def leftovers(series):
    """Files that do not belong into a finished series."""
    found = []
    for folder, _, files in os.walk(series):
        for name in files:
            path = os.path.relpath(os.path.join(folder, name), series)
            if not re.fullmatch(r"datapackage\.json|plan\.yaml|calibration\.json|runs/\d{4}\.(csv|json)", path):
                found.append(path)
    return found


def unfinished(series):
    """Whether a run was broken off so that it is not filed or not listed: then the series is sound only after a resume."""
    with open(os.path.join(series, "datapackage.json"), encoding="utf-8") as file:
        listed = {resource["path"] for resource in json.load(file)["resources"]}
    return bool(leftovers(series)) or any(f"runs/{number:04d}.csv" not in listed for number in records_of(series))


def check_rows(series, account, number, tell):
    """Every row of a run is a sample that the rig took, in order. Indices of those samples."""
    rows, why = read_rows(os.path.join(series, "runs", f"{number:04d}.csv"))
    if rows is None:
        tell(why)
        return []
    found = account.find(rows)
    if found is None:
        tell(f"run {number}: a row is not what the rig sampled, or is out of order")
    return found or []


def check_series(settings, series, account, planned, tell, whole=True):
    """A series at rest: verify, leftovers, rows against samples; whole: each run of the plan done exactly once.
    Returns {number: (record, indices of samples)}."""
    status, text = run_analyze(settings, series)
    if status != 0:
        tell(f"verify: status {status}: {text.strip()[:400]}")
    left = leftovers(series)
    if left:
        tell(f"left over: {left[:6]}")
    try:
        records = records_of(series)
    except ValueError as error:
        tell(f"a record is no JSON: {error}")
        return {}
    found = {}
    done = []
    for number, record in records.items():
        found[number] = (record, check_rows(series, account, number, tell))
        if record["ended"] in ("complete", "limit"):
            done.append(record.get("plan_run", number))
        elif record["ended"] == "complete" and not record["rows"]:
            tell(f"run {number}: complete without a row")
    if whole and sorted(done) != list(range(1, planned + 1)):
        tell(f"of the plan's {planned} runs there are complete: {sorted(done)}")
    if len(set(done)) != len(done):
        tell(f"a run of the plan was done twice: {sorted(done)}")
    # The rows of one sample belong to one run.
    used = [index for _, indices in found.values() for index in indices]
    if len(used) != len(set(used)):
        tell("a sample stands in two runs")
    return found


def in_parallel(settings, make, names):
    """make(*name).run() for each, several at a time, in the order of the names; a Problem or slip ends it all."""
    done = 0
    void = 0
    lock = threading.Lock()
    heartbeat = Heartbeat(settings.work)

    def one(name):
        nonlocal done, void
        for _ in range(5):
            case = make(*name)
            began_us = now_us()
            try:
                result = case.run()
                if not case.failures or not heartbeat.stalled(began_us, now_us()):
                    break
                why = f"this machine stood still for more than {STALL_MS} ms: {case.failures[0]}"
            except RigGone as gone:
                why = str(gone)
            print(f"{case.folder} is begun anew: {why}", flush=True)
            with lock:
                void += 1
            shutil.rmtree(case.folder)
        else:
            raise Problem("this machine is too busy, or rigs are ended again and again by somebody else")
        with lock:
            done += 1
            if done % 100 == 0:
                print(f"{done} of {len(names)}, {time.monotonic() - settings.started:.0f} s", flush=True)
        return result

    try:
        with concurrent.futures.ThreadPoolExecutor(settings.jobs) as pool:
            found = list(pool.map(one, names))
    finally:
        heartbeat.end()
    if void > max(5, VOID_SHARE_MAX * len(names)):
        raise Problem(f"{void} of {len(names)} cases say nothing: this machine is too busy")
    return found


def run_main(main):
    """A study's exit status: 1 when it found something, 2 when it could not be carried out."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    try:
        sys.exit(main())
    except Problem as problem:
        print("cannot go on:", problem)
        sys.exit(2)
