"""Capture at the wire's limit: a rig that streams (stream_rig.c) over a pseudo-terminal in real time.

50,000 samples a second for a minute, against cat of the same bytes in the same pieces at the same times; the highest
rate at which nothing is lost; and how long a sample takes from the converter until it is on the disk.
"""
import json
import pathlib
import re
import signal
import subprocess

RATE = 50_000
HIGHEST = 1_000_000  # more the protocol's clock of whole microseconds does not tell apart
PAIRS = 3
SPEED_MM_S = 10
REST_S = 0.5

PLAN = """nipbench_plan: 1
title: Stream (simulated)
licence: CC0-1.0
contributors: [{{title: Benchmark}}]
bench: a stream
operator: benchmark
simulated: true
seed: 1
blocks: 1
calibration: calibration.json
calibration_max_age_days: 36500
rest_before_s: {rest}
rest_after_s: {rest}
sampling: {{rate_hz: {rate}}}
limits: {{force_n: 160, travel_mm: 9000, time_s: {time}}}
conditions: {{filament_diameter_mm: 1.75}}
feeders: [{{name: gear, drive_diameter_mm: 8, teeth: 26}}]
tests: [{{test: blocked-push, speeds_mm_s: [{speed}], travel_mm: {travel}, acceleration_mm_s2: 2500}}]
end: true
"""
CALIBRATION = {
    "schema": "nipbench-calibration-1", "date": "2026-01-02T03:04:05Z", "origin": "stated", "rig_serial": "",
    "force": {"degree": 1, "coefficients": [12300.0, 3980.0], "covariance": [[10000.0, 0.0], [0.0, 1600.0]],
              "residual_sd_counts": 0.0, "degrees_of_freedom": None, "load_low_n": 0.0, "load_high_n": 200.0},
    "encoder": {"mm_per_count": 0.005, "standard_uncertainty_mm_per_count": 0.00001}, "feeds": []}


class StreamRig:
    """stream_rig in the background; .port is its terminal."""

    def __init__(self, bench, *options):
        self.process = subprocess.Popen([bench.programs / "tests/bench/stream_rig", *map(str, options)],
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.port = self.process.stdout.readline().strip()

    def end(self):
        """What it tells about itself."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.told()

    def told(self):
        out, _ = self.process.communicate()
        if self.process.returncode != 0:
            raise RuntimeError(f"stream_rig ended with {self.process.returncode}")
        return {word: int(value) for word, value in re.findall(r"(\w+)=(-?\d+)", out)}


def run_at_cost(bench, argv):
    """CPU seconds, and the most memory resident in MiB, of a program that must succeed."""
    file = pathlib.Path(bench.work, "capture/cost")
    bench.run([bench.programs / "tests/bench/capture_cost", file, *argv])
    user_s, system_s, kib = map(float, file.read_text().split())
    return user_s + system_s, kib / 1024


class Run:
    """One run of `seconds` in all at `rate`, recorded into a series below bench.work."""

    def __init__(self, bench, name, rate, seconds, rig_options=(), before=(), scale=1):
        self.folder = pathlib.Path(bench.work, "capture", name)
        subprocess.run(["rm", "-rf", self.folder], check=True)
        self.folder.mkdir(parents=True)
        push_s = seconds * scale - 2 * REST_S
        (self.folder / "plan.yaml").write_text(PLAN.format(rate=rate, rest=REST_S, speed=SPEED_MM_S,
                                                           travel=push_s * SPEED_MM_S, time=push_s + 0.2))
        (self.folder / "calibration.json").write_text(json.dumps(CALIBRATION))
        rig = StreamRig(bench, "--scale", scale, *rig_options)
        try:
            self.cpu_s, self.resident_mib = run_at_cost(
                bench, [*before, bench.programs / "capture/nipbench-capture", "run", self.folder / "plan.yaml", "--port",
                        rig.port, "--out", self.folder / "series", "--yes"])
        finally:
            self.rig = rig.end()
        self.record = json.loads((self.folder / "series/runs/0001.json").read_text())
        self.rows = self.folder / "series/runs/0001.csv"
        if self.record["ended"] != "complete":
            raise RuntimeError(f"the run ended as {self.record['ended']}: {self.record['ended_why']}")

    @property
    def lost(self):
        """Samples that the rig took while the run was recorded and that are no row of it."""
        return self.rig["lost"] + self.rig["samples"] - self.record["rows"]

    def remove(self):
        subprocess.run(["rm", "-rf", self.folder], check=True)


def cat_cost(bench, recording):
    """CPU seconds of cat for the stream that was recorded."""
    rig = StreamRig(bench, "--replay", recording)
    copy = pathlib.Path(bench.work, "capture/copy")
    try:
        # The line on its standard input starts the stream; the terminal holds what comes before cat is there.
        rig.process.stdin.write("\n")
        rig.process.stdin.flush()
        # cat ends with a hang-up, which it may call an error.
        cpu_s, _ = run_at_cost(bench, ["sh", "-c", 'cat <"$0" >"$1" 2>/dev/null; true', rig.port, copy])
    finally:
        told = rig.told()
    if copy.stat().st_size != told["bytes"]:
        raise RuntimeError(f"cat has {copy.stat().st_size} of {told['bytes']} bytes")
    copy.unlink()
    return cpu_s


def pair_with_cat(bench):
    seconds = 3 if bench.short else 60
    recording = pathlib.Path(bench.work, "capture/recording")
    kept = []

    def ours():
        run = Run(bench, "pair", RATE, seconds, ("--record", recording))
        kept.append((run.lost, run.resident_mib, run.rig))
        run.remove()
        return run.cpu_s

    pair = bench.pair("capture of 50,000 samples a second against cat", ours, lambda: cat_cost(bench, recording),
                      2 if bench.short else PAIRS)
    recording.unlink()
    n = len(kept)
    worst = kept[-1][2]
    bench.note(f"50,000 samples/s for {seconds} s: {worst['bytes'] / seconds / 1e6:.2f} MB/s; longest silence of the host "
               f"{max(rig['silent_most_us'] for _, _, rig in kept) / 1000:.0f} ms, latest sample at the rig "
               f"{max(rig['late_most_us'] for _, _, rig in kept) / 1000:.1f} ms")
    bench.figure("capture_50k.samples_lost", max(abs(lost) for lost, _, _ in kept), "samples", 0, 0, n)
    bench.figure("capture_50k.cpu_over_cat", pair.ours_median / pair.theirs_median, "", 0, 3, n)
    bench.figure("capture_50k.resident_mib", max(mib for _, mib, _ in kept), "MiB", 0, 10, n)


def highest_rate(bench):
    seconds = 2 if bench.short else 30
    limit = subprocess.run([bench.programs / "tests/bench/stream_rig", "--pty-limit", "1" if bench.short else "5"],
                           check=True, capture_output=True, text=True).stdout
    limit = int(limit.partition("=")[2])
    highest = 0
    for rate in (HIGHEST // 4, HIGHEST // 2, HIGHEST):
        run = Run(bench, "rate", rate, seconds)
        run.remove()
        bench.note(f"{rate:,} samples/s for {seconds} s: {run.lost} lost, {run.rig['bytes'] / seconds / 1e6:.2f} MB/s of "
                   f"{limit / 1e6:.0f} MB/s that the terminal takes and gives with plain reads at both ends; at the most "
                   f"{run.rig['held_most_bytes'] / 1024:.0f} KiB waited on the rig; {run.cpu_s / seconds * 100:.0f} % "
                   f"of one core, {run.resident_mib:.1f} MiB")
        if run.lost != 0:
            break
        highest = rate
    bench.figure("capture_rate.highest_samples_per_s", highest, "samples/s", HIGHEST, float("inf"), 1)


def durable_delays_ms(run, log):
    """For each row, from the rig's time of its sample until a sync that began with the row in the file was over. The
    preload of tests/faults writes down both ends of each sync and the file's size at its beginning."""
    times_us, ends, place = [], [], 0
    with open(run.rows, "rb") as rows:
        place = len(next(rows))
        for row in rows:
            place += len(row)
            times_us.append(int(row.partition(b",")[0]))
            ends.append(place)
    syncs = []
    for line in log.read_text().splitlines():
        fields = line.split("\t")
        if fields[2] == "sync" and fields[5].endswith("0001.csv.part"):
            syncs.append((int(fields[0]), int(fields[4])))
    delays, at = [], 0
    for time_us, end in zip(times_us, ends):
        while syncs[at][1] < end:
            at += 1
        delays.append((syncs[at][0] - run.rig["origin_us"] - time_us) / 1000)
    return sorted(delays)


def durable(bench):
    seconds = 3 if bench.short else 60
    log = pathlib.Path(bench.work, "capture/syncs")
    shim = pathlib.Path(bench.programs, "tests/faults/disk_faults.so")
    run = Run(bench, "durable", RATE, seconds, (),
              ("env", f"LD_PRELOAD={shim}", f"DISK_FAULTS_LOG={log}",
               f"DISK_FAULTS_BELOW={pathlib.Path(bench.work, 'capture/durable').resolve()}"))
    delays = durable_delays_ms(run, log)
    run.remove()
    log.unlink()
    n = len(delays)
    bench.note(f"durable after: median {delays[n // 2]:.1f} ms, 99 % {delays[n * 99 // 100]:.1f} ms, longest {delays[-1]:.1f} "
               f"ms of {n} rows, from the rig's own time of the sample to the end of the sync that covers its row; the "
               f"record says {run.record['durable_within_ms']:.1f} ms from arrival at the most")
    bench.figure("capture_durable.p99_ms", delays[n * 99 // 100], "ms", 0, 200, n)


def measure(bench):
    pathlib.Path(bench.work, "capture").mkdir(exist_ok=True)
    pair_with_cat(bench)
    highest_rate(bench)
    durable(bench)
