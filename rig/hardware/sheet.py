"""A drawing sheet in SVG: one unit of it is one millimetre of paper.

Line widths 0.5 and 0.25 mm and the line types are those of ISO 128-2, dimension lines and arrows follow ISO 129-1,
lettering is 2.5 and 3.5 mm high (ISO 3098-1), and the title block has the fields of ISO 7200 without persons.
"""
import csv
import html
import math
import pathlib

HERE = pathlib.Path(__file__).resolve().parent
STYLE = """
  * { font-family: "DejaVu Sans", Arial, Helvetica, sans-serif }
  .outline { fill: #fff; stroke: #000; stroke-width: 0.5; stroke-linejoin: round }
  .wide { fill: none; stroke: #000; stroke-width: 0.5; stroke-linecap: round; stroke-linejoin: round }
  .narrow { fill: none; stroke: #000; stroke-width: 0.25 }
  .plain { fill: #fff; stroke: #000; stroke-width: 0.25 }
  .hidden { fill: none; stroke: #000; stroke-width: 0.25; stroke-dasharray: 2 1 }
  .centre { fill: none; stroke: #000; stroke-width: 0.25; stroke-dasharray: 6 1 0.5 1 }
  .beside { fill: none; stroke: #000; stroke-width: 0.25; stroke-dasharray: 5 1 0.5 1 0.5 1 }
  .solid { fill: #000; stroke: none }
  text { fill: #000; font-size: 3.4px }
  .small { font-size: 2.8px }
  .title { font-size: 4.8px }
  .halo { stroke: #fff; stroke-width: 0.9; paint-order: stroke; stroke-linejoin: round }
"""


def load_numbers():
    """The one source of every number in drawings and pages: key -> row of numbers.csv."""
    with open(HERE / "numbers.csv", encoding="utf-8", newline="") as file:
        return {row["key"]: row for row in csv.DictReader(file)}


def short(number):
    """A coordinate or a dimension without needless zeros."""
    return f"{number:.3f}".rstrip("0").rstrip(".") if round(number, 3) else "0"


class Sheet:
    def __init__(self, width, height, title, description):
        self.width, self.height = width, height
        self.title, self.description = title, description
        self.parts = []

    def add(self, part):
        self.parts.append(part)

    def path(self, points, style="wide", closed=False, extra=""):
        words = " L ".join(f"{short(x)} {short(y)}" for x, y in points)
        self.add(f'<path class="{style}" d="M {words}{" Z" if closed else ""}"{extra}/>')

    def line(self, x1, y1, x2, y2, style="wide"):
        self.path([(x1, y1), (x2, y2)], style)

    def box(self, x1, y1, x2, y2, style="outline"):
        self.path([(x1, y1), (x2, y1), (x2, y2), (x1, y2)], style, closed=True)

    def circle(self, x, y, radius, style="outline"):
        self.add(f'<circle class="{style}" cx="{short(x)}" cy="{short(y)}" r="{short(radius)}"/>')

    def text(self, x, y, words, style="", anchor="start", turn=0):
        turned = f' transform="rotate({turn} {short(x)} {short(y)})"' if turn else ""
        styled = f' class="{style}"' if style else ""
        self.add(f'<text{styled} x="{short(x)}" y="{short(y)}" text-anchor="{anchor}"{turned}>{html.escape(words)}</text>')

    def arrow(self, x, y, toward_x, toward_y):
        """A filled arrowhead with its tip at (x, y), coming from the other point."""
        long = math.hypot(x - toward_x, y - toward_y)
        ux, uy = (toward_x - x) / long, (toward_y - y) / long
        back = (x + 2.6 * ux, y + 2.6 * uy)
        self.path([(x, y), (back[0] - 0.45 * uy, back[1] + 0.45 * ux), (back[0] + 0.45 * uy, back[1] - 0.45 * ux)],
                  "solid", closed=True)

    def dimension(self, name, first, last, words, offset, upright=False, tail=None):
        """A dimension between two points of the paper, its line `offset` from the outer of them: along x, or
        `upright` along y. `tail`: -1 or 1 puts text and arrows of a short one outside, on that side."""
        self.add(f'<g id="{name}">')
        axis = 1 if upright else 0
        first, last = sorted((first, last), key=lambda point: point[axis])
        level = (max if offset > 0 else min)(first[1 - axis], last[1 - axis]) + offset
        place = (lambda along, across: (across, along)) if upright else (lambda along, across: (along, across))
        sign = 1 if offset > 0 else -1
        for point in (first, last):
            a, b = place(point[axis], point[1 - axis] + sign * 0.8), place(point[axis], level + sign * 1.6)
            self.line(*a, *b, "narrow")
        start, end = place(first[axis], level), place(last[axis], level)
        self.path([start, end], "narrow dimension-line")
        out = 0 if tail is None else 1
        length = last[axis] - first[axis]
        middle = (first[axis] + last[axis]) / 2
        self.arrow(*start, *place(first[axis] + (-5 if out else 5), level))
        self.arrow(*end, *place(last[axis] + (5 if out else -5), level))
        if out:
            reach = 1.9 * len(words) + 3.5
            before, after = (reach, 5) if tail < 0 else (5, reach)
            self.line(*place(first[axis] - before, level), *start, "narrow")
            self.line(*end, *place(last[axis] + after, level), "narrow")
            middle = first[axis] - before / 2 - 1 if tail < 0 else last[axis] + after / 2 + 1
        assert out or length > 1.9 * len(words) + 2, f"{name} is too short for its text"
        if upright:
            self.text(level - 0.9, middle, words, "halo", "middle", -90)
        else:
            self.text(middle, level - 0.9, words, "halo", "middle")
        self.add("</g>")

    def item(self, number, at, place):
        """Item number in a circle with a leader that ends in a dot on the part (ISO 128-2, ISO 6433)."""
        long = math.hypot(at[0] - place[0], at[1] - place[1])
        edge = (place[0] + 2.9 * (at[0] - place[0]) / long, place[1] + 2.9 * (at[1] - place[1]) / long)
        self.line(*edge, *at, "narrow")
        self.circle(*at, 0.5, "solid")
        self.circle(*place, 2.9, "plain")
        self.text(place[0], place[1] + 1.2, str(number), "", "middle")

    def title_block(self, kind, name, number, scale, sheet_of, notes=()):
        """Bottom right, 180 mm wide and 26 mm high."""
        right, bottom = self.width - 10, self.height - 10
        left, top = right - 180, bottom - 26
        self.box(left, top, right, bottom)
        self.line(left + 62, top, left + 62, bottom, "narrow")
        self.line(left + 138, top, left + 138, bottom, "narrow")
        self.line(left + 62, top + 13, right, top + 13, "narrow")
        for x, y, head, words in ((0, 0, "Legal owner", "nipbench, GPL-3.0-or-later"),
                                  (62, 0, "Document type", kind), (138, 0, "Drawing number", number),
                                  (62, 13, "Title", name), (138, 13, "Scale / sheet", f"{scale}   {sheet_of}")):
            self.text(left + x + 1.5, top + y + 4, head, "small")
            self.text(left + x + 1.5, top + y + 10, words)
        for i, note in enumerate(notes):
            self.text(left + 1.5, top + 15.5 + 4 * i, note, "small")

    def frame(self):
        self.box(20, 10, self.width - 10, self.height - 10, "wide")

    def svg(self):
        body = "\n".join(self.parts)
        return (f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width}mm" height="{self.height}mm" '
                f'viewBox="0 0 {self.width} {self.height}" role="img" aria-labelledby="title desc">\n'
                f'<title id="title">{html.escape(self.title)}</title>\n'
                f'<desc id="desc">{html.escape(self.description)}</desc>\n'
                f"<style>{STYLE}</style>\n"
                f'<rect width="{self.width}" height="{self.height}" fill="#fff"/>\n{body}\n</svg>\n')
