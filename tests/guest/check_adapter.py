"""nipbench-capture in a Linux guest, against the kernel's driver of an emulated USB serial adapter.

    check_adapter.py WORK OUT.json [PROGRAMS]

WORK holds kernel/vmlinuz and initrd. Every figure that is asked for is written to OUT.json; one that could not be
measured has no value and is not met. Exit status: 0 all are met, 1 not.
"""
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tarfile
import time
import traceback

from board import Board
from machine import Machine

SEED = 20310302
PORT = "/dev/ttyUSB0"
USB_VENDOR, USB_PRODUCT = 0x0403, 0x6001  # of the adapter that QEMU emulates
CAPTURE = "nipbench-capture"
UNPLUGS = 3
UNPLUGS_MOST = 6  # when other work of the machine leaves no time that counts
END_MOST_MS = 500
OPENINGS = 5
# What people set: the usual rates, the program's own default, its least one, and the adapter's greatest.
ADAPTER_BAUD_MAX = 3000000
BAUDS = [1200, 9600, 19200, 38400, 57600, 115200, 230400, 250000, 460800, 500000, 921600, 1000000, 2000000,
         ADAPTER_BAUD_MAX]
IMPOSSIBLE_BAUDS = [4000000, 12000000]
BAUD_OFF_PERCENT = 2  # what the adapter's divider may make of a rate; 8N1 bears about 5 % between both ends

CALIBRATION = """{"schema": "nipbench-calibration-1", "date": "2031-03-02T09:15:00Z", "origin": "stated",
 "rig_serial": "",
 "force": {"degree": 1, "coefficients": [12345, 4000], "covariance": [[25, 0], [0, 4]], "residual_sd_counts": 40,
           "degrees_of_freedom": null, "load_low_n": 0, "load_high_n": 150},
 "encoder": {"mm_per_count": 0.005, "standard_uncertainty_mm_per_count": 0.00001}, "feeds": []}
"""


def plan(blocks, speed_mm_s):
    return f"""nipbench_plan: 1
title: One gear behind a USB serial adapter, simulated
simulated: true
licence: CC0-1.0
seed: {SEED}
blocks: {blocks}
calibration: calibration.json
rest_before_s: 0.4
rest_after_s: 0.3
sampling:
  rate_hz: 1000
limits:
  force_n: 130
  travel_mm: 12
  time_s: 30
conditions:
  filament_material: river-test filament
  nip_preload_n: 80
feeders:
  - name: gear-8mm
    drive_diameter_mm: 8
tests:
  - test: blocked-push
    travel_mm: 6
    speeds_mm_s: [{speed_mm_s}]
end: true
"""


class Figures:
    def __init__(self, started_s):
        self.started_s = started_s
        self.list = []

    def value(self, name, value, unit, low, high, n):
        met = value is not None and low <= value <= high
        self.list.append({"name": name, "value": value, "unit": unit, "low": low, "high": high, "met": met, "n": n,
                          "seed": SEED, "seconds": round(time.monotonic() - self.started_s, 3)})
        shown = "none" if value is None else f"{value:.4f}"
        word = "met " if met else "NOT "
        print(f"{word} {name:<74} {shown:>10} {unit:<4} ({low:g} to {high:g}), n = {n}", flush=True)

    def share(self, name, hits):
        """hits: a list of true and false, all of which must be true."""
        self.value(name, sum(map(bool, hits)) / len(hits) if hits else None, "1", 1, 1, len(hits))


class Check:
    def __init__(self, work, out, programs):
        self.work, self.out, self.programs = work, out, programs
        self.figures = Figures(time.monotonic())
        self.machine = self.board = None

    def complain(self, what, got):
        print(f"  {what}: {got}", flush=True)

    def good(self, what, condition, got):
        if not condition:
            self.complain(what, got)
        return bool(condition)

    def begin(self):
        rig = os.path.join(self.programs, "rig/simulator/nipbench-rig")

        def rig_command(boot):
            return [rig, "--seed", str(SEED), "--feeder", "rig/simulator/feeders/gear-8mm.yaml",
                    "--log", self.rig_log(boot)]

        self.machine = Machine(self.work, os.path.join(self.work, "kernel/vmlinuz"), os.path.join(self.work, "initrd"))
        self.board = Board(rig_command, self.work, self.machine.usb_socket, self.machine.trace)
        self.board.connect(20)
        boot_s = self.machine.wait_ready()
        self.wait_port(60)
        self.figures.value("guest: from start to its shell", boot_s, "s", 0, 180, 1)
        self.machine.put("/work/calibration.json", CALIBRATION)

    def rig_log(self, boot):
        return os.path.join(self.work, f"rig_{boot}.log")

    def wait_port(self, limit_s):
        """Until the guest has the port's device file again."""
        answer = self.machine.do(f"n=0; until [ -c {PORT} ] || [ $n -ge {limit_s * 20} ]; "
                                 f"do n=$((n + 1)); usleep 50000; done; [ -c {PORT} ]", limit_s + 60)
        if answer.status != 0:
            raise RuntimeError("the guest's kernel shows no port")
        return answer

    def port_state(self, more=""):
        answer = self.machine.do(f"port_state {PORT} {more}")
        if answer.status != 0:
            raise RuntimeError(f"cannot look at the port: {answer}")
        return json.loads(answer.out)

    def fetch(self, folder):
        """A folder of the guest, unpacked in the work folder."""
        answer = self.machine.do(f"tar -c -C /work {folder} | gzip -1", 120)
        here = os.path.join(self.work, folder)
        shutil.rmtree(here, ignore_errors=True)
        with tarfile.open(fileobj=io.BytesIO(answer.out)) as archive:
            archive.extractall(self.work)
        return here

    def verify(self, folder):
        analyze = os.path.join(self.programs, "analyze/nipbench-analyze")
        done = subprocess.run([analyze, "verify", folder], capture_output=True, text=True, timeout=60)
        return self.good("verify", done.returncode == 0, done.stdout + done.stderr)

    @staticmethod
    def records(folder):
        runs = os.path.join(folder, "runs")
        found = []
        for name in sorted(os.listdir(runs)):
            if re.fullmatch(r"\d{4,}\.json", name):
                with open(os.path.join(runs, name), encoding="utf-8") as file:
                    found.append(json.load(file))
        return found

    # 1

    def ports(self):
        f = self.figures
        plain = self.machine.do(f"{CAPTURE} ports")
        line = f"{PORT}  USB {USB_VENDOR:04x}:{USB_PRODUCT:04x}  "
        text = plain.out.decode()
        hits = [self.good("ports", plain.status == 0 and plain.err == "" and
                          any(x.startswith(line) and len(x) > len(line) for x in text.splitlines()), plain)]
        told = self.machine.do(f"{CAPTURE} ports --json")
        listed = [x for x in json.loads(told.out or b"[]") if x["port"] == PORT]
        hits.append(self.good("ports --json", told.status == 0 and len(listed) == 1 and
                              listed[0]["usb_vendor"] == USB_VENDOR and listed[0]["usb_product"] == USB_PRODUCT and
                              listed[0]["description"] != "" and listed[0]["serial"] != "", told))
        # Ports of the machine that are no USB adapters are told from it.
        others = [x for x in json.loads(told.out or b"[]") if x["port"] != PORT]
        hits.append(self.good("other ports", others and all(x["usb_vendor"] is None for x in others), told))
        f.share("ports: adapter listed with ids and description, plain and JSON", hits)

    # 2

    def identify(self):
        answer = self.machine.do(f"{CAPTURE} identify --json {PORT}")
        if not self.good("identify", answer.status == 0 and answer.err == "", answer):
            return None
        return json.loads(answer.out)["boot"]

    def openings(self):
        f = self.figures
        before = self.board.boot_count()
        boots = [self.identify()]
        first_drops = self.board.dtr_drops()
        quiet, raw = [], []
        for _ in range(OPENINGS - 1):
            state = self.port_state()
            quiet.append(self.good("HUPCL after closing", state["hupcl"] is False and state["dtr"], state))
            raw.append(self.good("settings after closing", state["bits"] == 8 and not state["ixon"] and
                                 not state["crtscts"] and not state["parity"], state))
            boots.append(self.identify())
        f.share("opening: identify answers", [boot is not None for boot in boots])
        # DTR comes on with the first opening after plugging in, which no program can help.
        f.value("opening: starts of a board that DTR resets, first opening included", self.board.boot_count() - before,
                "1", 0, 1, OPENINGS)
        f.value("opening: different boot numbers", len(set(boots)), "1", 1, 1, OPENINGS)
        f.share("closing: HUPCL is off and DTR is on", quiet)
        f.share("closing: 8N1 without flow control", raw)
        f.value("closing: times that the adapter was told to drop DTR", self.board.dtr_drops() - first_drops, "1", 0, 0,
                OPENINGS)
        # The same check must see a program that does drop DTR.
        self.port_state("hang-up")
        after = self.identify()
        f.share("control: a program that hangs up does reset the board",
                [after is not None and after != boots[-1] and self.board.dtr_drops() > first_drops])
        self.identify()
        state = self.port_state()
        f.share("control: HUPCL is off again after the next identify", [state["hupcl"] is False])

    # 3

    def bauds(self):
        f = self.figures
        kernel, adapter_off = [], []
        for baud in BAUDS:
            answer = self.machine.do(f"{CAPTURE} identify --baud {baud} {PORT}")
            told = self.board.bauds[-1][1] if self.board.bauds else 0
            state = self.port_state()
            kernel.append(self.good(f"{baud} baud", answer.status == 0 and state["out_baud"] == baud and
                                    state["in_baud"] == baud, (answer, state)))
            adapter_off.append(100 * abs(told - baud) / baud)
        f.share("baud rates: set, and reported back by the kernel", kernel)
        f.value("baud rates: farthest that the adapter's own rate is off", max(adapter_off), "%", 0, BAUD_OFF_PERCENT,
                len(BAUDS))
        refused = []
        for baud in IMPOSSIBLE_BAUDS:
            answer = self.machine.do(f"{CAPTURE} identify --baud {baud} {PORT}")
            wanted = f"{CAPTURE}: {PORT}: this port cannot run at {baud} baud\n"
            refused.append(self.good(f"{baud} baud, which the adapter cannot",
                                     answer.status == 4 and answer.out == b"" and answer.err == wanted,
                                     (answer, self.port_state())))
        f.share("baud rates: one that the adapter cannot is refused, status 4, one line", refused)

    # 4 and 6

    def series(self):
        f = self.figures
        self.machine.put("/work/plan.yaml", plan(2, 2))
        moves = len(self.board.moves)
        self.machine.do(f"{CAPTURE} run plan.yaml --port {PORT} --out series --yes >run_out 2>run_err & run=$!")
        self.wait_moves(moves + 1, 60)
        second = [self.machine.do(f"{CAPTURE} {words}") for words in
                  (f"identify {PORT}", f"run plan.yaml --port {PORT} --out other --yes")]
        wanted = f"{CAPTURE}: {PORT}: the port is in use by another program\n"
        f.share("second opener: refused while a push goes on, status 4, one line",
                [self.good("second opener", x.status == 4 and x.out == b"" and x.err == wanted, x) for x in second])
        ended = self.machine.do("wait $run", 120)
        said = self.machine.do("cat run_out; cat run_err >&2")
        result = b"series: 2 of 2 runs recorded: 2 complete, 0 at a limit, 0 interrupted, 0 faults\n"
        complete = self.good("run", ended.status == 0 and said.out == result, (ended.status, said))
        here = self.fetch("series")
        f.share("run: a small plan through the adapter completes and verifies", [complete, self.verify(here)])
        records = self.records(here)
        f.value("run: frames missing", self.missing(records), "1", 0, 0, len(records))
        f.value("run: rows of all runs", sum(x["rows"] for x in records), "1", 2 * 3500, 2 * 5000, len(records))

    @staticmethod
    def missing(records):
        def sum_of(value):
            if isinstance(value, dict):
                return sum(v if k in ("frames_missing", "frames_corrupt") else sum_of(v) for k, v in value.items())
            return 0
        assert all("frames_missing" in json.dumps(x) for x in records)
        return sum(map(sum_of, records))

    def wait_moves(self, count, limit_s):
        deadline = time.monotonic() + limit_s
        while len(self.board.moves) < count:
            if time.monotonic() > deadline or self.board.failure is not None:
                raise RuntimeError(f"no push began ({self.board.failure})")
            time.sleep(0.01)

    # 5

    def unplugging(self):
        f = self.figures
        self.machine.put("/work/slow.yaml", plan(2, 1.5))
        ends_ms, lines, faults, watchdog_ms, cut_ms, back_s, logged, verified = [], [], [], [], [], [], [], []
        resume = f"{CAPTURE} run --resume --port {PORT} --out torn --yes"
        tried = 0
        while tried < UNPLUGS or (not ends_ms and tried < UNPLUGS_MOST):
            tried += 1
            moves = len(self.board.moves)
            self.machine.send(resume if tried > 1 else f"{CAPTURE} run slow.yaml --port {PORT} --out torn --yes")
            try:
                self.wait_moves(moves + 1, 60)
            except RuntimeError:
                self.complain("the run that was to be unplugged", self.machine.take(30))
                raise
            time.sleep(0.7 + 0.6 * (tried % 3))  # of a push of 4 s
            watchdogs = len(self.board.watchdogs)
            boot = self.board.boot_count() - 1
            unplugged_s = time.monotonic()
            self.machine.ask_qmp("device_del", id="adapter")
            self.board.disconnect()
            heard_s = self.board.host_heard_s
            noticed_s = self.machine.kernel_said("USB disconnect", unplugged_s, 30)
            waited_ms = self.machine.waited_for_processor_ms()
            ended = self.machine.take(60)
            waited_ms = self.machine.waited_for_processor_ms() - waited_ms
            end_ms = (ended.at_s - noticed_s) * 1000
            # A time that is too long only because the guest was kept from running tells nothing of the program.
            if end_ms <= END_MOST_MS or end_ms - waited_ms > END_MOST_MS:
                ends_ms.append(end_ms)
            print(f"  from the kernel's notice to the program's end: {end_ms:.0f} ms; meanwhile other work of this "
                  f"machine kept the guest's threads waiting {waited_ms:.0f} ms", flush=True)
            complaints = [x for x in ended.err.splitlines() if x.startswith(CAPTURE)]
            lines.append(self.good("unplugged", ended.status == 4 and complaints ==
                                   [f"{CAPTURE}: {PORT}: the port is gone; was the rig unplugged?"], ended))
            here = self.fetch("torn")
            last = self.records(here)[-1]
            faults.append(self.good("record of the run", last["ended"] == "fault" and last["rows"] > 500 and
                                    "the port is gone" in last["ended_why"], last))
            verified.append(self.verify(here))
            # The board has power of its own: its rig goes on, hears nothing, and cuts.
            deadline = time.monotonic() + 5
            while len(self.board.watchdogs) == watchdogs and time.monotonic() < deadline:
                time.sleep(0.005)
            if len(self.board.watchdogs) == watchdogs + 1:
                cut_s, silence_ms = self.board.watchdogs[-1]
                watchdog_ms.append(silence_ms)
                cut_ms.append((cut_s - heard_s) * 1000)
            else:
                self.complain("the rig's watchdog", "did not cut")
            logged.append(self.good("the rig's log", self.log_tells_cut(boot), self.rig_log(boot)))
            gone = self.machine.do(f"{CAPTURE} identify {PORT}")
            lines.append(self.good("identify without the adapter", gone.status == 4 and gone.out == b"" and
                                   gone.err == f"{CAPTURE}: {PORT}: no such port\n", gone))
            self.board.connect(10)
            plugged_s = time.monotonic()
            self.machine.ask_qmp("device_add", driver="usb-serial", chardev="cable", id="adapter", bus="hc.0")
            back_s.append(self.wait_port(30).at_s - plugged_s)
        ended = self.machine.do(resume, 180)
        here = self.fetch("torn")
        ends = [x["ended"] for x in self.records(here)]
        resumed = [self.good("resume", ended.status == 0, ended),
                   self.good("runs", ends == tried * ["fault"] + 2 * ["complete"], ends), self.verify(here)]
        f.share("unplugging: exit status 4 and one line, then and when started without", lines)
        f.value("unplugging: worst time from the kernel's notice to the program's end",
                max(ends_ms, default=None), "ms", 0, END_MOST_MS, len(ends_ms))
        f.share("unplugging: the run is filed as a fault with its rows", faults)
        f.share("unplugging: the series verifies", verified)
        f.value("unplugging: times that do not count: the guest was kept from running", tried - len(ends_ms), "1",
                0, UNPLUGS_MOST - 1, tried)
        f.value("unplugging: worst silence after which the rig's watchdog cut, its clock",
                max(watchdog_ms) if len(watchdog_ms) == tried else None, "ms", 0, 500, tried)
        f.value("unplugging: worst time from the host's last byte to the cut, as seen outside",
                max(cut_ms) if len(cut_ms) == tried else None, "ms", 0, 1000, tried)
        f.share("unplugging: the rig's log tells the cut by the watchdog", logged)
        f.value("plugging in: worst time until the port is back", max(back_s), "s", 0, 30, tried)
        f.share("plugging in: the series is resumed to its end and verifies", resumed)

    def log_tells_cut(self, boot):
        with open(self.rig_log(boot), encoding="utf-8") as file:
            told = [json.loads(line) for line in file]
        return any(x.get("what") == "cut" and x.get("why") == "watchdog" for x in told)

    def run(self):
        parts = [self.begin, self.ports, self.openings, self.bauds, self.series, self.unplugging]
        try:
            while parts:
                parts[0]()
                del parts[0]
        except Exception:
            # What follows cannot be trusted: what was not measured is written as not met.
            traceback.print_exc()
            self.tell_trouble()
            for part in parts:
                self.figures.value(f"{part.__name__}: carried out to its end", None, "1", 1, 1, 0)
        finally:
            if self.machine is not None:
                self.machine.close()
            if self.board is not None:
                self.board.close()
            with open(self.out, "w", encoding="utf-8") as file:
                json.dump(self.figures.list, file, indent=2)
                file.write("\n")
        return 0 if self.figures.list and all(x["met"] for x in self.figures.list) else 1

    def tell_trouble(self):
        if self.machine is None or self.board is None:
            return
        print("the kernel's last lines:")
        for _, text in self.machine.kernel_lines[-20:]:
            print("  " + text)
        print(f"QEMU: status {self.machine.process.poll()} (None: it runs): " + "; ".join(self.board.other_trace[-5:]),
              f"board: {self.board.failure}", flush=True)


def stop(number, _):
    for again in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        signal.signal(again, signal.SIG_IGN)  # nothing is to disturb the clearing up
    raise SystemExit(128 + number)


def main():
    for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
        signal.signal(number, stop)
    work, out = sys.argv[1:3]
    programs = sys.argv[3] if len(sys.argv) > 3 else "build/programs"
    return Check(work, out, programs).run()


sys.exit(main())
