"""What a renderer of Markdown makes of a report.md: markdown_page.findings(path, text) gives one sentence for everything
that is wrong with the page, where text is one that it must show; lost(page, path) what the report.html beside it says and it does not. As a program:
markdown_page.py REPORT.md..."""
import collections
import html.parser
import os
import re
import shutil
import subprocess
import sys

EXTENSIONS = ("footnotes", "table", "strikethrough", "autolink", "tasklist")
ELEMENTS = {"h1", "h2", "h3", "h4", "p", "ul", "ol", "li", "table", "thead", "tbody", "tr", "th", "td", "code", "pre", "a", "img",
            "blockquote", "strong"}


class Page(html.parser.HTMLParser):
    """Elements and attributes, headings, and the text of all."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.elements, self.text, self.headings, self.code = [], [], [], 0

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if re.fullmatch("h[1-6]", tag):
            self.headings.append("")
        if tag == "img":
            self.text.append(dict(attributes).get("alt", ""))

    def handle_data(self, data):
        self.text.append(data)
        if self.headings and self.lasttag in ("h1", "h2", "h3", "h4"):
            self.headings[-1] += data

    def handle_comment(self, data):
        self.elements.append(("comment", {}))

    def handle_decl(self, decl):
        self.elements.append(("declaration", {}))

    handle_pi = unknown_decl = handle_decl


def render(path):
    """The page as HTML, raw HTML and unsafe addresses let through, so that they would be seen."""
    if shutil.which("cmark-gfm") is None:
        sys.exit("cmark-gfm is missing; tests/run installs it")
    words = ["cmark-gfm", "--unsafe"] + [word for name in EXTENSIONS for word in ("-e", name)]
    return subprocess.run(words + [path], capture_output=True, check=True, encoding="utf-8", timeout=20).stdout


class Words(html.parser.HTMLParser):
    """The text of a report.html without what its page in Markdown leaves out, and without the headings in sections, which
    go where nothing is left under them, or the link that saves the data of a figure, which lie beside the page."""
    LEFT_OUT = {"head", "nav", "footer", "svg", "details", "h3"}
    INSIDE = {"var", "span", "strong", "code", "a"}  # a word may go on behind these

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.text = [], []

    def handle_starttag(self, tag, attributes):
        self.text.append("" if tag in self.INSIDE else " ")
        if tag not in ("br", "img", "meta"):
            told = dict(attributes)
            self.open.append(tag in self.LEFT_OUT or "download" in told or (tag == "section" and told.get("id") == "runs"))

    def handle_startendtag(self, tag, attributes):
        self.text.append(" ")

    def handle_endtag(self, tag):
        self.text.append("" if tag in self.INSIDE else " ")
        self.open.pop()

    def handle_data(self, data):
        if not any(self.open):
            self.text.append(data)


def words(text):
    return collections.Counter(re.findall(r"[^\W_]+", "".join(text)))


def lost(page, markdown):
    """What report.html says and report.md does not, as findings has it."""
    wanted = Words()
    with open(page, encoding="utf-8") as file:
        wanted.feed(file.read())
    shown = Page()
    shown.feed(render(markdown))
    less = words(wanted.text) - words(shown.text)
    if words(wanted.text).total() < 500:
        yield f"report.html has {words(wanted.text).total()} words only"
    if less:
        yield f"has lost {dict(less)}"


def anchors(headings):
    seen = {}
    for heading in headings:
        anchor = re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")
        seen[anchor] = seen.get(anchor, -1) + 1
        yield anchor if seen[anchor] == 0 else f"{anchor}-{seen[anchor]}"


def findings(path, text=None):
    page = Page()
    page.feed(render(path))
    page.close()
    folder = os.path.dirname(path)
    known = {"#" + anchor for anchor in anchors(page.headings)} | {"results.csv", "results.json"}
    known |= {"figures/" + name for name in os.listdir(os.path.join(folder, "figures")) if name.endswith(".csv")}
    for tag, attributes in page.elements:
        if tag not in ELEMENTS:
            yield f"has the element {tag} {attributes}"
        elif tag == "a" and attributes.get("href") not in known:
            yield f"leads to {attributes.get('href')}"
        elif tag == "img" and not os.path.isfile(os.path.join(folder, attributes["src"])):
            yield f"shows {attributes['src']}, which is not there"
        elif tag == "img" and len(attributes.get("alt", "")) < 20:
            yield f"does not describe {attributes['src']}"
        elif set(attributes) - {"href", "src", "alt", "align"}:
            yield f"has {tag} with {attributes}"
    if text is not None and re.sub(r"\s+", " ", text).strip() not in re.sub(r"\s+", " ", "".join(page.text)):
        yield "does not show the text"
    rows = [line for line in open(path, encoding="utf-8").read().splitlines() if line.startswith("| ")]
    shown = sum(tag == "tr" for tag, _ in page.elements)
    if shown != sum(not re.fullmatch(r"(\| -+:? )+\|", row) for row in rows):
        yield f"has {len(rows)} lines of tables and shows {shown} rows"


if __name__ == "__main__":
    failed = [f"{path}: {finding}" for path in sys.argv[1:] for finding in findings(path)]
    print("\n".join(failed))
    sys.exit(1 if failed or len(sys.argv) < 2 else 0)
