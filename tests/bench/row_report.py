"""The whole report of a series of 500 runs, 350 MB of CSV, against the SHA-256 of the same files by openssl: every byte must
be read and hashed by a report too, so that is the least it could take on one core."""

PACKAGES = ["openssl", "gnuplot-nox"]
RUNS, ROWS, RUNS_SHORT, ROWS_SHORT = 500, 28500, 25, 4000


def measure(bench):
    series = bench.work / "report/series"
    series.parent.mkdir()
    bench.run([bench.programs / "tests/bench/make_series", series, "--runs", RUNS_SHORT if bench.short else RUNS, "--rows",
               ROWS_SHORT if bench.short else ROWS])
    files = sorted((series / "runs").glob("*.csv"))
    size = sum(file.stat().st_size for file in files)
    bench.note(f"{len(files)} runs, {size / 1e6:.0f} MB")
    analyze = bench.programs / "analyze/nipbench-analyze"
    taken = {}

    def report(*options):
        def one():
            result = bench.run([analyze, "report", series, "--out", bench.work / "report/out", *options])
            taken[options] = result
            return result.wall_s
        return one

    def hash_files():
        return bench.run(["openssl", "dgst", "-sha256", *files]).wall_s

    for name, most, options in (("report without figures", 1.5, ("--no-figures",)), ("report with figures", 4, ())):
        pair = bench.pair(f"{name}: openssl dgst", report(*options), hash_files, 7)
        shares = sorted(1 / ratio for ratio in pair.ratios)
        bench.figure(name.replace(" ", "_") + ".over_openssl", shares[len(shares) // 2], "1", 0, most, len(shares))
        bench.note(f"  {pair.ours_median / len(files) * 1e3:.2f} ms a run; processor time {taken[options].cpu_s:.2f} s")
    svgs = [file.stat().st_size for file in (bench.work / "report/out/figures").glob("*.svg")]
    bench.figure("report_figures.largest_svg", max(svgs) / 1000 if svgs else None, "kB", 0, 300, len(svgs))
