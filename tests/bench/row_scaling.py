"""Cost with size: the processor time of a report is a constant and so much for each run, or for each row of one run. The line
is fitted to all sizes alike (relative residuals), and the figure is the largest deviation from it."""
import statistics

PACKAGES = []


def line_through(sizes, seconds):
    """Least squares of seconds = a + b size with relative weights; both at least 0."""
    w = [1 / t for t in seconds]
    s1 = sum(x * x for x in w)
    sx = sum(x * x * n for x, n in zip(w, sizes))
    sxx = sum(x * x * n * n for x, n in zip(w, sizes))
    sy = sum(x for x in w)
    sxy = sum(x * n for x, n in zip(w, sizes))
    d = s1 * sxx - sx * sx
    return (sy * sxx - sxy * sx) / d, (s1 * sxy - sx * sy) / d


def scale(bench, name, sizes, make, unit, turns):
    """Sizes take turns, since a machine drifts by more than what is asked; small ones several times a turn."""
    series = {size: bench.work / f"scaling/{name}-{size}" for size in sizes}
    times = {size: [] for size in sizes}
    for size in sizes:
        bench.run([bench.programs / "tests/bench/make_series", series[size], *make(size)])
    for _ in bench.rounds(9):
        for size in sizes:
            for _ in range(turns(size)):
                times[size].append(bench.run([bench.programs / "analyze/nipbench-analyze", "report", series[size], "--no-figures",
                                              "--threads", 1, "--out", bench.work / "scaling/out"]).cpu_s)
    for size in sizes:
        bench.run(["rm", "-r", series[size]])
    seconds = [statistics.median(times[size]) for size in sizes]
    a, b = line_through(sizes, seconds)
    deviations = [abs(t / (a + b * size) - 1) for size, t in zip(sizes, seconds)]
    for size, t, deviation in zip(sizes, seconds, deviations):
        bench.note(f"  {size} {unit}: {t:.4f} s, {100 * deviation:.1f} % off the line")
    bench.note(f"  {a * 1e3:.1f} ms and {b * 1e6:.4g} us for each of the {unit}")
    bench.figure(f"cost_by_{name}.deviation_from_line", max(deviations), "1", 0, 0.15, len(sizes))


def measure(bench):
    (bench.work / "scaling").mkdir()
    runs = [1, 10, 100] if bench.short else [1, 10, 100, 1000]
    rows = [10**4, 10**5] if bench.short else [10**4, 10**5, 10**6, 10**7]
    scale(bench, "runs", runs, lambda n: ["--runs", n, "--rows", 10000, "--feeders", 1, "--speeds", min(n, 5)], "runs",
          lambda n: 5 if n <= 10 else 1)
    # The same push, read more and more often.
    scale(bench, "rows", rows, lambda n: ["--runs", 1, "--rows", n, "--feeders", 1, "--speeds", 1, "--seconds", 100], "rows",
          lambda n: 5 if n <= 10**5 else 1)
