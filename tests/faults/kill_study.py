"""nipbench-capture is killed at random moments, and a share of the time the power goes with it: nothing that was durable is
lost, no row is altered or invented, the series goes on where it was and comes to its end, and the rig stops by itself."""
import os
import random
import re
import shutil
import signal
import subprocess
import time

import harness
from harness import Account, Capture, Rig, Shim, now_us

SPEEDUP = 4
PLANNED = 3
POWER_CUT_SHARE = 0.3
WAIT_SHARE = 0.5  # of the kills: the next capture comes only after the rig's watchdog
AIMED_SHARE = 0.15  # of the first captures, killed while they make the series
SHARES_LEAST = {"power_cuts": 6, "of_a_resume": 6, "with_files_durable": 3}  # of the kills, one in so many at least
MISSING_MS_MAX = 200
STOP_MS_MAX = 500
# Samples lie in the rig's buffer for up to 20 ms before they go out; what counts is when one was sent.
SENT_AFTER_MS = 20
NEWLINE = b"\n"
ROWS = re.compile(rb"(?:time_us,[a-z_,]+\n)?(?:-?\d+,-?\d+,-?\d+,(?:-?\d+)?,\d+\n)*")


class Disk:
    """What of a folder would still be there if the power went now, from the shim's logs."""

    def __init__(self):
        self.durable = {}  # inode -> bytes
        self.loose = {}  # folder -> what was done in it since it was last made durable
        self.unsure = set()  # folders in which something was begun and, for all that is known, not finished

    def take(self, entries, stash):
        begun = {}
        for e in entries:
            folder = os.path.dirname(e["path"])
            word = e["word"]
            if word.startswith("try-"):
                begun[folder] = begun.get(folder, 0) + 1
            elif word in ("create", "rename", "unlink") or word.startswith("not-"):
                begun[folder] = begun.get(folder, 0) - 1
            if word == "create":
                self.durable[e["inode"]] = 0
            elif word == "sync":
                self.durable[e["inode"]] = max(e["size"], self.durable.get(e["inode"], 0))
            elif word == "cut":
                self.durable[e["inode"]] = min(e["size"], self.durable.get(e["inode"], 0))
            elif word == "sync-folder":
                self.loose[e["path"]] = [op for op in self.loose.get(e["path"], ()) if op["us"] > e["began_us"]]
            if word in ("create", "rename", "unlink"):
                self.loose.setdefault(folder, []).append(dict(e, stash=stash))
        self.unsure = {folder for folder, count in begun.items() if count > 0}

    def lengths(self, series):
        """Durable bytes by path, of the files that the logs know."""
        found = {}
        for path in files_of(series):
            inode = os.stat(os.path.join(series, path)).st_ino
            if inode in self.durable:
                found[path] = min(self.durable[inode], os.path.getsize(os.path.join(series, path)))
        return found

    def cut_power(self, series, rng):
        """Leave what was durable, and of the rest what a disk may have by chance: of what was done in a folder since its
        last sync the first so many, in their order; of a file's later bytes a part, or NULs or junk in their place."""
        for folder, ops in self.loose.items():
            if folder in self.unsure:
                continue
            for op in reversed(ops[rng.randint(0, len(ops)):]):
                undo(op)
        for path in files_of(series):
            full = os.path.join(series, path)
            inode, size = os.stat(full).st_ino, os.path.getsize(full)
            durable = self.durable.get(inode)
            if durable is None or durable >= size:
                continue
            end = rng.randint(durable, size)
            how = rng.choice(("cut", "part", "nul", "junk"))
            with open(full, "r+b") as file:
                file.truncate(durable if how in ("cut", "nul") else end)
                if how == "nul":
                    file.truncate(end)
                elif how == "junk":
                    file.seek(durable)
                    file.write(rng.randbytes(end - durable))
        lengths = self.lengths(series)
        for path in files_of(series):
            full = os.path.join(series, path)
            self.durable[os.stat(full).st_ino] = os.path.getsize(full)
        self.loose = {}
        return lengths


def undo(op):
    try:
        if op["word"] == "create":
            os.unlink(op["path"])
        elif op["word"] == "rename":
            os.rename(op["other"], op["path"])
            if op["kept"]:
                os.link(os.path.join(op["stash"], op["kept"]), op["other"])
        elif op["kept"]:
            os.link(os.path.join(op["stash"], op["kept"]), op["path"])
    except FileNotFoundError as error:
        raise harness.Problem(f"cannot undo {op}: {error}") from error


def files_of(series):
    return sorted(os.path.relpath(os.path.join(folder, name), series) for folder, _, names in os.walk(series) for name in names)


def read(path):
    try:
        with open(path, "rb") as file:
            return file.read()
    except FileNotFoundError:
        return None


class Case:
    """One series, killed one or more times on its way."""

    def __init__(self, settings, number, kills, life_s):
        self.settings = settings
        self.number = number
        self.life_s = life_s
        self.rng = random.Random(settings.seed * 1000003 + number)
        self.folder = os.path.join(settings.work, f"{number:04d}")
        self.series = os.path.join(self.folder, "series")
        self.wanted = kills
        self.kills = []
        self.disk = Disk()
        self.failures = []
        self.resumed = False
        self.half_made = 0
        self.missing_ms = {"kill": [], "power": []}
        self.stop_ms = []
        self.next_ms = []

    def tell(self, kind, text):
        self.failures.append((kind, f"case {self.number} ({self.folder}): {text}"))

    def run(self):
        os.makedirs(self.folder)
        self.plan = harness.write_plan(os.path.join(self.folder, "in"), runs=PLANNED, rest_s=0.5, travel_mm=4)
        self.rig = Rig(self.settings, self.folder, SPEEDUP, seed=self.number + 1)
        try:
            self.carry_out()
        finally:
            self.rig.end()  # raises where it has gone by itself
        self.account = Account(self.rig)
        if self.settings.tamper == "stop":
            self.account.delay_cuts(600000)
        if self.resumed:
            self.check()
        if not self.failures:
            shutil.rmtree(self.folder)
        return self

    def carry_out(self):
        for turn in range(self.wanted):
            if not self.one_life(turn):
                break
        self.final = self.start(len(self.kills), None)
        status = self.final.wait()
        if status != 0:
            self.tell("resume", f"the last resume ended with status {status}: {self.final.said[-400:]}")
        self.resumed = status == 0

    def start(self, turn, shim):
        """The first time the plan, then a resume; a capture that was killed while it made the series goes on by its plan."""
        resume = os.path.exists(os.path.join(self.series, "datapackage.json"))
        if not resume and os.path.exists(self.series):
            self.begin_again(turn)
            resume = os.path.exists(os.path.join(self.series, "datapackage.json"))
        return Capture(self.settings, self.folder, self.rig.port, self.series, plan=self.plan, resume=resume, shim=shim,
                       tag=turn)

    def begin_again(self, turn):
        """A folder without a descriptor. A resume without a plan must refuse it in one clear line, or put it right; the plan
        that comes next goes on from whatever it is."""
        tried = Capture(self.settings, self.folder, self.rig.port, self.series, plan=self.plan, resume=True, tag=f"{turn}-try")
        try:
            status = tried.process.wait(0.5)
        except subprocess.TimeoutExpired:  # the folder was put right, and the series goes on: let it do so for the study
            tried.process.kill()
            tried.process.wait()
            return
        self.half_made += 1
        if status != 3 or not tried.complaint:
            self.tell("resume", f"a folder that is no series yet: status {status}: {tried.said[-300:]}")

    def one_life(self, turn):
        """A capture that is killed; False when it was done before."""
        shim = Shim(self.settings, self.folder, tag=turn)
        done = len([r for r in self.records().values() if r.get("ended") in ("complete", "limit")])
        left_s = self.life_s * (1 - done / PLANNED) if turn > 0 else self.life_s
        after_s = self.rng.uniform(0, left_s)
        if turn > 0 and self.rng.random() < 0.3:
            after_s = self.rng.uniform(0, 0.06)  # in the middle of putting things in order
        aimed = turn == 0 and self.rng.random() < AIMED_SHARE
        capture = self.start(turn, shim)
        if aimed:  # at the few milliseconds in which the series is made
            while not os.path.exists(self.series) and capture.process.poll() is None:
                time.sleep(0.0005)
            after_s = self.rng.uniform(0, 0.02)
        time.sleep(after_s)
        running = capture.process.poll() is None
        at = now_us()
        capture.process.kill()
        status = capture.process.wait()
        self.disk.take(shim.entries(), shim.stash)
        if not running or status != -signal.SIGKILL:
            if status != 0:
                self.tell("resume", f"capture {turn} ended by itself with status {status}: {capture.said[-400:]}")
            return False
        kill = {"us": at, "began_us": capture.started_us, "turn": turn, "after_s": after_s,
                "power": self.rng.random() < POWER_CUT_SHARE, "waits": self.rng.random() < WAIT_SHARE}
        self.look_at(kill)
        self.kills.append(kill)
        if kill["waits"]:
            time.sleep(0.75)
        self.tamper(kill)
        return True

    def records(self):
        try:
            return harness.records_of(self.series)
        except ValueError:
            return {}

    def look_at(self, kill):
        """What lies on the disk now, and what of it must be there in the end."""
        as_is = os.path.join(self.folder, f"killed{kill['turn']}")
        kill["copy"] = as_is
        kill["lengths"] = kill["written"] = {}
        if not os.path.isdir(self.series):
            return
        if kill["power"]:
            shutil.copytree(self.series, as_is + "-before")
            kill["lengths"] = self.disk.cut_power(self.series, self.rng)
        else:
            kill["lengths"] = self.disk.lengths(self.series)
        shutil.copytree(self.series, as_is)
        kill["written"] = {path: os.path.getsize(os.path.join(as_is, path)) for path in files_of(as_is)}
        kill["durable"] = sum(1 for path in kill["lengths"] if path.endswith((".csv", ".csv.part")))

    def tamper(self, kill):
        """On purpose, to see that the checks below can fail."""
        how = self.settings.tamper
        for path, length in kill["lengths"].items():
            full = os.path.join(self.series, path)
            if path.endswith(".csv.part") and length > 3000:
                with open(full, "r+b") as file:
                    data = file.read()
                    if how == "lose":
                        file.truncate(data.rindex(b"\n", 0, length - 200) + 1)
                    elif how == "alter":
                        at = data.index(b",", 1500) + 1
                        file.seek(at)
                        file.write(b"7" if data[at:at + 1] != b"7" else b"8")

    def check(self):
        def tell(text):
            kind = "altered" if "not what the rig sampled" in text or "a sample stands" in text else \
                   "plan" if "of the plan" in text else "left" if "left over" in text else "verify"
            self.tell(kind, text)
        if self.settings.tamper == "left":
            harness.write(os.path.join(self.series, "runs", "0009.csv.part"), "")
        found = harness.check_series(self.settings, self.series, self.account, PLANNED, tell)
        kept = {index for _, indices in found.values() for index in indices}
        for turn, kill in enumerate(self.kills):
            # What was written is in the kernel's hands and outlives the program, durable or not, if the power stays on.
            kill["power_lost"] = any(later["power"] for later in self.kills[turn:])
            self.check_durable(kill, kill["lengths"] if kill["power_lost"] else kill["written"])
            begin = self.account.sampling_at(kill["us"])
            # Not where the rig still samples for a capture that was killed before this one.
            if begin is not None and self.account.samples[begin:] and self.account.samples[begin][1] >= kill["began_us"]:
                self.check_missing(kill, kept, begin)
            self.check_stop(kill)

    def check_durable(self, kill, lengths):
        for path, length in lengths.items():
            before = read(os.path.join(kill["copy"], path))[:length]
            name = path[:-len(".part")] if path.endswith(".csv.part") else path
            after = read(os.path.join(self.series, name))
            if path.endswith((".csv", ".csv.part")):
                before = ROWS.match(before).group()  # what the power left behind the rows is none
                if before.count(NEWLINE) <= 1:
                    continue  # the head alone: no row
                if after is None or not after.startswith(before):
                    same = os.path.commonprefix([before, after or b""]).count(NEWLINE)
                    self.tell("lost", f"kill {kill['turn']}: {path}: {before.count(NEWLINE)} lines, "
                              f"{same} are there")
                elif path.endswith(".csv") and not kill["power_lost"] and after != before:
                    self.tell("lost", f"kill {kill['turn']}: {path}: it was whole and has become longer")
            elif path.endswith(".json") and path.startswith("runs/") and not kill["power_lost"] and after != before:
                self.tell("altered", f"kill {kill['turn']}: {path}: a record that was written has changed")

    def check_missing(self, kill, kept, begin):
        """Age, at the kill, of the oldest sample of the run in hand that is in no file."""
        age = 0
        for i in range(begin, len(self.account.samples)):
            at = self.account.samples[i][1]
            if at > kill["us"]:
                break
            if i not in kept:
                age = max(0, (kill["us"] - at) / 1000 - SENT_AFTER_MS)
                break
        self.missing_ms["power" if kill["power_lost"] else "kill"].append(age)
        if age > MISSING_MS_MAX:
            self.tell("missing", f"kill {kill['turn']}{' and power cut' if kill['power_lost'] else ''}: samples of the last "
                      f"{age:.0f} ms are missing")

    def check_stop(self, kill):
        """By the rig's own clock, from the kill until the coils are off."""
        if not self.account.armed_at(kill["us"]):
            return
        entry = self.account.disarmed_after(kill["us"])
        if entry is not None and any(kill["us"] < later["us"] < entry["outside_us"] for later in self.kills):
            return  # another capture spoke to the rig meanwhile and was killed in its turn, which counts
        if entry is not None and entry.get("why") != "watchdog":
            # The next capture spoke to the rig before its watchdog was due, and cut. That takes it time of the world outside.
            took = (entry["outside_us"] - kill["us"]) / 1000
            self.next_ms.append(took)
        else:
            took = float("inf") if entry is None else (entry["rig_us"] - self.account.rig_us(kill["us"])) / 1000
            self.stop_ms.append(took)
        if took > STOP_MS_MAX:
            self.tell("stop", f"kill {kill['turn']}: the motor was on for {took:.0f} ms more: {entry}")


def measure_life(settings):
    """How long a capture of this series takes from start to end, in seconds."""
    folder = os.path.join(settings.work, "life")
    rig = Rig(settings, folder, SPEEDUP)
    plan = harness.write_plan(os.path.join(folder, "in"), runs=PLANNED, rest_s=0.5, travel_mm=4)
    began = time.monotonic()
    capture = Capture(settings, folder, rig.port, os.path.join(folder, "series"), plan=plan, shim=Shim(settings, folder))
    status = capture.wait()
    took = time.monotonic() - began
    rig.end()
    if status != 0:
        raise harness.Problem(f"a series without any fault ends with status {status}: {capture.said}")
    failures = []
    harness.check_series(settings, os.path.join(folder, "series"), Account(rig), PLANNED, failures.append)
    if failures:
        raise harness.Problem(f"a series without any fault: {failures[:3]}")
    print(f"a capture takes {took:.2f} s when it is let alone", flush=True)
    return took


def gathered(cases):
    kills = [kill for case in cases for kill in case.kills]
    hits = {"power_cuts": sum(kill["power"] for kill in kills), "of_a_resume": sum(kill["turn"] > 0 for kill in kills),
            "with_files_durable": sum(kill.get("durable", 0) > 0 for kill in kills)}
    stops = [took for case in cases for took in case.stop_ms]
    cuts = [took for case in cases for took in case.next_ms]
    ages = {word: [age for case in cases for age in case.missing_ms[word]] for word in ("kill", "power")}
    return kills, hits, stops, cuts, ages


def enough(settings, cases):
    """As many kills as were asked for, and every figure stands on one of them at least: by chance the few kills of the short
    form may all fall where no motor was on."""
    kills, hits, stops, _, ages = gathered(cases)
    return (len(kills) >= settings.runs and stops and ages["kill"] and ages["power"]
            and all(hits[name] >= settings.runs // share for name, share in SHARES_LEAST.items()))


def main():
    settings = harness.Settings("kill", 1000, __doc__)
    life_s = measure_life(settings)
    rng = random.Random(settings.seed)
    cases = []
    while not enough(settings, cases) and len(cases) < 2 * settings.runs + 10:
        left = max(settings.jobs, settings.runs - sum(len(case.kills) for case in cases))
        batch = []
        while sum(wanted for _, _, wanted, _ in batch) < left:
            batch.append((settings, len(cases) + len(batch), min(rng.choice((1, 1, 2, 2, 3, 4)), left), life_s))
        cases += harness.in_parallel(settings, Case, batch)
    kills, hits, stops, cuts, ages = gathered(cases)
    failures = [failure for case in cases for failure in case.failures]

    def count(*kinds):
        return sum(1 for kind, _ in failures if kind in kinds)

    settings.figure("kills", len(kills), "1", settings.runs, 10 * settings.runs, len(kills))
    for name, share in SHARES_LEAST.items():
        settings.figure("kills." + name, hits[name], "1", settings.runs // share, len(kills), len(kills))
    settings.figure("files_with_durable_rows_lost", count("lost"), "1", 0, 0, len(kills))
    settings.figure("runs_with_rows_altered", count("altered"), "1", 0, 0, len(kills))
    half_made = sum(case.half_made for case in cases)
    if settings.runs >= 100:
        settings.figure("killed_while_the_series_was_made", half_made, "1", 3, 1e6, len(kills))
    settings.figure("series_resumed_to_the_end", sum(case.resumed for case in cases) / len(cases), "1", 1, 1, len(cases))
    settings.figure("plan_not_done_exactly_once", count("plan"), "1", 0, 0, len(cases))
    settings.figure("not_verified_or_left_over", count("verify", "left", "resume"), "1", 0, 0, len(cases))
    for word, name in (("kill", "kill"), ("power", "power_cut")):
        settings.figure(f"{name}.samples_missing_at_the_end_of", max(ages[word], default=None), "ms", 0, MISSING_MS_MAX,
                        len(ages[word]))
    settings.figure("motor_on_after_kill", max(stops, default=None), "ms (rig)", 0, STOP_MS_MAX, len(stops))
    if cuts:
        settings.figure("motor_on_until_cut_by_the_next_capture", max(cuts), "ms", 0, STOP_MS_MAX, len(cuts))
    return settings.end([f"{kind}: {text}" for kind, text in failures])


if __name__ == "__main__":
    harness.run_main(main)
