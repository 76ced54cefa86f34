"""The fixture, one sheet for each seat of the load cell: fixture.svg (it carries the feeder), fixture-end.svg (it carries
the end). Everything that is drawn follows from numbers.csv; what has no key there is not critical and has no dimension."""
import math

from sheet import Sheet, load_numbers, short

SCALE = 2  # a millimetre of paper shows two


class View:
    """One view: model millimetres to paper. `up` is z in the view from the side, y in the view from above."""

    def __init__(self, sheet, name, x0, y0):
        self.sheet, self.name, self.x0, self.y0 = sheet, name, x0, y0

    def at(self, x, up):
        return self.x0 + x / SCALE, self.y0 - up / SCALE

    def box(self, x1, up1, x2, up2, style="outline"):
        self.sheet.box(*self.at(x1, up1), *self.at(x2, up2), style)

    def line(self, x1, up1, x2, up2, style="wide"):
        self.sheet.line(*self.at(x1, up1), *self.at(x2, up2), style)

    def path(self, points, style="outline", closed=False):
        self.sheet.path([self.at(*point) for point in points], style, closed)

    def circle(self, x, up, diameter, style="outline"):
        self.sheet.circle(*self.at(x, up), diameter / 2 / SCALE, style)

    def item(self, number, at, place):
        self.sheet.item(number, self.at(*at), self.at(*place))


class Fixture:
    def __init__(self, seat):
        self.seat = seat
        self.rows = load_numbers()
        self.n = {key: float(row["value"]) for key, row in self.rows.items()}
        n = self.n
        at_feeder = seat == "feeder"
        self.sheet = Sheet(210, 297, f"Fixture, load cell carries the {seat}",
                           "Dimensioned drawing in millimetres, scale 1:2, view from the side and from above: base plate, load "
                           "cell, feeder carrier, blocked end, guard, filament, encoder, pulley and hanging weight.")
        left = 41 if at_feeder else 39
        self.side = View(self.sheet, "side", left, 104)
        self.top = View(self.sheet, "top", left, 211 - n["axis_from_front"] / SCALE)
        # Places along the push axis; x = 0 is the left edge of the base plate, z = 0 its top, y = 0 the push axis.
        self.carrier = n["plate_from_edge"]
        self.nip = self.carrier + n["nip_from_plate"]
        self.tip = self.nip + n["free_length"]
        self.face = self.nip + n["end_from_nip"]
        back = self.carrier - n["plate_thickness"] if at_feeder else self.face + n["plate_thickness"]
        self.away = -1 if at_feeder else 1  # from the plate to the load cell: the way in which the push loads it
        self.bar = back + self.away * n["spacer"]
        self.bar_far = self.bar + self.away * n["cell_height"]
        self.foot = self.bar_far + self.away * n["spacer"]
        self.plate_back = back
        self.pulley = -5 if at_feeder else n["base_length"] + 5

    def dim(self, view, key, first, last, offset, upright=False, tail=None, reference=False):
        words = short(self.n[key])
        words = "⌀" + words if "diameter" in key else words
        words = f"({words})" if reference else words
        self.sheet.dimension(f"dim-{view.name}-{key}", view.at(*first), view.at(*last), words, offset, upright, tail)

    def load_cell_side(self):
        v, n, w = self.side, self.n, self.away
        low, high = n["cell_clearance"], n["cell_clearance"] + n["cell_length"]
        v.path([(self.foot, 0), (self.foot, 42), (self.foot + w * 14, 42), (self.foot + w * 14, 14), (self.foot + w * 34, 10),
                (self.foot + w * 34, 0)], closed=True)
        v.box(self.bar_far, 10, self.foot, 38)
        v.box(self.bar, low, self.bar_far, high)
        v.box(self.plate_back, high - 28, self.bar, high)
        middle = (self.bar + self.bar_far) / 2
        for z in (low + 53, high - 53):  # the two joined holes that make a parallel guide of the bar
            v.circle(middle, z, 15, "narrow")
        v.line(middle, low + 53, middle, high - 53, "narrow")
        # overload stop: a screw in an arm of the foot, its gap set with a feeler gauge
        stop = self.foot + w * 6
        v.path([(self.foot + w * 2, 42), (self.foot + w * 2, 112), (self.foot + w * 12, 112), (self.foot + w * 12, 42)],
               closed=True)
        v.box(self.bar_far + w * 1, 102, stop, 108)
        for z in (24, high - 14):
            v.line(self.plate_back - w * 12 if z > 60 else self.bar - w * 4, z, self.foot + w * 18, z, "centre")

    def plate_side(self, x1, x2):
        self.side.box(x1, 30, x2, 135)

    def feeder_side(self):
        v, n = self.side, self.n
        axis = n["axis_height"]
        v.box(self.carrier, 38, self.carrier + 62, 104)
        v.box(self.nip - 21, axis - 4 - 21, self.nip + 21, axis - 4 + 21, "hidden")
        v.path([(self.nip + 2, axis + 24), (self.nip + 18, axis + 24), (self.nip + 18, axis + 30),
               (self.nip - 8, axis + 30)], closed=True)
        v.line(self.nip, axis + 5, self.nip, axis + 26, "wide")
        v.circle(self.nip, axis - 4.9, 8)
        v.circle(self.nip, axis + 4.9, 8)
        v.circle(self.nip - 22, axis + 8.9, 16)
        v.circle(self.nip - 22, axis + 8.9, 3, "narrow")

    def end_side(self):
        v, n = self.side, self.n
        axis, r = n["axis_height"], n["pin_diameter"] / 2
        beyond = n["post_thickness"] if self.seat == "feeder" else n["plate_thickness"]
        v.box(self.tip, axis - r, self.face + beyond + 3, axis + r)
        v.box(self.tip + 14, axis - 8, self.tip + 18, axis + 8)
        turns = 6
        start, pitch = self.tip + 18, (self.face - self.tip - 18) / turns
        for i in range(turns):
            v.line(start + i * pitch, axis - 7, start + (i + 0.5) * pitch, axis + 7)
            v.line(start + (i + 0.5) * pitch, axis + 7, start + (i + 1) * pitch, axis - 7)
        return beyond

    def bodies_side(self):
        v, n = self.side, self.n
        axis = n["axis_height"]
        v.box(0, -n["base_thickness"], n["base_length"], 0)
        self.load_cell_side()
        self.plate_side(min(self.plate_back, self.plate_back - self.away * n["plate_thickness"]),
                        max(self.plate_back, self.plate_back - self.away * n["plate_thickness"]))
        if self.seat == "feeder":
            v.path([(self.face, 0), (self.face, 100), (self.face + n["post_thickness"], 100),
                    (self.face + n["post_thickness"], 34),
                    (self.face + 44, 10), (self.face + 44, 0)], closed=True)
        else:
            edge = self.carrier - n["plate_thickness"]
            v.path([(edge, 0), (edge, 110), (edge - 12, 110), (edge - 12, 34), (edge - 44, 10), (edge - 44, 0)], closed=True)
            self.plate_side(edge, self.carrier)
        self.feeder_side()
        beyond = self.end_side()
        v.box(self.face, axis - 12, self.face + beyond, axis + 12)
        v.box(self.nip - n["guard_length"] / 2 + 6, 0, self.nip + n["guard_length"] / 2 + 6, 116, "beside")
        v.line(16 if self.seat == "feeder" else -20, axis, self.tip + 3, axis, "wide")

    def calibration(self):
        """Pulley, cord and weight: drawn as a neighbouring part, since they are there for calibration only."""
        v, n = self.side, self.n
        axis, radius = n["axis_height"], n["pulley_diameter"] / 2
        out = self.pulley + self.away * radius
        hook = self.plate_back
        edge = 0 if self.away < 0 else n["base_length"]
        hub, inner = axis - radius, edge - self.away * 8
        v.path([(edge, 0), (edge, hub - 12), (self.pulley + self.away * 5, hub - 5), (self.pulley + self.away * 5, hub + 5),
                (self.pulley - self.away * 5, hub + 5), (inner, hub - 5), (inner, 0)], closed=True)
        v.circle(self.pulley, axis - radius, n["pulley_diameter"], "beside")
        v.circle(self.pulley, axis - radius, 6, "plain")
        v.line(hook if self.away > 0 else 16, axis, self.pulley, axis, "beside")
        v.line(out, axis - radius, out, -44, "beside")
        v.box(out - 11, -70, out + 11, -44, "beside")
        t = self.top
        t.box(edge, -12, edge - self.away * 8, 12)
        t.box(self.pulley - radius, -4, self.pulley + radius, 4, "beside")
        t.line(hook if self.away > 0 else 16, 0, self.pulley, 0, "beside")

    def bodies_top(self):
        t, n = self.top, self.n
        front, offset, half = -n["axis_from_front"], n["cell_offset"], n["cell_width"] / 2
        t.box(0, front, n["base_length"], front + n["base_width"])
        for x in (12, n["base_length"] - 12):
            for y in (front + 12, front + n["base_width"] - 12):
                t.circle(x, y, 7)
        far = self.foot + self.away * 34
        t.box(self.foot, offset - 22, far, offset + 22)
        t.line(self.foot + self.away * 14, offset - 22, self.foot + self.away * 14, offset + 22)
        t.box(self.bar_far, offset - half, self.foot, offset + half)
        t.box(self.bar, offset - half, self.bar_far, offset + half)
        t.box(self.plate_back, offset - half, self.bar, offset + half)
        t.box(self.plate_back, -22, self.plate_back - self.away * n["plate_thickness"], offset + 18)
        if self.seat == "feeder":
            t.box(self.face, -25, self.face + 44, 25)
            t.line(self.face + n["post_thickness"], -25, self.face + n["post_thickness"], 25)
        else:
            edge = self.carrier - n["plate_thickness"]
            t.box(edge - 44, -22, edge, offset + 18)
            t.line(edge - 12, -22, edge - 12, offset + 18)
            t.box(edge, -22, self.carrier, offset + 18)
        t.box(self.carrier, 15, self.carrier + 62, 21)
        t.box(self.nip - 21, 21, self.nip + 21, 61)
        t.box(self.nip - 3, -6, self.nip + 3, 15)
        t.box(self.nip - 6, -4, self.nip + 6, 4)
        t.box(self.nip - 30, -3, self.nip - 14, 3)
        t.box(self.nip - 24, 3, self.nip - 20, 15)
        beyond = n["post_thickness"] if self.seat == "feeder" else n["plate_thickness"]
        r = n["pin_diameter"] / 2
        t.box(self.tip, -r, self.face, r)
        t.box(self.tip + 14, -8, self.tip + 18, 8)
        t.box(self.face + beyond, -r, self.face + beyond + 3, r)
        t.box(self.nip - n["guard_length"] / 2 + 6, -34, self.nip + n["guard_length"] / 2 + 6, 12, "beside")
        t.line(16 if self.seat == "feeder" else -20, 0, self.nip - 30, 0, "wide")

    def axes(self):
        n = self.n
        right = n["base_length"] + (30 if self.away > 0 else 12)
        self.side.line(-34 if self.away < 0 else -24, n["axis_height"], right, n["axis_height"], "centre")
        self.top.line(-34 if self.away < 0 else -24, 0, right, 0, "centre")
        x = self.bar if self.away > 0 else self.bar_far
        self.top.line(x - 12, n["cell_offset"], x + n["cell_height"] + 12, n["cell_offset"], "centre")
        self.side.line(self.nip, n["axis_height"] - 14, self.nip, n["axis_height"] + 14, "centre")

    def dimensions(self):
        n, v, t = self.n, self.side, self.top
        base = -n["base_thickness"]
        axis, length, right = n["axis_height"], n["base_length"], n["base_length"]
        deep = (0, base)
        level = lambda x: (x, base)
        self.dim(v, "plate_from_edge", deep, level(self.carrier), 8)
        self.dim(v, "nip_from_plate", level(self.carrier), level(self.nip), 8)
        self.dim(v, "free_length", level(self.nip), level(self.tip), 8, tail=1)
        self.dim(v, "end_from_nip", level(self.nip), level(self.face), 15)
        self.dim(v, "base_length", deep, level(length), 22)
        self.dim(v, "guard_length", (self.nip - n["guard_length"] / 2 + 6, 116), (self.nip + n["guard_length"] / 2 + 6,
                                                                                  116), -15)
        low, high = n["cell_clearance"], n["cell_clearance"] + n["cell_length"]
        near, far = sorted((self.bar, self.bar_far))
        self.dim(v, "cell_height", (near, high), (far, high), -11, tail=self.away, reference=True)
        self.dim(v, "spacer", *sorted(((self.plate_back, high), (self.bar, high))), -5, tail=self.away)
        plate = sorted((self.plate_back, self.plate_back - self.away * n["plate_thickness"]))
        self.dim(t, "plate_thickness", (plate[0], -22), (plate[1], -22), 10, tail=-self.away)
        if self.seat == "feeder":
            self.dim(v, "axis_height", (right, 0), (right - 20, axis), 8, upright=True)
            self.dim(v, "base_thickness", (right, base), (right, 0), 8, upright=True, tail=1)
            self.dim(v, "post_thickness", (self.face, 100), (self.face + n["post_thickness"], 100), -7, tail=1)
            self.dim(v, "cell_length", (self.foot, low), (self.foot, high), -15, upright=True, reference=True)
            self.dim(v, "cell_clearance", (self.foot - 34, 0), (self.foot - 34, low), -3.5, upright=True, tail=-1)
            self.dim(v, "pin_diameter", (self.face + n["post_thickness"] + 3, axis - 4),
                     (self.face + n["post_thickness"] + 3, axis + 4), 8, upright=True, tail=-1)
        else:
            self.dim(v, "axis_height", (0, 0), (10, axis), -8, upright=True)
            self.dim(v, "base_thickness", (0, base), (0, 0), -8, upright=True, tail=1)
            self.dim(v, "cell_length", (self.foot, low), (self.foot, high), 15, upright=True, reference=True)
        f = -n["axis_from_front"]
        x = right if self.seat == "feeder" else 0
        s = 1 if self.seat == "feeder" else -1
        self.dim(t, "axis_from_front", (x, f), (x, 0), 7 * s, upright=True)
        self.dim(t, "base_width", (x, f), (x, f + n["base_width"]), 14 * s, upright=True)
        outer = self.foot + self.away * 34
        c, h = n["cell_offset"], n["cell_width"] / 2
        self.dim(t, "cell_offset", (outer, 0), (outer, c), self.away * (8 if self.seat == "feeder" else 6), upright=True)
        self.dim(t, "cell_width", (self.plate_back, c - h), (self.plate_back, c + h), -self.away * 42, upright=True,
                 reference=True)
        px = self.pulley
        self.dim(v, "pulley_diameter", (px - n["pulley_diameter"] / 2, axis - n["pulley_diameter"] / 2),
                 (px + n["pulley_diameter"] / 2, axis - n["pulley_diameter"] / 2), -22)

    def items(self):
        v, n = self.side, self.n
        axis = n["axis_height"]
        feeder, away = self.seat == "feeder", self.away
        middle = (self.bar + self.bar_far) / 2
        names = [  # words of the list, where the leader ends, where the number stands
            ("base plate, aluminium or steel", (n["base_length"] - 40, -6), (n["base_length"] - 18, -36)),
            ("foot of the load cell", (self.foot + away * 20, 6), (self.foot - 22, 30) if feeder else (self.foot + 10, -34)),
            ("load cell, single-point bar", (middle - 4, 120) if feeder else (middle, 20),
             (54, 146) if feeder else (middle, -34)),
            ("feeder carrier" if feeder else "feeder carrier on a rigid post", (self.carrier - 4, 34),
             (self.carrier + 5, 20)),
            ("motor (behind)", (self.nip - 16, axis - 20), (self.nip - 16, 20)),
            ("drive gear and idler: the nip", (self.nip + 2, axis - 6), (self.nip + 16, 20)),
            ("encoder wheel, on the carrier", (self.nip - 26, axis + 12), (self.nip - 24, 128)),
            ("filament, loose cut length, no spool", (28, axis), (28, 90 if feeder else 128)),
            ("pin with shallow socket, in a bush", (self.tip + 8, axis), (self.tip + 14, 128)),
            ("spring of the end", (self.face - 9, axis + 6), (self.face - 8, 128)),
            ("post of the end" if feeder else "plate of the end", (self.face + 5, 40),
             (self.face + 24, 50) if feeder else (self.face - 14, 34)),
            ("guard, clear, hinged (outline)", (self.nip + 46, 10), (self.nip + 60, 20) if feeder else (self.nip + 24, 8)),
            ("pulley on ball bearing, its bracket", (self.pulley, axis - 20),
             (self.pulley + 27, axis - 36) if feeder else (self.pulley - 20, axis - 42)),
            ("weights, past the edge of the table", (self.pulley + away * 20, -57),
             (self.pulley + (-13 if feeder else 12), -84)),
            ("overload stop, gap to set", (self.foot + away * 7, 110), (self.foot + away * 24, 104))]
        for i, (_, at, place) in enumerate(names, 1):
            v.item(i, at, place)
        top = 234
        for i, (name, _, _) in enumerate(names):
            column, row = divmod(i, 5)
            self.sheet.text(22 + 60 * column, top + 5 * row, f"{i + 1}  {name}", "small")

    def buckles_n(self, k):
        """Euler's strut of the free length, as datasets/README.md has it."""
        return math.pi**2 * 2500 * math.pi * 1.75**4 / 64 / (k * self.n["free_length"]) ** 2

    def words(self):
        s = self.sheet
        s.frame()
        s.text(24, 17, f"Load cell carries the {self.seat} (condition load_cell_seat: {self.seat})", "title")
        way = "left (what pushes is pushed back)" if self.seat == "feeder" else "right"
        for i, note in enumerate((f"The push loads the cell to the {way}, and so does the cord, along the same line.",
                                  "For calibration the filament is taken out. In brackets: dimensions of the load cell you choose.",
                                  f"Filament of 1.75 mm, E 2500 MPa, over the free length: buckles at {self.buckles_n(0.5):.0f} N with both "
                                  f"ends held, {self.buckles_n(1):.0f} N with none.")):
            s.text(22, 218.5 + 4.2 * i, note, "small")
        s.title_block("Assembly drawing", f"Fixture, load cell at the {self.seat}",
                      f"FIXTURE-{1 if self.seat == 'feeder' else 2}",
                      f"1:{SCALE}", f"sheet {1 if self.seat == 'feeder' else 2} of 2",
                      ("First-angle projection, A4, millimetres", "General tolerances ISO 2768-m"))
        x, y = 67.5, self.sheet.height - 13  # the symbol of first-angle projection
        s.path([(x, y - 2), (x + 6, y - 3.5), (x + 6, y + 1.5), (x, y)], "narrow", closed=True)
        s.circle(x + 11, y - 1, 2.5, "narrow")
        s.circle(x + 11, y - 1, 1, "narrow")

    def draw(self):
        self.words()
        self.bodies_top()
        self.bodies_side()
        self.calibration()
        self.axes()
        self.dimensions()
        self.items()
        return self.sheet.svg()


def sheets():
    return {"fixture.svg": Fixture("feeder").draw(), "fixture-end.svg": Fixture("end").draw()}
