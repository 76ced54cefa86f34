"""Hours of capture at speed-up: the memory of nipbench-capture stays where it is, and nothing is missing."""
import os
import threading
import time

import harness
from harness import Capture, Rig

SPEEDUP = 100
RUN_S = 3600  # rig time of one run at most
RATE_HZ = 1000
WARM_S = 60  # rig time from the start after which memory counts


def resident_kib(pid):
    """VmRSS, or None when the process is gone."""
    try:
        with open(f"/proc/{pid}/status", encoding="ascii") as file:
            for line in file:
                if line.startswith("VmRSS:"):
                    return int(line.split()[1])
    except (FileNotFoundError, ProcessLookupError):
        pass
    return None


def watch(process, seen):
    while process.poll() is None:
        kib = resident_kib(process.pid)
        if kib is not None:
            seen.append((time.monotonic(), kib))
        time.sleep(0.05)


def main():
    settings = harness.Settings("long", 14400, __doc__)  # --runs: rig seconds in all
    seconds = settings.runs
    runs = max(1, round(seconds / RUN_S))
    push_s = seconds / runs - 2
    folder = os.path.join(settings.work, "long")
    series = os.path.join(folder, "series")
    plan = harness.write_plan(os.path.join(folder, "in"), runs=runs, rest_s=1, rate_hz=RATE_HZ, test="free-run", speed_mm_s=0.5,
                              travel_mm=round(0.5 * push_s, 3), travel_limit_mm=round(0.5 * push_s + 10, 3),
                              time_s=round(push_s + 60))
    rig = Rig(settings, folder, SPEEDUP, seed=settings.seed % 2**31)
    seen = []
    began = time.monotonic()
    capture = Capture(settings, folder, rig.port, series, plan=plan)
    watcher = threading.Thread(target=watch, args=(capture.process, seen))
    watcher.start()
    status = capture.wait(seconds / SPEEDUP * 3 + 120)
    watcher.join()
    took = time.monotonic() - began
    rig.end()
    failures = []
    if status != 0:
        failures.append(f"status {status}: {capture.said[-400:]}")
    warm = [(at, kib) for at, kib in seen if at - began > WARM_S / SPEEDUP + 0.5]
    if settings.tamper == "memory":
        warm[-1] = (warm[-1][0], warm[-1][1] + 2048)
    harness.write(os.path.join(folder, "memory.csv"), "seconds,kib\n" + "".join(f"{at - began:.2f},{kib}\n" for at, kib in seen))
    least, greatest = min((kib for _, kib in warm), default=None), max((kib for _, kib in warm), default=None)
    records = harness.records_of(series)
    missing = sum(r["frames_missing"] for r in records.values())
    samples = sum(r["link"]["samples_missing"] for r in records.values())
    rows = sum(r["rows"] for r in records.values())
    taken = count_samples(rig.samples_path)
    if settings.tamper == "gap":
        missing += 1
    verified, text = harness.run_analyze(settings, series)
    if verified != 0:
        failures.append(f"verify: {verified}: {text[:400]}")
    print(f"{took:.0f} s, {len(warm)} looks at the memory, {rows} rows")
    settings.figure("rig_time", sum(times_of(series, records)), "s", seconds * 0.98, seconds * 1.1, len(records))
    changed = None if least is None else (greatest - least) / 1024
    settings.figure("resident_memory_changes_by", changed, "MiB", 0, settings.flat_mib, len(warm))
    settings.figure("resident_memory", None if greatest is None else greatest / 1024, "MiB", 0, 64, len(warm))
    settings.figure("frames_missing", missing, "1", 0, 0, len(records))
    settings.figure("samples_missing", samples, "1", 0, 0, rows)
    # The rig samples on for a moment while it is told that the run is over; all else are rows.
    settings.figure("samples_taken_that_are_no_rows", taken - rows, "1", 0, 0, taken)
    settings.figure("runs_complete", sum(r["ended"] == "complete" for r in records.values()), "1", runs, runs, len(records))
    return settings.end(failures)


def count_samples(path):
    with open(path, "rb") as file:
        return sum(chunk.count(b"\n") for chunk in iter(lambda: file.read(1 << 20), b"")) - 1


def times_of(series, records):
    """Rig time from the first to the last row of each run, in seconds."""
    for number in records:
        with open(os.path.join(series, "runs", f"{number:04d}.csv"), "rb") as file:
            file.seek(max(0, os.path.getsize(file.name) - 200))
            yield int(file.read().splitlines()[-1].split(b",")[0]) / 1e6


if __name__ == "__main__":
    harness.run_main(main)
