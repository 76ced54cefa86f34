"""Memory of `report`: does it grow by less than 2 KiB a run? Series of 10, 100 and 1,000 runs of one size, each of one feeder
at five speeds, so that what is compared and drawn is the same and only the number of runs differs. gnuplot's own memory
is not part of it: the peak is that of nipbench-analyze alone, which with figures is read off the system's own record of
the process while it runs, since a child's peak would count as well."""
import os
import re
import subprocess

PACKAGES = ["gnuplot-nox"]
RUNS = (10, 100, 1000)
ROWS = 1000


def peak_kib(argv):
    """Peak resident memory of the process itself, children left out."""
    peak = 0
    process = subprocess.Popen(argv, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    status = os.open(f"/proc/{process.pid}/status", os.O_RDONLY)
    # Without a pause: the peak may be that of the last page, a millisecond before the end.
    while process.poll() is None:
        peak = max([peak] + [int(kib) for kib in re.findall(rb"^VmHWM:\s+(\d+)", os.pread(status, 8192, 0), re.MULTILINE)])
    os.close(status)
    if process.returncode != 0:
        raise RuntimeError(f"{argv[0]}: status {process.returncode}: {process.stderr.read().decode()}")
    return peak


def measure(bench):
    analyze = os.path.join(bench.programs, "analyze", "nipbench-analyze")
    make_series = os.path.join(bench.programs, "tests", "bench", "make_series")
    work = os.path.join(bench.work, "report_memory")
    os.makedirs(work, exist_ok=True)
    runs = RUNS[:2] if bench.short else RUNS
    for figures in (False, True):
        peaks = {n: [] for n in runs}
        for n in runs:
            series = os.path.join(work, f"series-{n}")
            if not os.path.exists(series):
                bench.run([make_series, series, "--runs", str(n), "--rows", str(ROWS), "--feeders", "1", "--speeds", "5"])
        # The pages of libraries that are mapped differ from one to the next by some 100 KiB, and drift: sizes take turns.
        for k in bench.rounds(15):
            for n in runs:
                series, out = (os.path.join(work, f"{what}-{n}") for what in ("series", f"report-{figures}-{k}"))
                peaks[n].append(peak_kib([analyze, "report", series, "--out", out] + ([] if figures else ["--no-figures"])))
        count = len(peaks[runs[0]])
        peaks = {n: sorted(values)[count // 2] for n, values in peaks.items()}
        kind = "with figures" if figures else "without figures"
        bench.note(f"report {kind}, peak resident: " + ", ".join(f"{n} runs {peaks[n]} KiB" for n in runs))
        name = "report_memory.growth_kib_per_run" + ("_with_figures" if figures else "")
        for low, high in zip(runs, runs[1:]):
            growth = (peaks[high] - peaks[low]) / (high - low)
            bench.figure(name if high == runs[-1] else f"{name}_to_{high}", growth, "KiB", 0, 2, count)
