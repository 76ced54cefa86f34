"""Whether the drawings and pages of rig/hardware agree with one another, with the programs and with arithmetic.

    python3 tests/rig/check_hardware.py ROOT NIPBENCH_CAPTURE NIPBENCH_ANALYZE

Prints each thing that is wrong and exits 1 when there is one.
"""
import csv
import math
import pathlib
import re
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as xml

SVG = "{http://www.w3.org/2000/svg}"
PAGES = ("README.md", "parts.md", "building.md", "commissioning.md")
FIXTURES = {"fixture.svg": "feeder", "fixture-end.svg": "end"}
SIGNALS = {"STEP", "DIRECTION", "ENABLE", "CONVERTER_CLOCK", "CONVERTER_DATA", "ENCODER_A", "ENCODER_B",
           "EMERGENCY_STOP", "LIMIT_SWITCH", "DRIVER_FAULT"}
# A face without serifs is about so wide for each millimetre of height, on average over such words.
TEXT_WIDTH = 0.52

wrong = []


def expect(good, sentence):
    if not good:
        wrong.append(sentence)


def is_number(word):
    return re.fullmatch(r"-?\d+(\.\d+)?", word) is not None


# ---- drawings ----

def check_drawn_again(folder):
    with tempfile.TemporaryDirectory() as again:
        done = subprocess.run([sys.executable, "-B", folder / "draw.py", again], capture_output=True, text=True, check=False)
        expect(done.returncode == 0, f"draw.py ended with {done.returncode}: {done.stderr}")
        drawn = {path.name for path in pathlib.Path(again).iterdir()}
        expect(drawn == {path.name for path in folder.glob("*.svg")}, f"draw.py draws {sorted(drawn)}")
        for name in drawn:
            same = (folder / name).is_file() and (folder / name).read_bytes() == pathlib.Path(again, name).read_bytes()
            expect(same, f"{name} is not what draw.py draws: run it")


def words_of(element):
    return "".join(element.itertext()).strip()


def check_alone(name, text, root):
    expect(root.find(SVG + "title") is not None and words_of(root.find(SVG + "title")), f"{name} has no title")
    expect(root.find(SVG + "desc") is not None and len(words_of(root.find(SVG + "desc"))) > 40, f"{name} has no description")
    sides = sorted(float(root.get(key).removesuffix("mm")) for key in ("width", "height"))
    expect(sides == [210, 297], f"{name} is no A4 sheet")
    allowed = {"svg", "title", "desc", "style", "rect", "path", "circle", "ellipse", "text", "g"}
    strange = {element.tag.removeprefix(SVG) for element in root.iter()} - allowed
    expect(not strange, f"{name} holds {sorted(strange)}")
    for element in root.iter():
        for key, value in element.attrib.items():
            expect("href" not in key and not key.startswith("on") and "url(" not in value, f"{name}: {key}={value}")
    style = words_of(root.find(SVG + "style"))
    expect("@" not in style and "url(" not in style and "http" not in text.replace("http://www.w3.org/2000/svg", ""),
           f"{name} refers to something outside itself")
    colours = set(re.findall(r"(?:fill|stroke): *([^;}\s]+)", style)) | set(re.findall(r'(?:fill|stroke)="([^"]+)"', text))
    expect(colours <= {"#000", "#fff", "none"}, f"{name} is not in black and white: {sorted(colours)}")
    widths = {float(width) for width in re.findall(r"stroke-width: ([\d.]+)", style)}
    expect({0.25, 0.5} <= widths, f"{name} does not have lines of 0.25 mm and 0.5 mm")
    sizes = [float(size) for size in re.findall(r"font-size: ([\d.]+)px", style)]
    # ISO 3098 measures capital letters, which in such faces are about 0.73 of the size of the type; 1.8 mm is its least.
    expect(sizes and min(sizes) * 0.73 >= 1.8, f"{name} has letters that are too small")


def check_within_frame(name, root):
    """Estimated from the number of letters, so it finds what runs out of the frame and not what touches a line."""
    width, height = (float(root.get(key).removesuffix("mm")) for key in ("width", "height"))
    style = words_of(root.find(SVG + "style"))
    size_of = dict(re.findall(r"\.(\w+) \{ font-size: ([\d.]+)px", style))
    for element in root.iter(SVG + "text"):
        size = float(size_of.get(element.get("class", ""), 3.4))
        long = TEXT_WIDTH * size * len(words_of(element))
        ahead = {"start": (0, long), "middle": (long / 2, long / 2), "end": (long, 0)}[element.get("text-anchor")]
        x, y = float(element.get("x")), float(element.get("y"))
        if element.get("transform"):
            left, right, top, bottom = x - size, x, y - ahead[1], y + ahead[0]
        else:
            left, right, top, bottom = x - ahead[0], x + ahead[1], y - size, y
        inside = left >= 20 and right <= width - 10 and top >= 10 and bottom <= height - 10
        expect(inside, f"{name}: '{words_of(element)}' runs out of the frame")


def check_dimensions(name, root, numbers):
    """Each dimension is as long as it says, at the scale that the title block states."""
    texts = [words_of(element) for element in root.iter(SVG + "text")]
    scales = [match[1] for match in (re.match(r"1:(\d+)\b", text) for text in texts) if match]
    expect(len(scales) == 1, f"{name} states {len(scales)} scales")
    scale = float(scales[0]) if scales else 1
    shown = set()
    for group in root.iter(SVG + "g"):
        identity = group.get("id", "")
        if not identity.startswith("dim-"):
            continue
        key = identity.split("-")[2]
        shown.add(key)
        stated = words_of(group.find(SVG + "text")).strip("()⌀")
        lines = [path for path in group.iter(SVG + "path") if "dimension-line" in path.get("class")]
        x1, y1, x2, y2 = (float(word) for word in re.findall(r"-?[\d.]+", lines[0].get("d")))
        drawn = math.hypot(x2 - x1, y2 - y1) * scale
        expect(abs(drawn - float(stated)) < 0.01, f"{name}: {key} says {stated} and is drawn {drawn:g} mm long")
        expect(key in numbers and stated == numbers[key]["value"], f"{name}: {key} is {stated} there, not in numbers.csv")
        expect(sum("solid" in path.get("class") for path in group.iter(SVG + "path")) == 2, f"{name}: {key} lacks an arrow")
    wanted = {key for key, row in numbers.items() if row["sheet"] in ("both", FIXTURES[name])}
    # A dimension of a part that both sheets show may stand in one of them.
    return shown, wanted


def check_drawings(folder, numbers):
    shown, wanted = set(), set()
    length = float(numbers["free_length"]["value"])
    buckling = f"buckles at {euler_n(1.75, length, 0.5):.0f} N with both ends held, {euler_n(1.75, length, 1):.0f} N with none"
    for path in sorted(folder.glob("*.svg")):
        text = path.read_text(encoding="utf-8")
        try:
            root = xml.fromstring(text)
        except xml.ParseError as error:
            expect(False, f"{path.name}: {error}")
            continue
        check_alone(path.name, text, root)
        check_within_frame(path.name, root)
        if path.name in FIXTURES:
            expect(buckling in text, f"{path.name} does not say that the filament {buckling}")
            there, asked = check_dimensions(path.name, root, numbers)
            shown, wanted = shown | there, wanted | asked
    expect(shown == wanted, f"dimensions without a number or numbers without a dimension: {sorted(shown ^ wanted)}")


def check_wiring(folder, numbers, firmware):
    root = xml.parse(folder / "wiring.svg").getroot()
    named = {words_of(element) for element in root.iter(SVG + "text") if element.get("class") == "signal"}
    expect(named == SIGNALS, f"wiring.svg: signals {sorted(named ^ SIGNALS)} are missing or too many")
    texts = " | ".join(words_of(element) for element in root.iter(SVG + "text"))
    for row in (row for row in numbers.values() if row["sheet"] == "wiring"):
        value = f"{row['value']} {row['unit']}"
        expect(value in texts, f"wiring.svg does not have {value}: {row['what']}")
    building = (folder / "building.md").read_text(encoding="utf-8")
    for name in SIGNALS:
        expect(name in building, f"building.md does not say where {name} goes")
        if firmware.is_file():
            expect(name in firmware.read_text(encoding="utf-8"), f"rig/firmware/README.md does not name {name}")


# ---- pages ----

def rows_of(page):
    """All rows of all tables as lists of cells."""
    for line in page.splitlines():
        if line.startswith("|"):
            yield [cell.strip() for cell in line.strip().strip("|").split("|")]


def check_tables(pages, numbers):
    stated = {}
    for page in pages.values():
        for cells in rows_of(page):
            if len(cells) > 1:
                stated.setdefault(cells[0], cells[1:])
    for key, row in numbers.items():
        what, value = row["what"], f"{row['value']} {row['unit']}"
        expect(what in stated and value in stated[what], f"no page has a row '{what} | {value}' ({key})")


def anchors_of(page):
    for head in re.findall(r"^#+ (.*)$", page, re.M):
        yield re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-")


def check_links(folder, pages, firmware):
    linked = set()
    for name, page in pages.items():
        for target in re.findall(r"\]\(([^)]+)\)", page):
            path, _, anchor = target.partition("#")
            there = (folder / path).resolve() if path else folder / name
            linked.add(there)
            expect(there.exists(), f"{name}: {target} leads nowhere")
            if anchor and there.is_file():
                expect(anchor in anchors_of(there.read_text(encoding="utf-8")), f"{name}: no heading for {target}")
    for path in [*folder.glob("*.svg"), *folder.glob("*.csv"), *(folder / name for name in PAGES if name != "README.md")]:
        expect(path.resolve() in linked, f"no page leads to {path.name}")


def euler_n(d_mm, length_mm, k):
    return math.pi**2 * 2500 * math.pi * d_mm**4 / 64 / (k * length_mm) ** 2


def worked(n):
    """Every worked number: (page, first cell of its row, place in the row) -> value, from formulas of our own."""
    limit, rated = n["force_limit"], n["cell_capacity"] * 9.80665
    area = math.pi * 1.75**2 / 4
    filament = 2500 * area / n["free_length"]
    cell = rated / 0.5
    post = 3 * 70000 * (50 * n["post_thickness"] ** 3 / 12) / n["axis_height"] ** 3
    hard = 1 / (1 / filament + 1 / cell + 1 / post)
    soft = 1 / (1 / hard + 1 / n["end_stiffness"])
    steps_mm = 4 * math.pi * 8 / 200
    counts = 10 / (5000 / 256) * 2**23
    noise = 90e-6 / 10 * rated
    creep = 0.7 * 1.05 / 3000 * rated
    cosine = 1 - math.cos(math.radians(1))
    pulley = 0.0015 * math.sqrt(2) * 4 / (n["pulley_diameter"] / 2)
    weight = 5 * 9.80665 * (1 - 1.2 / 8000)
    charge = 470e-6 * n["supply_voltage"] ** 2 / 2
    on_cell = limit + soft * 80 / 80 + 0.6 * 9.80665
    watts = 1.5**2 * 2 + 60 * 0.080 + 3
    wheel = math.pi * 16
    b, c = "building.md", "commissioning.md"
    table = {
        (b, "greatest force limit of a plan", 2): limit,
        (b, "overshoot of one sample at 80 mm/s and 80 Hz", 2): soft * 80 / 80,
        (b, "feeder's weight where it acts along the axis", 2): 0.6 * 9.80665,
        (b, "greatest force on the cell", 2): on_cell,
        (b, "rated load of 25 kg", 2): rated,
        (b, "signal at the rated load", 2): 10, (b, "input range of the converter", 2): 5000 / 256,
        (b, "counts at the rated load", 2): counts, (b, "counts for a newton", 2): counts / rated,
        (b, "one count", 2): rated / counts, (b, "noise, standard deviation", 2): noise,
        (b, "noise, peak to peak", 2): 6.6 * noise,
        (b, "bits without noise, over the rated load", 2): math.log2(rated / (6.6 * noise)),
        (b, "creep, class C3", 2): creep, (b, "axis off by 1 degree, at the force limit", 2): limit * cosine,
        (b, "force lost as the motor falls back 4 full steps, 8 mm gear, 200 steps", 2): soft * steps_mm,
        (b, "ripple of a gear 0.015 mm out of round", 2): soft * 0.015,
        (b, "ripple of a gear 0.015 mm out of round", 3): hard * 0.015,
        (b, "energy that springs back after a cut", 2): limit**2 / 2 / soft,
        (b, "energy that springs back after a cut", 3): limit**2 / 2 / hard,
        (b, "one turn of a wheel of 16 mm", 2): wheel, (b, "resolution, 2,500 lines, four edges each", 2): wheel / 10000,
        (b, "counts at 80 mm/s", 2): 80 / (wheel / 10000),
        (b, "counts in the 4 full steps of a stall, 0.503 mm", 2): steps_mm / (wheel / 10000),
        (b, "microsteps for a millimetre, 8 mm gear, 200 · 16", 2): 200 * 16 / (math.pi * 8),
        (b, "energy in C1, 470 µF at 24 V", 2): charge, (b, "it lasts, 10 W", 2): charge / 10 * 1000,
        (b, "feed in that time at 80 mm/s", 2): charge / 10 * 80,
        (b, "copper loss of the motor, 1.5 A peak, 2 Ω (example)", 2): 1.5**2 * 2, (b, "feed of 60 N at 80 mm/s",
                                                                                    2): 60 * 0.080,
        (b, "with 3 W for driver and iron (example)", 2): watts, (b, "current from 24 V", 2): watts / n["supply_voltage"],
        (b, "friction of the pulley, share of the load", 2): 100 * pulley, (b, "of 5 kg", 2): pulley * weight,
        (b, "cord off the push axis by 1 degree", 2): 100 * cosine,
        (c, "force of the weight", 2): weight, (c, "pulley, standard uncertainty", 2): pulley * weight / math.sqrt(3),
        (c, "creep, standard uncertainty", 2): creep / math.sqrt(3),
        (c, "weight, tolerance of 100 mg", 2): 1e-4 * 9.80665 / math.sqrt(3),
        (c, "may differ by", 2): 2 * math.hypot(pulley * weight / math.sqrt(3), creep / math.sqrt(3), 0.02),
    }
    for name, stiffness in (("filament, E A / L", filament), ("spring of the end", n["end_stiffness"]),
                            ("load cell, 0.5 mm at its rated load (example)", cell),
                            ("post, 3 E I / h³: aluminium 50 mm wide, 70 GPa", post), ("all with the spring", soft),
                            ("all without it (pin on the post)", hard)):
        table[b, name, 1], table[b, name, 2] = stiffness, limit / stiffness
    for speed, rate in ((5, 80), (20, 80), (20, 1000)):
        for place, stiffness in ((2, soft), (3, hard)):
            table[b, f"force between two samples, {speed} mm/s, {rate} Hz", place] = stiffness * speed / rate
    for d, length in ((1.75, 5), (1.75, 10), (1.75, 15), (1.75, 20), (1.75, 50), (2.85, 10), (2.85, 20)):
        for place, k in ((1, 0.5), (2, 0.6991556597), (3, 1)):
            table[b, f"{d} mm, {length} mm", place] = euler_n(d, length, k)
    # Sentences: page, the words in front of the number -> value.
    in_words = {
        (b, "the sum above is "): on_cell / limit,
        (b, "a cell that gives 0.5 mm at its rated load (example), a gap of "): 0.5 * 1.2,
        (b, "so the creep is "): 100 * creep / rated,
        (b, "here cell and post together "): 1 / (1 / cell + 1 / post),
        (b, "25 ms are 0.125 mm, with the spring "): 0.125 * soft,
        (b, "`travel_mm` must be more than gap + "): limit / soft,
        (b, "it yields, in 1.75 mm at "): 50 * area,
        (b, "A push that is cut springs back ("): limit**2 / 2 / soft,
        ("parts.md", "; the rig needs some "): watts / n["supply_voltage"],
        ("parts.md", "| 25 kg | "): rated,
        ("parts.md", "| 245 N: "): rated / limit,
        ("parts.md", "keeps a cut motor alive: "): charge / 10 * 1000,
        (c, "is at most the pulley's friction, "): 100 * pulley,
        (c, "of the load, and creep, 0.060 N: together "): pulley * 2 * weight + creep,
        (c, "Hang half of the force limit for 5 minutes, zero taken before | moves by at most "): creep,
        (c, "its greatest force is at most "): 20 + soft / 80,
        (c, "stiffness near "): soft,
        (c, "hang 2.5 kg on the cord: "): 2.5 * 9.80665,
        (c, "after 0.5 s and at most "): 2 * 0.5,
    }
    return table, in_words


def agrees(word, value):
    """The number is the value, rounded to the digits that it has."""
    digits = len(word.partition(".")[2])
    return abs(float(word) - value) <= 0.5 * 10**-digits * 1.0001


def check_arithmetic(pages, numbers):
    table, in_words = worked({key: float(row["value"]) for key, row in numbers.items()})
    cells = {}
    for name, page in pages.items():
        for row in rows_of(page):
            for place, cell in enumerate(row[1:], 1):
                cells.setdefault((name, row[0], place), []).append(cell)
    for (page, label, place), value in table.items():
        found = [cell.split()[0] for cell in cells.get((page, label, place), []) if cell and is_number(cell.split()[0])]
        expect(any(agrees(word, value) for word in found), f"{page}: '{label}' is {value:.6g}, and stands there as {found}")
    run_on = {name: re.sub(r"\s+", " ", page) for name, page in pages.items()}
    for (page, before), value in in_words.items():
        place = run_on[page].find(before)
        expect(place >= 0, f"{page} no longer says '{before}'")
        if place < 0:
            continue
        word = re.match(r"[\d.]*\d", run_on[page][place + len(before):])
        expect(word and agrees(word[0], value), f"{page}: '{before}' should go on with {value:.6g}")


# ---- what the pages tell people to type ----

def check_commands(pages, capture, analyze):
    helps = {}
    seen = set()
    for name, page in pages.items():
        for program, command, rest in re.findall(r"`nipbench-(capture|analyze) ([\w-]+)([^`]*)`", page):
            if (program, command) not in helps:
                path = capture if program == "capture" else analyze
                helps[program, command] = subprocess.run([path, command, "--help"], capture_output=True, text=True,
                                                         check=False)
            done = helps[program, command]
            seen.add((program, command))
            expect(done.returncode == 0, f"{name}: nipbench-{program} has no command {command}")
            for option in re.findall(r"--[\w-]+", rest):
                expect(re.search(re.escape(option) + r"(?![\w-])", done.stdout),
                       f"{name}: {program} {command} has no {option}")
    for wanted in ("ports", "identify", "watch", "weigh", "measure-feed", "run"):
        expect(("capture", wanted) in seen, f"the check list does not use nipbench-capture {wanted}")


CALIBRATION = """{"schema": "nipbench-calibration-1", "date": "2026-11-20T10:00:00Z", "origin": "stated", "rig_serial": "",
 "force": {"degree": 1, "coefficients": [12300.0, 3980.0], "covariance": [[10000.0, 0.0], [0.0, 1600.0]],
 "residual_sd_counts": 0.0, "degrees_of_freedom": null, "load_low_n": 0.0, "load_high_n": 200.0},
 "encoder": null, "feeds": []}"""


def check_plans(page, capture):
    """The plans of the check list are read by the program: it then fails at the port (4) and not at the plan (3)."""
    blocks = re.findall(r"(?:^    .*\n)+", page, re.M)
    free = next((re.sub(r"^    ", "", block, flags=re.M) for block in blocks if "nipbench_plan" in block), "")
    feeder = re.search(r"^ +- (\{name: first.*conditions.*)$", page, re.M)
    push = re.search(r"^ +- (\{test: blocked-push.*)$", page, re.M)
    limits = re.search(r"`limits: (\{[^`]*force_n: 20, travel_mm: 12[^`]*)`", re.sub(r"\s+", " ", page))
    expect(free and feeder and push and limits, "commissioning.md no longer holds its two plans")
    if not (free and feeder and push and limits):
        return
    pushed = re.sub(r"limits: .*", lambda _: "limits: " + limits[1], free)
    pushed = re.sub(r"- \{name: first.*", lambda _: "- " + feeder[1], pushed)
    pushed = re.sub(r"- \{test: .*", lambda _: "- " + push[1], pushed)
    with tempfile.TemporaryDirectory() as work:
        pathlib.Path(work, "calibration.json").write_text(CALIBRATION, encoding="utf-8")
        for name, plan, status in (("free", free, 4), ("push", pushed, 4), ("too far", free.replace("travel_mm: 80",
                                                                                                    "travel_mm: 120"), 3)):
            pathlib.Path(work, "plan.yaml").write_text(plan, encoding="utf-8")
            done = subprocess.run([capture, "run", "plan.yaml", "--port", pathlib.Path(work, "no-port"), "--out", "series",
                                   "--yes"],
                                  capture_output=True, text=True, cwd=work, check=False)
            expect(done.returncode == status, f"the plan '{name}' ends with {done.returncode}: {done.stderr}")
            if status == 3:
                expect("travel" in done.stderr, f"the plan that goes too far is refused for something else: {done.stderr}")


def check_steps(page):
    """Each numbered step of the check list has a place to be filled in, in its order."""
    steps = [int(row[0]) for row in rows_of(page) if row[0].isdigit()]
    expect(steps == list(range(1, len(steps) + 1)) and len(steps) > 20, f"steps are numbered {steps}")
    for row in rows_of(page):
        if row[0].isdigit():
            expect(len(row) == 4 and all(row[:3]), f"step {row[0]} does not say what to do and what must be seen")
    to_fill = page[page.index("## To fill in"):]
    cells = [cell for row in rows_of(to_fill) for cell in row]
    expect(sorted(int(cell.split()[0]) for cell in cells if re.match(r"\d+ ", cell)) == steps, "a step cannot be filled in")


def main():
    root, capture, analyze = (pathlib.Path(word).resolve() for word in sys.argv[1:4])
    folder = root / "rig/hardware"
    firmware = root / "rig/firmware/README.md"
    with open(folder / "numbers.csv", encoding="utf-8", newline="") as file:
        numbers = {row["key"]: row for row in csv.DictReader(file)}
    pages = {name: (folder / name).read_text(encoding="utf-8") for name in PAGES}
    check_drawn_again(folder)
    check_drawings(folder, numbers)
    check_wiring(folder, numbers, firmware)
    check_tables(pages, numbers)
    check_links(folder, pages, firmware)
    check_arithmetic(pages, numbers)
    check_commands(pages, capture, analyze)
    check_plans(pages["commissioning.md"], capture)
    check_steps(pages["commissioning.md"])
    for sentence in wrong:
        print(sentence)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
