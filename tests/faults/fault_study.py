"""Every fault of the link, of the host, of the disk and of the operator's terminal at random moments, with the real programs:
the motor stops in time, status and message are right, the record counts what the rig's own log says, every row is a sample
that was taken, and the series is sound in the end."""
import ctypes
import fcntl
import os
import pty
import random
import re
import shutil
import signal
import subprocess
import tempfile
import termios
import time

import harness
import link_truth
from harness import Account, Capture, Rig, Shim, now_us

SPEEDUP = 2
PLANNED = 2
RUN_S = 1.45  # rig time of one run: rest, 4 mm at 5 mm/s, rest
STOP_MS_MAX = 500
LIBC = ctypes.CDLL(None, use_errno=True)
MS_RDONLY, MS_REMOUNT = 1, 32

GONE = r"the port is gone; was the rig unplugged\?$"
SILENT = r"the rig has stopped sending samples$"
MUTE = r"the rig did not acknowledge '\w+' in \d+ ms$"
NO_REPLY = r"(no reply in \d+ ms; is the rig powered, and is this its port\?|no such port)$"
RESTARTED = r"the rig restarted$"
FAULTED = r"\d+ of \d+ runs ended as a fault(;.*)?$"
STOPPED = r"(stopped by the operator (before (the first|another) run|after \d+ of \d+ (remaining )?runs; they are kept.*)|" \
          r"run \d+ was stopped before it began.*)$"
DONE = (0, None)
FULL = [(5, r"No space left on device")]
HUNG = [(5, r"the disk has taken no row of run \d+ for \d+ ms: free it or use another one, then --resume$")]
# Struck early enough for the push to go on for longer than the host's patience.
ONE_LONG = dict(plan=dict(runs=1, travel_mm=4.2, speed_mm_s=1.2), within_s=2.8)
BROKEN_IN_RUN = [(4, RESTARTED)]

# What each fault must lead to. Of a fault of the line that the rig is told beforehand: words for it with {t} for the moment
# and {d} for its length, both in rig seconds; where the fault strikes in a run, `run` says which (status, last line) are
# right, and in `else` those that are right beside it, where it strikes between runs or before the first.
#   stops: the run must end by it, so the motor must be off within 500 ms of the rig's clock
#   exact: the records must count exactly what the log says
#   real:  at the pace of a real rig, where what counts is the patience of the host
#   same:  the resume goes to the same rig, which is whole again; else to a new one
SHARES = {
    "missing": dict(words="missing=0.03"),
    "repeated": dict(words="repeated=0.05"),
    "reordered": dict(words="reordered=0.05"),
    "corrupted": dict(words="corrupted=0.03"),
    "split": dict(words="split=0.2"),
    "noise": dict(words="noise=0.05"),
    "everything": dict(words="missing=0.02,repeated=0.03,reordered=0.03,corrupted=0.02,split=0.05,noise=0.02"),
    "host-missing": dict(words="host-missing=0.05"),
    "host-corrupted": dict(words="host-corrupted=0.05"),
}
for _share in SHARES.values():
    # A command is not sent twice where twice would do harm; when its frame is lost the run cannot go on.
    _share.update({"run": [DONE, (4, MUTE)], "exact": True})
for _name in ("host-missing", "host-corrupted"):
    # All questions who is there lost, or two orders to cut in a row: then the rig's watchdog does it.
    SHARES[_name]["run"] += [(1, FAULTED), (4, NO_REPLY)]
TIMED = {
    "reboot": dict(words="reboot@{t}", run=[(4, RESTARTED)], stops=True),
    "unplugged": dict(words="unplugged@{t}+{d}", d=(0.3, 3), run=[(4, GONE)], stops=True, same=True),
    "severed-short": dict(words="severed@{t}+{d}", d=(0.03, 0.25), run=[DONE, (4, MUTE)], exact=True),
    "severed-long": dict(words="severed@{t}+{d}", d=(1.3, 4), run=[(4, SILENT), (4, MUTE)], stops=True, same=True),
    "deaf-short": dict(words="deaf@{t}+{d}", d=(0.03, 0.25), run=[DONE, (4, MUTE)], exact=True),
    "deaf-long": dict(words="deaf@{t}+{d}", d=(1.3, 4), run=[(1, FAULTED), (4, MUTE), (4, SILENT)], stops=True, same=True),
    "mute-short": dict(words="mute@{t}+{d}", d=(0.03, 0.25), run=[DONE, (4, MUTE)], exact=True),
    "mute-long": dict(words="mute@{t}+{d}", real=True, d=(3, 5), run=[(4, SILENT), (4, MUTE)], stops=True, same=True),
    "emergency-stop": dict(words="emergency-stop@{t}", run=[(4, r"the rig's emergency stop is pressed$")], stops=True),
    "driver-fault": dict(words="driver-fault@{t}", run=[(4, r"the rig's motor driver reports a fault$")], stops=True),
    "limit-switch": dict(words="limit-switch@{t}+{d}", d=(0.05, 0.1), run=[DONE], stops=True),
    "over-range": dict(words="over-range@{t}+{d}", d=(0.05, 0.1), run=[DONE], stops=True),
}
CLOCK = {
    "clock-wrap": dict(words="clock-start={wrap}", run=[DONE], exact=True),
    "clock-fast": dict(words="clock-ppm=200", run=[DONE], exact=True, ppm=200),
    "clock-slow": dict(words="clock-ppm=-200", run=[DONE], exact=True, ppm=-200),
}
HOST = {
    "limits-ignored": dict(words="limits-ignored", run=[DONE], limit=True),
    "stall-short": dict(stall=(0.03, 0.35), run=[DONE], exact=True),
    "stall-long": dict(stall=(0.7, 1.6), run=[(1, FAULTED), (4, SILENT)], stops=True, same=True),
    "int": dict(signals=[signal.SIGINT], run=[(1, STOPPED)], stops=True, same=True),
    "int-twice": dict(signals=[signal.SIGINT, signal.SIGINT], run=[(1, STOPPED)], stops=True, same=True),
    "term": dict(signals=[signal.SIGTERM], run=[(1, STOPPED)], stops=True, same=True),
    "hup": dict(signals=[signal.SIGHUP], run=[(1, STOPPED)], stops=True, same=True),
    "terminal-lost": dict(terminal=True, run=[(1, None)], stops=True, same=True),
}
DISK = {
    "enospc": dict(disk="enospc", run=FULL, stops=True, same=True),
    "edquot": dict(disk="edquot", run=[(5, r"Disk quota exceeded")], stops=True, same=True),
    "erofs": dict(disk="erofs", run=[(5, r"Read-only file system")], stops=True, same=True),
    "eio-write": dict(disk="eio-write", run=[(5, r"Input/output error")], stops=True, same=True),
    "eio-sync": dict(disk="eio-sync", run=[(5, r"Input/output error")], stops=True, same=True),
    "slow": dict(disk="slow", ms=300, run=[DONE], exact=True),
    "slow-real": dict(disk="slow", ms=150, run=[DONE], exact=True, real=True),
    # At the pace of a real rig: the host's patience with a disk is of the world outside.
    "hang": dict(disk="hang", ms=2500, run=HUNG, stops=True, same=True, real=True, **ONE_LONG),
    "hang-write": dict(disk="hang-write", ms=2500, run=HUNG, stops=True, same=True, real=True, **ONE_LONG),
    # Beside a rig that is faster than a real one the host has two seconds; the motor is off half a second later.
    "hang-fast-rig": dict(disk="hang", ms=4000, run=HUNG, stops=True, same=True, patience_ms=2000,
                          plan=dict(runs=1, travel_mm=10, speed_mm_s=1.2), within_s=1.8),
    "full-disk": dict(mount="full", run=FULL, stops=True, same=True, few=True),
    "read-only-mount": dict(mount="read-only", run=[(5, r"Read-only file system")], same=True, few=True),
}
FAULTS = {**SHARES, **TIMED, **CLOCK, **HOST, **DISK}


def may_mount():
    if os.geteuid() != 0:
        return False
    folder = tempfile.mkdtemp()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", folder], capture_output=True, check=False)
    if done.returncode == 0:
        subprocess.run(["umount", folder], check=True)
    os.rmdir(folder)
    return done.returncode == 0


class Case:
    def __init__(self, settings, name, number):
        self.settings = settings
        self.name = name
        self.fault = FAULTS[name]
        self.rng = random.Random(f"{settings.seed} {name} {number}")
        self.seed = self.rng.randint(1, 2**31)
        self.folder = os.path.join(settings.work, f"{name}-{number:04d}")
        self.series = os.path.join(self.folder, "series")
        self.failures = []
        self.struck = False
        self.stop_ms = None
        self.exact = 0
        self.ppm_z = None
        self.status = None
        self.accounts = []
        self.at = None
        self.armed = False
        self.closed = False
        self.mounted = None

    def tell(self, text):
        self.failures.append(f"{self.name} ({self.folder}): {text}")

    def run(self):
        os.makedirs(self.folder)
        try:
            self.carry_out()
        finally:
            if self.mounted:
                if self.failures and os.path.isdir(self.series):
                    shutil.copytree(self.series, os.path.join(self.folder, "series"))
                subprocess.run(["umount", "-l", self.mounted], check=False)
        if not self.failures:
            shutil.rmtree(self.folder)
        return self

    def rig_words(self):
        life_s = PLANNED * RUN_S
        values = {"t": f"{self.rng.uniform(0.05, life_s * 0.98):.4f}"}
        if "d" in self.fault:
            values["d"] = f"{self.rng.uniform(*self.fault['d']):.4f}"
        values["wrap"] = 2**32 - int(self.rng.uniform(0.1, life_s * 0.95) * 1e6)
        return self.fault.get("words", "").format(**values)

    def carry_out(self):
        fault = self.fault
        speedup = 1 if "ppm" in fault or "real" in fault else SPEEDUP
        settings = {"runs": PLANNED, "rest_s": 0.3, "travel_mm": 4, "rate_hz": 500}
        settings.update(fault.get("plan", {}))
        if "ppm" in fault:
            settings.update(runs=1, rest_s=3.2)
        if fault.get("limit"):
            settings.update(force_n=self.rng.uniform(5, 30))
        self.planned = settings["runs"]
        self.plan = harness.write_plan(os.path.join(self.folder, "in"), **settings)
        shim = None
        if "disk" in fault:
            # A full disk takes a part of what it is given first; half of them are met that way.
            full = fault["run"] == FULL or fault["disk"] == "edquot"
            words = f"{fault['disk']} bytes={self.rng.randint(0, 60000)}" if full and self.rng.random() < 0.5 else ""
            shim = Shim(self.settings, self.folder, words=words, stash=False)
        self.make_mount()
        rig = Rig(self.settings, self.folder, speedup, faults=self.rig_words(), seed=self.seed)
        try:
            at = self.first(rig, shim)
            if self.status != 0 and fault.get("same"):
                self.wait_for_end_of_fault(rig)
            again = fault.get("same") or self.status == 0
            if not again:
                rig.end()
                self.accounts.append(Account(rig))
                os.mkdir(os.path.join(self.folder, "new"))
                rig = Rig(self.settings, os.path.join(self.folder, "new"), speedup, seed=self.seed + 1)
            self.resume(rig)
        finally:
            rig.end()
        self.accounts.append(Account(rig))
        self.check(at, shim)

    # ---- the first capture, and what is done to it ----

    def first(self, rig, shim):
        """Carry it out with its fault; when the host's side of it struck (outside us), or None."""
        fault = self.fault
        master = None
        popen = {}
        if fault.get("terminal"):
            master, slave = pty.openpty()
            popen = dict(stdin=slave, stdout=slave, stderr=slave, preexec_fn=lambda: take_terminal(slave))
        capture = Capture(self.settings, self.folder, rig.port, self.series, plan=self.plan, shim=shim, **popen)
        self.capture = capture
        if master is not None:
            os.close(slave)
        at = None
        if "signals" in fault or "stall" in fault or fault.get("terminal") or shim or fault.get("mount") == "read-only":
            if self.wait_for_series(capture):
                time.sleep(self.rng.uniform(0, fault.get("within_s", PLANNED * RUN_S / SPEEDUP * 0.98)))
                at = self.strike(capture, shim, master)
        self.status = capture.wait(20)
        self.ended_us = now_us()
        if master is not None and not self.closed:
            os.close(master)
        if self.status is None:
            self.tell(f"the capture did not end: {capture.said[-200:]}")
        return at

    def wait_for_end_of_fault(self, rig):
        for _ in range(100):
            if not Account(rig).waits_for_end():
                return
            time.sleep(0.1)
        raise harness.Problem(f"{self.folder}: the fault does not end")

    def wait_for_series(self, capture):
        path = os.path.join(self.series, "datapackage.json")
        while not os.path.exists(path):
            if capture.process.poll() is not None:
                return False
            time.sleep(0.005)
        return True

    def strike(self, capture, shim, master):
        fault = self.fault
        if "signals" in fault:
            at = capture.signal(fault["signals"][0])
            for number in fault["signals"][1:]:
                time.sleep(self.rng.uniform(0.001, 0.1))
                capture.signal(number)
            return at
        if "stall" in fault:
            at = capture.signal(signal.SIGSTOP)
            time.sleep(self.rng.uniform(*fault["stall"]))
            capture.signal(signal.SIGCONT)
            return at
        if shim:
            shim.begin(f"{fault['disk']} ms={fault.get('ms', 0)}")
            return None
        if fault.get("mount"):
            while capture.process.poll() is None:
                # Refused as long as a file is open for writing; between two runs there is a moment without one.
                if LIBC.mount(b"none", self.mounted.encode(), b"tmpfs", MS_REMOUNT | MS_RDONLY, None) == 0:
                    return now_us()
            return None
        at = now_us() if capture.process.poll() is None else None
        os.close(master)
        self.closed = True
        return at

    def make_mount(self):
        kind = self.fault.get("mount")
        if not kind:
            return
        folder = os.path.join(self.folder, "mounted")
        os.mkdir(folder)
        size = f"{self.rng.randint(12, 28) * 4}k" if kind == "full" else "16m"
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", folder], check=True)
        self.mounted = folder
        self.series = os.path.join(folder, "series")

    # ---- afterwards ----

    def resume(self, rig):
        """To the end, where the first capture did not get there."""
        if self.status == 0:
            return
        if os.path.exists(os.path.join(self.series, "datapackage.json")) and not harness.unfinished(self.series):
            status, text = harness.run_analyze(self.settings, self.series)
            if status != 0:
                self.tell(f"nothing is left unfinished, but verify says {status}: {text[:300]}")
        if self.mounted:
            subprocess.run(["mount", "-o", "remount,rw,size=16m", self.mounted], check=True)
        begun = os.path.exists(os.path.join(self.series, "datapackage.json"))
        if not begun and os.path.isdir(self.series) and os.listdir(self.series):
            self.tell(f"a folder that is no series is left: {os.listdir(self.series)}")
            shutil.rmtree(self.series)
        again = Capture(self.settings, self.folder, rig.port, self.series, plan=self.plan, resume=begun, tag="-resume")
        status = again.wait()
        if status != 0:
            self.tell(f"resume: status {status}: {again.said[-300:]}")

    def check(self, at, shim):
        # By run, the longest sync of its rows, but for the last one: then no row may have waited for it.
        self.slow = {}
        if self.fault.get("disk") == "slow":
            syncs = {}
            for e in shim.entries():
                if e["word"] == "sync" and e["path"].endswith(".csv.part"):
                    syncs.setdefault(int(e["path"][-13:-9]), []).append((e["us"] - e["began_us"]) / 1000)
            self.slow = {number: max(took[1:-1]) for number, took in syncs.items() if len(took) > 2}
        self.check_records()
        self.note_strike(at, shim)
        self.check_end()
        if self.fault.get("stops") and self.struck:
            self.check_stop()

    def check_records(self):
        account = Together(self.accounts)
        found = harness.check_series(self.settings, self.series, account, self.planned, self.tell)
        tamper = self.settings.tamper
        for number, (record, indices) in found.items():
            if tamper == "count":
                record["frames_missing"] += 1
            if tamper == "row" and indices:
                del indices[len(indices) // 2]
            if self.fault.get("exact") and record["ended"] in ("complete", "limit"):
                own = account.owner(indices)
                if own is not None:
                    self.exact += link_truth.check_run(link_truth.Line(own[0]), number, record, own[1], self.tell)
            if "ppm" in self.fault and record["ended"] == "complete":
                ppm, error = record["link"]["clock_ppm"], record["link"]["clock_standard_uncertainty_ppm"]
                if ppm is None or not error:
                    self.tell("the clock was not measured")
                else:
                    self.ppm_z = (ppm - self.fault["ppm"]) / error
                    self.ppm_off = abs(ppm - self.fault["ppm"])
            if self.fault.get("limit") and not (record["ended"] == "limit" and "found by the host" in record["ended_why"]):
                self.tell(f"the rig ignores its limits, but the run ended as {record['ended']}: {record['ended_why']}")
            if number in self.slow and record.get("durable_within_ms", 0) < self.slow[number]:
                self.tell(f"run {number}: a sync took {self.slow[number]:.0f} ms, the record says that its rows were durable "
                          f"within {record.get('durable_within_ms')} ms")

    def note_strike(self, at, shim):
        """When the fault struck (outside us), and whether that was in a run."""
        account = self.accounts[0]
        if shim:
            at = shim.struck_us()
        elif self.name in TIMED:
            word = self.name.split("-short")[0].split("-long")[0]
            entry = next((e for e in account.log if e.get("fault") == word and e.get("phase") == "begins"), None)
            at = entry["outside_us"] if entry else None
        elif self.fault.get("mount") == "full":
            at = None
            self.struck = self.status != 0
        elif self.name in SHARES or self.name in CLOCK or self.fault.get("limit"):
            self.struck = True
        if at is not None:
            self.at = at
            # A disk that is slow or hangs harms nobody between two runs; any other fault of it ends the capture there too.
            hangs = self.fault.get("disk", "").startswith("hang")
            self.struck = account.sampling_at(at - 1) is not None or ("disk" in self.fault and not hangs) or \
                (self.fault.get("mount") == "read-only" and self.status != 0)  # else it came after the last write
            self.armed = account.armed_at(at - 1)
            if self.name in TIMED and entry:  # a rig that looks late sees much in one look: there the order tells
                before = [e["what"] for e in account.log[:account.log.index(entry)]
                          if e["what"] == "sampling-ended" or e["what"] == "configured" and e["rate_hz"] > 0]
                self.struck = bool(before) and before[-1] == "configured"

    def check_end(self):
        said = self.capture.complaints()
        last = said[-1] if said else ""
        right = list(self.fault["run"])
        if not self.struck:
            right.append(DONE)
            if self.name in TIMED:  # between two runs, while nothing is sampled
                right += [(4, GONE), (4, RESTARTED), (4, MUTE), (4, SILENT), (4, NO_REPLY), (4, r"the rig refused '\w+': .*"),
                          (1, FAULTED)]
            if "signals" in self.fault or self.fault.get("terminal"):
                right += [(1, STOPPED)]
        if self.settings.tamper == "status":
            right = [(7, None)]
        for status, pattern in right:
            if self.status == status and (pattern is None or re.search(pattern, last)):
                break
        else:
            self.tell(f"status {self.status}, said {said or self.capture.said[-200:]!r}; right were {right}")
        if len(said) > (0 if self.status == 0 else 1):
            self.tell(f"{len(said)} lines where one was due: {said}")

    def check_stop(self):
        account = self.accounts[0]
        if self.at is None or not self.armed:
            return
        if self.settings.tamper == "stop":
            account.delay_cuts(600000)
        entry = account.disarmed_after(self.at)
        if entry is None:
            self.stop_ms = float("inf")
        elif entry.get("why") == "host" and entry["outside_us"] > self.ended_us:
            # The next capture spoke to the rig before its watchdog was due. That takes it time of the world outside.
            self.stop_ms = (entry["outside_us"] - self.at) / 1000
        elif self.name == "reboot":
            self.stop_ms = (entry["outside_us"] - self.at) / 1000 * account.speedup
        else:
            self.stop_ms = (entry["rig_us"] - account.rig_us(self.at)) / 1000
        self.stop_ms -= self.fault.get("patience_ms", 0) * account.speedup
        if self.stop_ms > STOP_MS_MAX:
            self.tell(f"the motor was on for {self.stop_ms:.0f} ms more (cut by {entry})")


class Together:
    """Several rigs, one after another, as one account."""

    def __init__(self, accounts):
        self.accounts = accounts
        self.offsets = []
        total = 0
        for account in accounts:
            self.offsets.append(total)
            total += len(account.samples)

    def find(self, rows):
        if not rows:
            return []
        for account, offset in zip(self.accounts, self.offsets):
            found = account.find(rows)
            if found is not None:
                return [i + offset for i in found]
        return None

    def owner(self, indices):
        """The account that indices are of, and what they are there."""
        for account, offset in reversed(list(zip(self.accounts, self.offsets))):
            if indices and indices[0] >= offset:
                return account, [i - offset for i in indices]
        return None


def take_terminal(slave):
    os.setsid()
    fcntl.ioctl(slave, termios.TIOCSCTTY, 0)


def main():
    settings = harness.Settings("faults", 100, __doc__)
    names = [name for name in FAULTS if settings.only in name]
    if not may_mount():
        print("this machine does not let us mount: without a full disk and a read-only one of its own")
        names = [name for name in names if not FAULTS[name].get("mount")]
    left = {name: max(1, settings.runs // 20) if FAULTS[name].get("few") else settings.runs for name in names}
    made = dict.fromkeys(names, 0)
    cases = []
    wanted = dict(left)
    for _ in range(6):
        batch = []
        for name in names:
            if left[name] > 0:
                more = left[name] + (0 if made[name] == 0 else 1 + left[name] // 2)
                batch += [(settings, name, made[name] + i) for i in range(more)]
                made[name] += more
        if not batch:
            break
        random.Random(settings.seed).shuffle(batch)
        cases += harness.in_parallel(settings, Case, batch)
        for name in names:
            left[name] = wanted[name] - sum(case.struck for case in cases if case.name == name)
    failures = []
    for name in names:
        own = [case for case in cases if case.name == name]
        wrong = [case for case in own if case.failures]
        failures += [failure for case in own for failure in case.failures]
        settings.figure(f"{name}.struck", sum(case.struck for case in own), "1", wanted[name], 1e6, len(own))
        settings.figure(f"{name}.cases_with_a_finding", len(wrong), "1", 0, 0, len(own))
        stops = [case.stop_ms for case in own if case.stop_ms is not None]
        if FAULTS[name].get("stops") and name != "full-disk" and (stops or settings.runs >= 20):
            settings.figure(f"{name}.motor_on_after", max(stops + [0]) if stops else None, "ms (rig)", 0, STOP_MS_MAX,
                            len(stops))
        if FAULTS[name].get("exact"):
            settings.figure(f"{name}.runs_counted_exactly", sum(case.exact for case in own), "1", wanted[name], 1e6, len(own))
        if "ppm" in FAULTS[name]:
            off = [case.ppm_off for case in own if case.ppm_z is not None]
            within = sum(abs(case.ppm_z) <= 2.576 for case in own if case.ppm_z is not None)
            settings.figure(f"{name}.rate_off_by_half_the_time", sorted(off)[len(off) // 2] if off else None, "ppm", 0, 50,
                            len(off))
            if settings.runs < 20:
                continue
            settings.figure(f"{name}.within_2.6_standard_uncertainties", within / len(off) if off else None, "1", 0.9, 1,
                            len(off))
    return settings.end(failures)


if __name__ == "__main__":
    harness.run_main(main)
