"""hostile_series.py ANALYZE SERIES WORK: what nipbench-analyze makes of series that nobody should trust. Called by
hostile_series.sh. Every command runs in WORK/cwd with ten seconds; after each, everything in WORK but its own --out must be
as it was, byte for byte, and the canary must not be there. Exit status 1: something was not as it should be."""
import csv
import hashlib
import html.parser
import json
import os
import random
import re
import shutil
import subprocess
import sys
import time

import markdown_page

ANALYZE, SERIES, WORK = sys.argv[1:]
SECONDS_MAX = 10
# Of a build with AddressSanitizer, whose shadow and quarantine take most of it.
RESIDENT_KB_MAX = 1024 * 1024
CANARY = os.path.join(WORK, "canary")
CWD = os.path.join(WORK, "cwd")
OUT = os.path.join(WORK, "out")
SEED = int(os.environ.get("NIPBENCH_TEST_SEED", "20261128"))
random.seed(SEED)
failures = []
checks = 0
most_kb = 0


def expect(good, *words):
    global checks
    checks += 1
    if not good:
        failures.append(" ".join(str(word) for word in words))


def snapshot():
    """Every entry under WORK but OUT and the written output of commands: its kind and content."""
    seen = {}
    for folder, folders, files in os.walk(os.fsencode(WORK)):
        if folder == os.fsencode(WORK):
            folders[:] = [name for name in folders if name not in (b"out", b"said")]
        for name in folders + files:
            path = os.path.join(folder, name)
            if os.path.islink(path):
                seen[path] = b"-> " + os.readlink(path)
            elif os.path.isdir(path):
                seen[path] = b"folder"
            elif os.path.isfile(path) and os.path.getsize(path) > 2**30:
                seen[path] = b"%d bytes" % os.path.getsize(path)
            elif os.path.isfile(path):
                with open(path, "rb") as file:
                    seen[path] = hashlib.sha256(file.read()).digest()
            else:
                seen[path] = b"other"
    return seen


def run(name, *words):
    """Status, standard output and standard error of one command, which may leave nothing behind but in OUT."""
    before = snapshot()
    said = os.path.join(WORK, "said")
    os.makedirs(said, exist_ok=True)
    with open(said + "/out", "w+b") as out, open(said + "/err", "w+b") as err:
        start = time.monotonic()
        child = subprocess.Popen([os.fsencode(word) for word in (ANALYZE,) + words], cwd=CWD, stdin=subprocess.DEVNULL,
                                 stdout=out, stderr=err)
        while True:
            pid, status, used = os.wait4(child.pid, os.WNOHANG)
            if pid != 0:
                break
            if time.monotonic() - start > SECONDS_MAX:
                child.kill()
                os.wait4(child.pid, 0)
                expect(False, name, words[0], "was not done within", SECONDS_MAX, "s")
                return None, "", ""
            time.sleep(0.01)
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        told, complained = out.read(), err.read()
    global most_kb
    most_kb = max(most_kb, used.ru_maxrss)
    expect(used.ru_maxrss < RESIDENT_KB_MAX, name, words[0], "took", used.ru_maxrss, "kB")
    expect(not os.path.exists(CANARY), name, words[0], "ran what stood in a text")
    if os.path.exists(CANARY):
        os.remove(CANARY)
    after = snapshot()
    changed = [path for path in set(before) | set(after) if before.get(path) != after.get(path)]
    expect(not changed, name, words[0], "changed", changed[:3])
    for stream, data in (("standard output", told), ("standard error", complained)):
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            expect(False, name, words[0], stream, "is no UTF-8:", data[:300])
            text = data.decode("utf-8", "replace")
        expect(not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]", text), name, words[0], "control character on", stream, repr(text[:300]))
    return child.returncode, told.decode("utf-8", "replace"), complained.decode("utf-8", "replace")


def copy(name):
    folder = os.path.join(WORK, "cases", name)
    shutil.rmtree(os.fsencode(os.path.dirname(folder)), ignore_errors=True)
    os.makedirs(os.path.dirname(folder))
    shutil.copytree(SERIES, folder)
    return folder


def read(folder, name):
    with open(os.path.join(folder, name), "rb") as file:
        return file.read()


def write(folder, name, data):
    with open(os.path.join(folder, name), "wb") as file:
        file.write(data)


def edit_json(folder, name, change):
    tree = json.loads(read(folder, name))
    change(tree)
    write(folder, name, json.dumps(tree).encode())


def edit_resource(folder, which, **values):
    def change(tree):
        next(r for r in tree["resources"] if r["path"] == which).update(values)
    edit_json(folder, "datapackage.json", change)


def rehash(folder):
    """As a forger would: every size and hash is that of the file as it is now."""
    def change(tree):
        for r in tree["resources"]:
            data = read(folder, r["path"])
            r["bytes"] = len(data)
            r["hash"] = "sha256:" + hashlib.sha256(data).hexdigest()
    edit_json(folder, "datapackage.json", change)


def refused(name, folder, words, commands=("verify", "report", "compare"), lines=1):
    """Each command refuses the folder with status 3; verify says so in one finding or more, the others in one line (and for
    a line of a plan that line and a caret), and no report is begun. words: what all say, or a dict by command."""
    for command in commands:
        shutil.rmtree(OUT, ignore_errors=True)
        more = ("--out", OUT, "--no-figures") if command == "report" else ()
        status, _, err = run(name, command, folder, *more)
        said = err.splitlines()
        expect(status == 3, name, command, "status", status, err[:300])
        if command != "verify":
            expect(len(said) == lines, name, command, "said", len(said), "lines:", err[:500])
        wanted = words[command] if isinstance(words, dict) else words
        expect(wanted in err, name, command, "does not say", repr(wanted) + ":", err[:500])
        expect(said and said[0].startswith("nipbench-analyze: "), name, command, "does not say who speaks:", err[:200])
        expect(not os.path.exists(OUT) or not os.listdir(OUT), name, "a report was begun")


def one_byte():
    """Of each kind of file."""
    run1 = "runs/0001"
    for path, change, words in (
            (run1 + ".csv", lambda d: d[:-2] + bytes([d[-2] ^ 1]) + d[-1:], "does not match its hash"),
            (run1 + ".json", lambda d: d.replace(b'"block": 1', b'"block": 2', 1), "does not match its hash"),
            ("plan.yaml", lambda d: d.replace(b"To be spoilt", b"To be spoilT"), "does not match its hash"),
    ):
        folder = copy("byte")
        changed = change(read(folder, path))
        expect(changed != read(folder, path), path, "was not changed by the test")
        write(folder, path, changed)
        refused("one byte of " + path, folder, words)
    # A better calibration may take the place of the one that was recorded: verify finds it, the report says so.
    folder = copy("byte")
    write(folder, "calibration.json", read(folder, "calibration.json").replace(b"8", b"9", 1))
    refused("one byte of calibration.json", folder, "does not match its hash", commands=("verify",))
    status, _, err = run("one byte of calibration.json", "report", folder, "--out", OUT, "--no-figures")
    expect(status == 0, "one byte of calibration.json: report", status, err)
    with open(os.path.join(OUT, "report.html"), encoding="utf-8") as page:
        expect("calibration.json is not the one that the package lists" in page.read(), "the report is silent on it")
    shutil.rmtree(OUT)
    # Anywhere in a file. In the descriptor itself a text may change and all else is sound, but then it has another hash.
    folder = copy("byte")
    found = {}
    for path in (run1 + ".csv", run1 + ".json", "plan.yaml", "calibration.json", "datapackage.json"):
        good = read(folder, path)
        for _ in range(12):
            at = random.randrange(len(good))
            value = random.choice([b for b in range(256) if b != good[at]])
            write(folder, path, good[:at] + bytes([value]) + good[at + 1:])
            status, out, err = run(f"byte {at} of {path} is {value}", "verify", folder)
            expect(status == 3 or (path == "datapackage.json" and status == 0), "byte", at, "of", path, "is", value,
                   "status", status, out, err)
            found[path] = found.get(path, 0) + (status == 3)
        write(folder, path, good)
    status, out, _ = run("mended", "verify", folder)
    expect(status == 0 and out.startswith("The series is as it was published."), "mended again:", status, out)
    print("found of 12 bytes each:", found)


def paths():
    secret = os.path.join(WORK, "secret.csv")
    write(WORK, "secret.csv", b"SECRET\n")
    for path, words in (
            ("../secret.csv", "leads out of the folder"),
            ("runs/../../secret.csv", "leads out of the folder"),
            (secret, "is absolute"),
            ("/etc/passwd", "is absolute"),
            ("..\\secret.csv", "has a backslash"),
            ("runs\\..\\..\\secret.csv", "has a backslash"),
            ("file:///etc/passwd", "has a colon"),
            ("C:secret.csv", "has a colon"),
            ("runs/\x1b[2J\x07.csv", "has a control character"),
            ("runs/\u009b2J.csv", "has a control character"),
            ("runs/a\nb.csv", "has a control character"),
            ("runs/" + 300 * "a", "is too long"),
            ("", "is empty"),
    ):
        folder = copy("path")
        edit_resource(folder, "runs/0001.csv", path=path)
        refused("path " + repr(path), folder, words)
    # What only looks like a way out is the name of a file that is not there.
    for path in ("%2e%2e/secret.csv", "runs%5c..%5csecret.csv", "runs/0001.csv%00"):
        folder = copy("path")
        edit_resource(folder, "runs/0001.csv", path=path)
        refused("path " + path, folder, {"verify": "is missing", "report": "without runs/0001.csv",
                                         "compare": "without runs/0001.csv"})
    folder = copy("path")
    write(folder, "datapackage.json", read(folder, "datapackage.json").replace(b"runs/0001.csv", b"..\\u005csecret.csv"))
    refused("an encoded backslash", folder, "has a backslash")
    folder = copy("path")
    write(folder, "datapackage.json", read(folder, "datapackage.json").replace(b"runs/0001.csv", b"runs/0001.csv\\u0000"))
    refused("an encoded zero byte", folder, "not valid JSON")
    # Links, each to a file that is right in every byte.
    for path in ("runs/0001.csv", "runs/0001.json", "plan.yaml", "calibration.json", "datapackage.json", "runs"):
        folder = copy("link")
        outside = os.path.join(WORK, "outside")
        shutil.rmtree(outside, ignore_errors=True)
        os.makedirs(outside)
        shutil.move(os.path.join(folder, path), os.path.join(outside, "moved"))
        os.symlink(os.path.join(outside, "moved"), os.path.join(folder, path))
        refused("a link in place of " + path, folder, "is a link that leaves the folder")
    for target, words in (("/dev/zero", "is a link that leaves the folder"), ("0001.csv", "Too many levels")):
        folder = copy("link")
        os.remove(os.path.join(folder, "runs/0001.csv"))
        os.symlink(target, os.path.join(folder, "runs/0001.csv"))
        refused("a link to " + target, folder, words)
    folder = copy("link")
    os.remove(os.path.join(folder, "runs/0001.csv"))
    os.mkfifo(os.path.join(folder, "runs/0001.csv"))
    refused("a pipe", folder, "is not a regular file")


def hashes():
    for path in ("runs/0001.csv", "runs/0001.json", "plan.yaml"):
        for algorithm, prefix in (("md5", ""), ("md5", "md5:"), ("sha1", "sha1:"), ("sha512", "sha512:"),
                                  ("sha256", "SHA-256:"), ("sha256", "\x1b[31msha256:")):
            folder = copy("hash")
            edit_resource(folder, path, hash=prefix + hashlib.new(algorithm, read(folder, path)).hexdigest())
            refused(f"{prefix or 'bare'} {algorithm} of {path}", folder, "only sha256 is known")
        for size in (len(read(folder, path)) + 1, 0, 2**62):
            folder = copy("bytes")
            edit_resource(folder, path, bytes=size)
            refused(f"{size} bytes of {path}", folder, f"says {size}")
    folder = copy("bytes")
    edit_resource(folder, "runs/0001.csv", bytes=-1)
    refused("-1 bytes", folder, "bytes must be a whole number")
    # A file that is longer than any of a series, without a byte on the disk; the hash would take minutes.
    folder = copy("sparse")
    os.truncate(os.path.join(folder, "runs/0001.csv"), 64 * 2**30)
    edit_resource(folder, "runs/0001.csv", bytes=64 * 2**30)
    refused("64 GiB", folder, "bytes long; at most")
    os.remove(os.path.join(folder, "runs/0001.csv"))


def many():
    def add(count, filling):
        def change(tree):
            tree["resources"] += [{"name": f"r{i}", "path": f"runs/x{i}.csv", "bytes": 1, "hash": "sha256:" + 64 * "0",
                                   "title": filling} for i in range(count)]
        return change
    folder = copy("many")
    edit_json(folder, "datapackage.json", add(100_000, ""))
    refused("100,000 resources", folder, "resources are too many; at most 5000")
    folder = copy("many")
    edit_json(folder, "datapackage.json", add(100_000, 1000 * "x"))
    refused("100,000 long resources", folder, "bytes long; at most")
    folder = copy("many")
    edit_json(folder, "datapackage.json", add(4_900, ""))
    refused("4,900 resources that are not there", folder, {"verify": "is missing"}, commands=("verify",))
    folder = copy("many")
    write(folder, "datapackage.json", b'{"nipbench_series": 1, "resources": ' + 1_000_000 * b"[")
    refused("a million brackets", folder, "not valid JSON")


TOUCH = "touch " + CANARY
# What means something to a page, a shell, gnuplot, printf, a spreadsheet and a renderer of Markdown.
HOSTILE = [
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "</title></style><svg onload=alert(1)>", "&lt;b&gt;&#60;",
    f"`{TOUCH}`", f"$({TOUCH})", f"\";system(\"{TOUCH}\");\"", f"'.system('{TOUCH}').'", f"\\\";!{TOUCH}", "%s%n%99999d",
    "=HYPERLINK(1)", "@{^2}_x \\\\ {/Symbol a}", "a,\"b\",'c'", "]]>--><!--", "\u202egnp.exe", "é ÿ 漢",
    "# *a* _b_ ~~c~~ [d](http://e.org) ![f](g)", "1. x@y.org www.e.org http://e.org <a@b.co>", "a|b \\| ``` ` --- [^1] [x]: /y", "- [ ] +1 -2 > &amp; $z$"]


def yaml_text(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


class Page(html.parser.HTMLParser):
    """Elements and attributes of a page, and its text."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.elements, self.text = [], []

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def handle_data(self, data):
        self.text.append(data)


def spoil(folder, text):
    """Put a text wherever a series may hold one."""
    short = text.encode()[:32].decode("utf-8", "ignore")
    plan = read(folder, "plan.yaml").decode()
    plan = plan.replace("title: Two gears (simulated)", f"title: {yaml_text(text)}\nbench: {yaml_text(text)}\noperator: {yaml_text(text)}")
    plan = plan.replace("description: To be spoilt", "description: " + yaml_text(text))
    plan = plan.replace("A workshop (invented)", yaml_text(text)).replace("the small one", yaml_text(text))
    write(folder, "plan.yaml", plan.encode())

    def record(tree):
        tree.update({"rig_serial": short, "rig_firmware": short, "ended_why": text[:110], "x_note": text,
                     "events": [{"time_us": 5, "text": text[:110]}]})
        tree["conditions"]["filament_lot"] = short
    for name in os.listdir(os.path.join(folder, "runs")):
        if name.endswith(".json"):
            edit_json(folder, "runs/" + name, record)
    edit_json(folder, "calibration.json", lambda tree: tree.update({"rig_serial": short, "x_note": text}))
    edit_json(folder, "datapackage.json", lambda tree: tree.update({"title": text, "name": text, "description": text}))
    rehash(folder)


def markup(text, figures):
    name = "text " + text
    folder = copy("markup")
    spoil(folder, text)
    status, out, err = run(name, "verify", folder)
    expect(status == 0, name, "verify", status, err[:300])
    status, out, err = run(name, "compare", folder)
    expect(status in (0, 1), name, "compare", status, err[:300])
    shutil.rmtree(OUT, ignore_errors=True)
    status, out, err = run(name, "report", folder, "--out", OUT, "--format", "html,md", *([] if figures else ["--no-figures"]))
    expect(status == 0, name, "report", status, err[:300])
    if status != 0:
        return
    check_report(name, text)
    shutil.rmtree(OUT)


def check_report(name, text):
    page = Page()
    with open(os.path.join(OUT, "report.html"), encoding="utf-8") as file:
        source = file.read()
    page.feed(source)
    # What turns the direction of text, or hides in it, is shown as a question mark.
    shown = re.sub("[\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]", "?", text)
    expect(shown in re.sub(r"\?+", "?", "".join(page.text)) or shown in "".join(page.text), name,
           "the page does not show the title")
    expect(shown == text or "\u202e" not in source, name, "the page is turned around")
    for tag, attributes in page.elements:
        expect(tag not in ("script", "iframe", "object", "embed", "base", "link", "form"), name, "page has", tag)
        expect(not any(key.startswith("on") for key in attributes), name, "page has", tag, attributes)
        expect(tag != "img" or attributes.get("src", "").startswith("data:"), name, "page has", attributes)
    control = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
    expect(not control.search(source), name, "a control character in the page")
    with open(os.path.join(OUT, "results.json"), encoding="utf-8") as file:
        results = file.read()
    expect(not control.search(results), name, "a control character in results.json")
    expect(json.dumps(text)[1:-1] in results or json.dumps(text, ensure_ascii=False)[1:-1] in results, name,
           "results.json does not give the text")
    json.loads(results)
    markdown = os.path.join(OUT, "report.md")
    for finding in [*markdown_page.findings(markdown, shown), *markdown_page.lost(os.path.join(OUT, "report.html"), markdown)]:
        expect(False, name, "report.md", finding)
    with open(markdown, encoding="utf-8") as file:
        source = file.read()
    expect(not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e]", source), name, "a control character in report.md")
    with open(os.path.join(OUT, "results.csv"), encoding="utf-8-sig", newline="") as file:
        table = file.read()
    expect(not control.search(table.replace("\r\n", "\n")), name, "a control character in results.csv")
    rows = list(csv.reader(table.splitlines(True), strict=True))
    expect(len(rows) == 7 and len({len(row) for row in rows}) == 1, name, "results.csv has rows of unlike length")
    for row in rows:
        expect(not any(cell[:1] in "=@\t\r" and cell for cell in row), name, "a cell that a spreadsheet would work out:", row)
    figures = os.path.join(OUT, "figures")
    drawn = 0
    for script in sorted(os.listdir(figures)):
        if not script.endswith(".gp"):
            continue
        with open(os.path.join(figures, script), encoding="utf-8") as file:
            lines = file.read()
        expect("`" not in lines and "system" not in lines and not re.search(r"^\s*!", lines, re.M), name, script, "can run something")
        done = subprocess.run(["gnuplot", script], cwd=figures, capture_output=True, timeout=SECONDS_MAX)
        expect(done.returncode == 0, name, script, done.stderr[:200])
        drawn += 1
    expect(drawn > 0, name, "no figure was written")
    expect(not os.path.exists(CANARY), name, "a figure ran what stood in a text")


def control_characters():
    """In places where a text may stand, and in places where none is foreseen: refused, and shown without them."""
    def put(name, path, change, words, lines=1):
        folder = copy("control")
        change(folder)
        rehash(folder)
        refused(name, folder, words, lines=lines)
    run1 = "runs/0001.json"
    for bad in ("\x1b[31mred", "two\nlines", "\u009b31m", "\x07", "\x7f", "tab\there"):
        for key in ("ended_why", "rig_serial"):
            put(f"{key} {bad!r}", run1, lambda f: edit_json(f, run1, lambda t: t.update({key: bad})), "holds a control character")
        put(f"feeder {bad!r}", run1, lambda f: edit_json(f, run1, lambda t: t.update({"feeder": bad})), "feeder")
        put(f"key {bad!r}", run1, lambda f: edit_json(f, run1, lambda t: t.update({bad: 1})), "is no known key")
        put(f"time {bad!r}", run1, lambda f: edit_json(f, run1, lambda t: t.update({"start_time": bad})), "start_time")
        escaped = json.dumps(bad)
        put(f"title {bad!r}", "plan.yaml", lambda f: write(f, "plan.yaml", read(f, "plan.yaml").replace(
            b"Two gears (simulated)", escaped.encode())), "without control characters", lines=3)
        put(f"plan's key {bad!r}", "plan.yaml", lambda f: write(f, "plan.yaml", read(f, "plan.yaml").replace(
            b"licence:", escaped.encode() + b":")), "plan.yaml", lines=3)
    for bad in ("<script>alert(1)</script>", "`touch canary`", "$(touch canary)", "a b", "../x", "-x"):
        put(f"feeder {bad!r}", run1, lambda f: edit_json(f, run1, lambda t: t.update({"feeder": bad})), "feeder")
        put(f"feeder's name {bad!r}", "plan.yaml", lambda f: write(f, "plan.yaml", read(f, "plan.yaml").replace(
            b"name: gear-8mm", b"name: " + yaml_text(bad).encode())), "must be made of small letters", lines=3)
    folder = copy("control")
    write(folder, "runs/0001.csv", read(folder, "runs/0001.csv").replace(b"\n", b"\n\x1b[2J`" + TOUCH.encode() + b"`", 1))
    rehash(folder)
    refused("a row of text", folder, "0001.csv:2")
    folder = copy("control")
    write(folder, "datapackage.json", read(folder, "datapackage.json").replace(b'"simulated"', b'"simulat\xff\xfe\x1b[2J"', 1))
    refused("bytes that are no text", folder, "not valid JSON")


def folders():
    """The folder's own name, and that of the report."""
    # A file `ran` anywhere would show that it did: run() looks for what is new, and the loop into the report.
    name = "`touch ran`$(touch ran)\";system(\"touch ran\");'<script>x<script>%s"
    for series in (name, name + "\x1b[31m\n"):
        folder = copy("named")
        renamed = os.path.join(os.path.dirname(folder), series)
        os.rename(folder, renamed)
        for command, wanted in (("verify", (0,)), ("compare", (0, 1)), ("report", (0,))):
            shutil.rmtree(OUT, ignore_errors=True)
            out = os.path.join(OUT, name)
            if command == "report":
                os.makedirs(OUT)
            status, _, err = run("folder " + repr(series), command, renamed, *(("--out", out) if command == "report" else ()), *(("--format", "html,md") if command == "report" else ()))
            expect(status in wanted, "folder", repr(series), command, status, err[:300])
        expect(os.path.isfile(os.path.join(OUT, name, "report.html")), "no report in a folder of that name")
        expect(os.listdir(OUT) == [name], "beside the report there is", os.listdir(OUT))
        with open(os.path.join(OUT, name, "report.html"), encoding="utf-8") as file:
            page = file.read()
        for finding in markdown_page.findings(os.path.join(OUT, name, "report.md")):
            expect(False, "folder", repr(series), "report.md", finding)
        expect("<script" not in page and "\x1b" not in page, "the folder's name is markup in the page")
        expect("ran" not in os.listdir(os.path.join(OUT, name)) + os.listdir(os.path.join(OUT, name, "figures")), "it ran")
        expect(any(entry.endswith(".svg") for entry in os.listdir(os.path.join(OUT, name, "figures"))), "no figure was drawn")
        shutil.rmtree(OUT)
        shutil.rmtree(os.fsencode(os.path.dirname(folder)))


os.makedirs(CWD)
print("seed", SEED)
for part in (one_byte, paths, hashes, many, control_characters, folders):
    start = time.monotonic()
    part()
    print(f"{part.__name__}: {time.monotonic() - start:.1f} s")
start = time.monotonic()
for i, one in enumerate(HOSTILE):
    markup(one, i < 3)
markup(" ".join(HOSTILE)[:200], True)
print(f"markup: {time.monotonic() - start:.1f} s")
for failure in failures[:60]:
    print("FAILED", failure.encode("ascii", "backslashreplace").decode())
print(f"no command took more than {most_kb // 1024} MiB")
print(f"{checks} checks, {len(failures)} failed")
sys.exit(1 if failures or checks < 1000 else 0)
