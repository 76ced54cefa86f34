"""Hostile texts through the escaping of Markdown and through a renderer: each must come out letter by letter, and nothing
of it may become an element.

    check_md_text.py MD_TEXT_LINES      NIPBENCH_TEST_SEED chooses the random texts
"""
import html.parser
import os
import random
import re
import shutil
import subprocess
import sys

RENDER = ["cmark-gfm", "--unsafe"] + [word for name in ("footnotes", "table", "strikethrough", "autolink", "tasklist")
                                                     for word in ("-e", name)]
# One of each thing that the specifications give a meaning, where it has it.
PIECES = [
    "*", "**", "_", "__", "`", "``", "```", "~", "~~", "~~~", "\\", "\\\\", "|", "\\|", "||", "#", "## ", " #", "-", "- ", "+ ", "= ",
    "---", "===", "***", ":---:", "1.", "1. ", "12) ", "> ", "    ", "  ", "[ ] ", "[x] ", "[", "]", "(", ")", "!", "![", "](x)", "[a](http://e.org)",
    "![i](x.png)", "[^1]", "[^1]: n", "[a]: /u", "<", ">", "<b>", "</b>", "<script>alert(1)</script>", "<!--", "-->", "<?x?>", "<![CDATA[",
    "<a@b.co>", "<http://e.org>", "&", "&amp;", "&#42;", "&copy;", "&lt;b&gt;", "www.", "www.e.org", "WWW.e.org", "http", "://", "http://e.org",
    "HTTPS://e.org/a_b_c", "ftp://e.org", "mailto:", "mailto:a@b.co", "xmpp:a@b.co/x", "a@b.co", "a.b-c_d+e@b.co", "@", "a", "Z", "7", "42",
    ".", ":", ",", ";", "'", "\"", "$x$", "$$", "^", "{x}", "%s", "/", "é", "漢", "\u00a0", "\u3000", "±", "\t", " ", " ", "word"]


class Page(html.parser.HTMLParser):
    """Elements and text of what stands between two rules, part by part."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.parts = [([], [])]

    def handle_starttag(self, tag, attributes):
        if tag == "hr":
            self.parts.append(([], []))
        else:
            self.parts[-1][0].append(tag)
            if tag == "img":
                self.parts[-1][1].append(dict(attributes)["alt"])

    def handle_data(self, data):
        self.parts[-1][1].append(data)

    def handle_comment(self, data):
        self.parts[-1][0].append("comment")

    def handle_decl(self, decl):
        self.parts[-1][0].append("declaration")

    unknown_decl = handle_pi = handle_decl


# What each kind of text stands in, and the text around it.
KINDS = [("a paragraph", ["p"], "{}"), ("an item", ["ul", "li"], "{}"), ("a heading", ["h2"], "{}"),
         ("a cell", ["table", "thead", "tr", "th", "th", "tbody", "tr", "td", "td"], "head other {} 1"), ("a picture", ["p", "img"], "{}"),
         ("a code span", ["p", "code"], "x {}"), ("a block of code", ["pre", "code"], "{}")]


def blanks(text):
    return re.sub("[ \t\r\n\f]+", " ", text).strip(" ")


def main():
    if shutil.which(RENDER[0]) is None:
        sys.exit(f"{RENDER[0]} is missing; tests/run installs it")
    seed = int(os.environ.get("NIPBENCH_TEST_SEED", "20261129"))
    print("seed", seed)
    chosen = random.Random(seed)
    texts = list(PIECES) + [a + b for a in PIECES for b in PIECES[::7]]
    texts += ["".join(chosen.choices(PIECES, k=chosen.randint(2, 7))) for _ in range(3000)]
    texts = [text for text in texts if blanks(text)]
    markdown = subprocess.run([sys.argv[1]], input="\n".join(texts) + "\n", capture_output=True, check=True, encoding="utf-8").stdout
    page = Page()
    page.feed(subprocess.run(RENDER, input=markdown, capture_output=True, check=True, encoding="utf-8").stdout)
    page.close()
    failed = 0
    if len(page.parts) != len(texts) * len(KINDS) + 1:
        sys.exit(f"{len(page.parts)} parts, not {len(texts) * len(KINDS) + 1}: a rule was swallowed or made")
    for i, (elements, shown) in enumerate(page.parts[:-1]):
        text, (kind, wanted, around) = texts[i // len(KINDS)], KINDS[i % len(KINDS)]
        # A mail address is taken apart by code around its @; a code span that is meant is there already.
        active = [tag for tag in elements if tag != "code" or "code" in wanted]
        said, ought = blanks("".join(shown)), blanks(around.format(blanks(text)))
        if (active, said) != (wanted, ought):
            failed += 1
            if failed < 20:
                print(f"FAILED {text!r} in {kind}: {said!r} in {elements}, wanted {ought!r}")
    print(f"{len(texts)} texts in {len(KINDS)} places, {failed} failed")
    sys.exit(1 if failed or len(texts) < 3000 else 0)


if __name__ == "__main__":
    main()
