"""Reports for tests/browser/check.sh that the demo does not make, of the demo's series.

    python3 tests/browser/make_reports.py NIPBENCH_ANALYZE SERIES OUT

OUT/hostile: of a series whose texts are written for pages, shells and narrow columns; OUT/single: of one feeder alone;
OUT/bare: without figures. All data are simulated.
"""
import hashlib
import json
import pathlib
import re
import shutil
import subprocess
import sys

# What means something to a page, a drawing or a terminal, and words that no line of a phone can hold.
HOSTILE = " ".join([
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "</title></style><svg onload=alert(1)>", "&lt;b&gt;&#60;",
    "`touch x`", "$(touch x)", "\";system(\"touch x\");\"", "%s%n", "=HYPERLINK(1)", "@{^2}_x {/Symbol a}", "]]>--><!--",
    "javascript:alert(1)", "url(https://elsewhere.invalid/a.png)", "\u202egnp.exe", "é ÿ 漢"])
LONG = "W" * 110


def quoted(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def edit(path, change):
    tree = json.loads(path.read_text(encoding="utf-8"))
    change(tree)
    path.write_text(json.dumps(tree, ensure_ascii=False), encoding="utf-8")


def rehash(series):
    """Sizes and hashes of the files as they are now; what is no longer there is no longer listed."""
    def change(tree):
        tree["resources"] = [r for r in tree["resources"] if (series / r["path"]).exists()]
        for r in tree["resources"]:
            data = (series / r["path"]).read_bytes()
            r["bytes"] = len(data)
            r["hash"] = "sha256:" + hashlib.sha256(data).hexdigest()
    edit(series / "datapackage.json", change)


def hostile(series):
    """The texts of a plan, of its runs' records and of the package."""
    plan = series / "plan.yaml"
    text = plan.read_text(encoding="utf-8")
    for key, words in (("title", HOSTILE[:200]), ("bench", LONG), ("operator", HOSTILE[:110]), ("filament_lot", HOSTILE[:32]),
                       ("motor", LONG[:60]), ("blocked_end", HOSTILE[:60])):
        text, count = re.subn(rf"^( *){key}: .*$", lambda m: f"{m[1]}{key}: {quoted(words)}", text, count=1, flags=re.M)
        assert count == 1, key
    descriptions = iter([HOSTILE, LONG, HOSTILE[100:]])
    text = re.sub(r"^    description: .*$", lambda m: f"    description: {quoted(next(descriptions)[:200])}", text, flags=re.M)
    plan.write_text(text, encoding="utf-8")

    def record(tree):
        tree.update({"rig_serial": LONG[:32], "rig_firmware": HOSTILE[:32], "ended_why": HOSTILE[:110],
                     "events": [{"time_us": 5, "text": HOSTILE[:110]}]})
        for key, words in (("filament_lot", HOSTILE[:32]), ("motor", LONG[:60]), ("blocked_end", HOSTILE[:60])):
            tree["conditions"][key] = words
    for path in (series / "runs").glob("*.json"):
        edit(path, record)
    edit(series / "datapackage.json", lambda tree: tree.update({"title": HOSTILE, "description": HOSTILE}))


def single(series):
    """The runs of the first feeder alone."""
    first = json.loads((series / "runs/0001.json").read_text(encoding="utf-8"))["feeder"]
    for path in (series / "runs").glob("*.json"):
        if json.loads(path.read_text(encoding="utf-8"))["feeder"] != first:
            path.unlink()
            path.with_suffix(".csv").unlink()


def main(analyze, series, out):
    out = pathlib.Path(out)
    shutil.rmtree(out, ignore_errors=True)
    for name, change, words in (("hostile", hostile, []), ("single", single, []), ("bare", None, ["--no-figures"])):
        copy = out / name / "series"
        shutil.copytree(series, copy)
        if change:
            change(copy)
            rehash(copy)
        done = subprocess.run([analyze, "report", copy, "--out", out / name / "report", *words], capture_output=True, text=True)
        if done.returncode != 0:
            sys.exit(f"{name}: {done.stderr}")


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    main(*sys.argv[1:])
