"""What can be told of report.html without a browser: it is well formed, its ids are unique and what refers to them finds
them, nothing leads out of the page, every drawing has a name, a description and its data.

    python3 tests/browser/check_page.py REPORT_DIR...
    python3 tests/browser/check_page.py --self-test

Prints each fault and exits 1 when there is one. tests/browser/check_report.mjs sees more, and needs a browser.
"""
import html.parser
import pathlib
import re
import sys
import urllib.parse
import xml.etree.ElementTree

VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
REFERENCES = ("aria-labelledby", "aria-describedby", "aria-controls", "aria-details", "aria-owns", "headers", "for")
# What a page could run, frame, fetch or send.
BANNED = {"script", "iframe", "object", "embed", "base", "link", "form", "audio", "video"}
FETCHING = ("src", "srcset", "poster", "action", "formaction", "background", "ping", "data")


class Page(html.parser.HTMLParser):
    """Reads a page once; `faults` holds (check, sentence)."""

    def __init__(self, source):
        super().__init__(convert_charrefs=True)
        self.faults, self.open, self.ids = [], [], {}
        self.asked, self.headings, self.saved = [], [], {}
        self.language, self.title = "", None
        self.svg_start, self.drawings, self.starts = None, [], [0]
        self.source = source
        for line in source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.feed(source)
        self.close()
        self.finish()

    def say(self, check, *words):
        self.faults.append((check, " ".join(str(word) for word in words)))

    def place(self):
        line, column = self.getpos()
        return self.starts[line - 1] + column

    def handle_starttag(self, tag, attributes):
        self.element(tag, attributes)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.element(tag, attributes)
        if tag not in VOID and "svg" not in self.open:
            self.say("form", f"line {self.getpos()[0]}: <{tag}/> does not end itself in a page")

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open[-1] != tag:
            self.say("form", f"line {self.getpos()[0]}: </{tag}> where", f"<{self.open[-1]}>" if self.open else "nothing", "is open")
            if tag in self.open:
                while self.open.pop() != tag:
                    pass
        else:
            self.open.pop()
        if tag == "svg" and "svg" not in self.open and self.svg_start is not None:
            self.drawings.append(self.source[self.svg_start:self.place()] + "</svg>")
            self.svg_start = None

    def handle_data(self, data):
        if self.open and self.open[-1] == "title" and "svg" not in self.open:
            self.title = (self.title or "") + data
        if self.open and self.open[-1] == "style" and re.search(r"url\(\s*['\"]?(?!data:|#)|@import", data):
            self.say("outside", "the style sheet fetches something")

    def element(self, tag, attributes):
        given = dict(attributes)
        # An icon of no bytes keeps a browser from asking for one.
        icon = tag == "link" and given.get("rel") == "icon" and (given.get("href") or "").startswith("data:")
        if len(given) != len(attributes):
            self.say("form", f"line {self.getpos()[0]}: <{tag}> has an attribute twice")
        if (tag in BANNED and not icon) or any(key.startswith("on") for key in given):
            self.say("outside", f"line {self.getpos()[0]}: <{tag}> can do more than show something")
        if tag == "html":
            self.language = given.get("lang") or ""
        if "id" in given:
            if given["id"] in self.ids:
                self.say("ids", f"id {given['id']} stands twice")
            self.ids[given["id"]] = tag
        for name in REFERENCES:
            self.asked += [(f"<{tag}> {name}", one) for one in (given.get(name) or "").split()]
        for name, value in given.items():
            for one in re.findall(r"url\(\s*['\"]?#([^'\")]+)", value or ""):
                self.asked.append((f"<{tag}> {name}", one))
            if re.search(r"url\(\s*['\"]?(?!data:|#)", value or ""):
                self.say("outside", f"<{tag}> {name} fetches {value[:80]}")
            if name in FETCHING and not (value or "").startswith("data:"):
                self.say("outside", f"<{tag}> {name} fetches {(value or '')[:80]}")
        for name in ("href", "xlink:href"):
            where = given.get(name)
            if where is None:
                continue
            if where.startswith("#"):
                self.asked.append((f"<{tag}> {name}", urllib.parse.unquote(where[1:])))
            elif tag == "a" and where.startswith("data:text/csv") and given.get("download"):
                self.keep(given["download"], where)
            elif not icon:
                self.say("outside", f"<{tag}> {name} leads to {where[:80]}")
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "svg" and "svg" not in self.open:
            self.svg_start = self.place()
            if "figure" not in self.open:
                self.say("names", "a drawing is in no figure")

    def keep(self, name, address):
        if name in self.saved:
            self.say("data", f"two links save {name}")
        self.saved[name] = urllib.parse.unquote_to_bytes(address.partition(",")[2])

    def finish(self):
        for tag in self.open:
            self.say("form", f"<{tag}> is not closed")
        for where, one in self.asked:
            if one not in self.ids:
                self.say("references", f"{where} leads to #{one}, which is not there")
        level = 0
        for now in self.headings:
            if now > level + 1:
                self.say("headings", f"h{now} after h{level}")
            level = now
        if self.headings.count(1) != 1:
            self.say("headings", f"{self.headings.count(1)} h1")
        if not re.match("[a-z]{2}", self.language):
            self.say("language", "the page names no language")
        if not (self.title or "").strip():
            self.say("title", "the page has no title")
        names = set()
        for drawing in self.drawings:
            self.look(drawing, names)

    def look(self, source, names):
        try:
            root = xml.etree.ElementTree.fromstring(source)
        except xml.etree.ElementTree.ParseError as error:
            self.say("form", f"a drawing is not well formed: {error}")
            return
        texts = {e.get("id"): "".join(e.itertext()).strip() for e in root.iter() if e.get("id")}

        def told(attribute):
            return " ".join(filter(None, (texts.get(one, "") for one in (root.get(attribute) or "").split())))
        name = told("aria-labelledby")
        # The drawing's own <desc> is its description where no attribute names one.
        described = told("aria-describedby") or "".join("".join(e.itertext()) for e in root if e.tag.endswith("}desc")).strip()
        if root.get("role") != "img" or name == "":
            self.say("names", "a drawing has no name")
        elif described == "":
            self.say("names", f"'{name[:60]}' has no description")
        if name in names:
            self.say("names", f"two drawings are named '{name[:60]}'")
        names.add(name)


def check(folder):
    """Faults of one report's folder."""
    page = Page((folder / "report.html").read_text(encoding="utf-8"))
    drawn = {path.stem for path in (folder / "figures").glob("*.svg")}
    if len(page.drawings) != len(drawn):
        page.say("data", f"{len(page.drawings)} drawings are in the page, {len(drawn)} in figures/")
    for name in sorted(drawn):
        own = folder / "figures" / f"{name}.csv"
        if f"{name}.csv" not in page.saved:
            page.say("data", f"no link saves {name}.csv")
        elif page.saved[f"{name}.csv"] != own.read_bytes():
            page.say("data", f"the page's {name}.csv is another than that in figures/")
    for name in sorted(set(page.saved) - {f"{name}.csv" for name in drawn}):
        page.say("data", f"{name} is saved, of which there is no drawing")
    return page.faults


DATA = b"feed_mm,force_n\n1,2.385\n"
GOOD = f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8"/>
<title>A sound page</title>
<style>.ink{{fill:#111}}</style>
</head>
<body>
<h1>A sound page</h1>
<p id="first">To the <a href="#picture">picture</a>.</p>
<h2>Pictures</h2>
<figure id="picture">
<svg role="img" aria-labelledby="a-title" aria-describedby="a-desc" xmlns="http://www.w3.org/2000/svg"><title id="a-title">Force</title><desc id="a-desc">It rises.</desc><defs><circle id="a-dot" r="1"/></defs><use href="#a-dot"/></svg>
<p><a download="a.csv" href="data:text/csv;charset=utf-8,{urllib.parse.quote(DATA)}">Save</a></p>
</figure>
</body>
</html>
"""
# What is spoiled, the one check that must see it, and how.
SPOILED = [
    ("an element left open", "form", "</figure>", ""),
    ("elements that cross", "form", "<p id=\"first\">", "<p id=\"first\"><em><strong></em></strong>"),
    ("an attribute twice", "form", "<p id=\"first\">", "<p id=\"first\" class=\"a\" class=\"b\">"),
    ("a drawing that is not XML", "form", "r=\"1\"/>", "r=1/>"),
    ("an id twice", "ids", "<h2>", "<h2 id=\"first\">"),
    ("a link to nowhere", "references", "href=\"#picture\"", "href=\"#pictures\""),
    ("a mark to nowhere", "references", "href=\"#a-dot\"", "href=\"#a-dots\""),
    ("a description to nowhere", "references", "<p id=\"first\">", "<p id=\"first\" aria-describedby=\"gone\">"),
    ("a paint to nowhere", "references", "r=\"1\"", "r=\"1\" fill=\"url(#gone)\""),
    ("a picture from elsewhere", "outside", "<h2>", "<img alt=\"\" src=\"https://elsewhere.invalid/a.png\"/><h2>"),
    ("a link to elsewhere", "outside", "href=\"#picture\"", "href=\"https://elsewhere.invalid\""),
    ("a style from elsewhere", "outside", ".ink{", "@import 'a.css';.ink{"),
    ("a ground from elsewhere", "outside", "fill:#111", "background:url(a.png)"),
    ("a style sheet beside the page", "outside", "<style>", "<link rel=\"stylesheet\" href=\"data:text/css,a\"/><style>"),
    ("an icon from beside the page", "outside", "<style>", "<link rel=\"icon\" href=\"icon.png\"/><style>"),
    ("a script", "outside", "<h2>", "<script>1</script><h2>"),
    ("a handler", "outside", "<h2>", "<h2 onclick=\"x()\">"),
    ("a skipped heading", "headings", "<h2>Pictures</h2>", "<h3>Pictures</h3>"),
    ("no language", "language", " lang=\"en\"", ""),
    ("no title", "title", "<title>A sound page</title>", ""),
    ("no name", "names", " aria-labelledby=\"a-title\"", ""),
    ("no description", "names", "<desc id=\"a-desc\">It rises.", "<desc id=\"a-desc\">"),
    ("a drawing in no figure", "names", "figure", "section"),
    ("no data", "data", "download=\"a.csv\"", "download=\"b.csv\""),
    ("other data", "data", "2.385", "2.386"),
]


def self_test():
    import tempfile
    wrong = 0
    with tempfile.TemporaryDirectory() as work:
        folder = pathlib.Path(work)
        (folder / "figures").mkdir()
        (folder / "figures/a.svg").touch()
        (folder / "figures/a.csv").write_bytes(DATA)
        for what, expected, old, new in [("nothing", None, "", "")] + SPOILED:
            assert old in GOOD, what
            (folder / "report.html").write_text(GOOD.replace(old, new) if old else GOOD, encoding="utf-8")
            faults = check(folder)
            if {name for name, _ in faults} != ({expected} if expected else set()):
                wrong += 1
                print(f"WRONG: {what}: {faults} instead of {expected}")
    print(f"{len(SPOILED)} spoiled pages, {wrong} came out wrong")
    return wrong


def main():
    if sys.argv[1:] == ["--self-test"]:
        return self_test() > 0
    count = 0
    for word in sys.argv[1:]:
        if not pathlib.Path(word, "report.html").is_file():
            sys.exit(f"{word} has no report.html")
        faults = check(pathlib.Path(word))
        count += len(faults)
        for name, sentence in faults[:60]:
            print(f"{word}: {name}: {sentence}")
    return count > 0


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    sys.exit(main())
