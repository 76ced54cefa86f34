"""A published result worked out again: check_published.py FOLDER ANALYZE.

FOLDER is what rig/demo wrote, ANALYZE the program. Any number of threads must give the same results.json to the last byte,
`report --check` must find it right, and must find every number that was changed. Series made alike but for a condition
must be refused, and compared with a word beside every number where that is accepted."""
import json
import pathlib
import shutil
import subprocess
import sys
import tempfile

wrong = []


def expect(good, sentence):
    if not good:
        wrong.append(sentence)


def run(*words):
    return subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False)


def check_threads(analyze, series, work):
    first = None
    for threads in (1, 2, 3, 7):
        out = work / f"threads-{threads}"
        done = run(analyze, "report", series, "--out", out, "--no-figures", "--threads", threads)
        expect(done.returncode == 0, f"report with {threads} threads: {done.stderr}")
        bytes_now = (out / "results.json").read_bytes()
        first = first or bytes_now
        expect(bytes_now == first, f"results.json is another one with {threads} threads")
    return work / "threads-1/results.json"


def change(results, path, value):
    for key in path[:-1]:
        results = results[key]
    results[path[-1]] = value


def check_numbers(analyze, series, published, work):
    done = run(analyze, "report", series, "--check", published)
    expect(done.returncode == 0 and done.stdout.startswith("all "), f"--check of a right result: {done.stdout}{done.stderr}")
    elsewhere = work / "where-somebody-else-keeps-it"
    shutil.copytree(series, elsewhere)
    done = run(analyze, "report", elsewhere, "--check", published)
    expect(done.returncode == 0, f"--check of a series in a folder of another name: {done.stdout}{done.stderr}")
    results = json.loads(published.read_text())
    changed = work / "changed.json"
    places = [(("runs", 4, "stall_force_n", "value"), "].stall_force_n.value: "),
              (("feeders", 0, "stall_force_n", "high_95"), "feeders[gear-8mm, 5 mm/s].stall_force_n.high_95: "),
              (("comparisons", 0, "p_value"), "].p_value: "),
              (("families", 0, "ranking", 0, "value"), "].ranking[")]
    for path, text in places:
        number = results
        for key in path:
            number = number[key]
        change(results, path, number * (1 + 1e-6) + 1e-6)
        changed.write_text(json.dumps(results))
        done = run(analyze, "report", series, "--check", changed)
        expect(done.returncode == 1, f"--check does not see {path} changed: status {done.returncode}")
        lines = done.stdout.splitlines()
        expect(len(lines) == 1 and text in lines[0], f"--check of {path} changed says: {done.stdout}")
        change(results, path, number)
    done = run(analyze, "report", series, "--check", changed, "--json")
    expect(done.returncode == 1 and len(json.loads(done.stdout)["differences"]) == 1, "--check --json counts wrong")


def check_bad_input(analyze, series, published, work):
    other = work / "other.json"
    for text, status in (("{}", 3), ("[1", 3), ('{"schema": "another"}', 3)):
        other.write_text(text)
        done = run(analyze, "report", series, "--check", other)
        expect(done.returncode == status and len(done.stderr.splitlines()) == 1 and not done.stdout,
               f"--check of {text}: status {done.returncode}, {done.stderr}")
    for words, status in ((("--out", work / "none"), 2), (("--margin", "5"), 2)):
        done = run(analyze, "report", series, "--check", published, *words)
        expect(done.returncode == status and len(done.stderr.splitlines()) == 1, f"--check {words}: {done.stderr}")
    expect(not (work / "none").exists(), "--check made a folder")
    done = run(analyze, "report", series, "--check", work / "missing.json")
    expect(done.returncode == 3, f"--check of a missing file: status {done.returncode}")


def seal(series, name):
    """Put the hash and size of a changed file into the descriptor, as its maker would."""
    import hashlib
    descriptor = json.loads((series / "datapackage.json").read_text())
    for resource in descriptor["resources"]:
        if resource["path"] == name:
            resource["hash"] = "sha256:" + hashlib.sha256((series / name).read_bytes()).hexdigest()
            resource["bytes"] = (series / name).stat().st_size
    (series / "datapackage.json").write_text(json.dumps(descriptor))


def check_conditions(analyze, series, work):
    """One feeder's preload is another in every run: refused, or accepted by name."""
    other = work / "other-series"
    shutil.copytree(series, other)
    for path in sorted((other / "runs").glob("*.json")):
        record = json.loads(path.read_text())
        if record["feeder"] != "gear-12mm":
            continue
        record["conditions"]["nip_preload_n"] += 20
        path.write_text(json.dumps(record))
        seal(other, f"runs/{path.name}")
    done = run(analyze, "compare", other)
    expect(done.returncode == 1, f"compare of unequal preloads: status {done.returncode}")
    expect("nip preload: 80 N against 100 N (tolerance" in " ".join(done.stdout.split()), f"no field, values, tolerance in: {done.stdout}")
    done = run(analyze, "compare", other, "--accept", "nip_preload_n", "--json")
    expect(done.returncode == 0, f"compare --accept: status {done.returncode}, {done.stderr}")
    for pair in json.loads(done.stdout)["comparisons"]:
        touched = "gear-12mm" in (pair["a"], pair["b"])
        expect(len(pair["accepted"]) == touched, f"{pair['a']} against {pair['b']}: accepted is {pair['accepted']}")
        expect(pair["verdict"] != "not_comparable", f"{pair['a']} against {pair['b']} is not compared")
    for word in ("bogus=1", "stall_force=5", "stall_force_n", "stall_force_n=-1", "stall_force_n=x"):
        done = run(analyze, "compare", series, "--matters", word)
        expect(done.returncode == 2 and len(done.stderr.splitlines()) == 1, f"--matters {word}: {done.stderr}")
    for word in ("preload", "nip_preload_n,", "--json"):
        done = run(analyze, "compare", other, "--accept", word)
        expect(done.returncode == 2 and len(done.stderr.splitlines()) == 1, f"--accept {word}: {done.stderr}")
    # The two series are told apart by their hashes, in whatever order they are named.
    out = work / "both"
    done = run(analyze, "report", series, other, "--out", out, "--no-figures", "--accept", "nip_preload_n", "--matters",
               "stall_force_n=50")
    expect(done.returncode == 0, f"report of two series: {done.stderr}")
    done = run(analyze, "report", other, series, "--check", out / "results.json")
    expect(done.returncode == 0, f"--check in another order: {done.stdout[:500]}{done.stderr}")
    one = work / "threads-1/results.json"
    done = run(analyze, "report", other, "--check", one)
    expect(done.returncode == 1 and "series[1].package_hash: published" in done.stdout,
           f"--check does not see that the series is another one: {done.stdout[:500]}{done.stderr}")
    verdicts = {pair["verdict"] for pair in json.loads((out / "results.json").read_text())["comparisons"]}
    expect("equivalent" in verdicts, f"nothing is equivalent within 50 N: {verdicts}")


def main():
    folder, analyze = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]).resolve()
    series = folder / "series"
    with tempfile.TemporaryDirectory() as name:
        work = pathlib.Path(name)
        published = check_threads(analyze, series, work)
        check_numbers(analyze, series, published, work)
        check_bad_input(analyze, series, published, work)
        check_conditions(analyze, series, work)
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
