"""The wiring diagram, wiring.svg. Symbols after IEC 60617, contacts drawn with power off and nothing pressed. Values
come from numbers.csv."""
from sheet import Sheet, load_numbers, short

ZERO_RAIL = 70


class Wiring:
    def __init__(self):
        self.rows = load_numbers()
        self.s = Sheet(297, 210, "Wiring diagram of the bench",
                       "Circuit diagram: supply, fuses, emergency stop with reset that cuts motor power by contacts alone, motor "
                       "driver and motor, controller, load-cell converter, encoder, limit switch, emergency-stop signal, serial "
                       "line over USB, earthing and screens.")

    def value(self, key):
        row = self.rows[key]
        return f"{short(float(row['value']))} {row['unit']}"

    def wire(self, *points):
        self.s.path(points, "narrow")

    def dot(self, x, y):
        self.s.circle(x, y, 0.7, "solid")

    def terminal(self, x, y):
        self.s.circle(x, y, 0.8, "plain")

    def signal(self, x, y, name, anchor="start", turn=0):
        self.s.text(x, y, name, "signal", anchor, turn)

    def fuse(self, x, y, name, key):
        self.wire((x - 6, y), (x + 6, y))
        self.s.box(x - 4, y - 1.5, x + 4, y + 1.5, "narrow")
        self.s.text(x, y - 3.2, f"{name} {self.value(key)} T", "", "middle")

    def closing_contact(self, x, y, name):
        """Closes when operated; 10 mm between its wires at (x - 5, y) and (x + 5, y)."""
        self.s.path([(x - 5, y), (x - 2.5, y), (x + 2.2, y - 3)], "wide")
        self.s.line(x + 2.5, y, x + 5, y)
        if name:
            self.s.text(x, y + 4.2, name, "", "middle")

    def opening_contact(self, x, y, name, direct=False):
        """Opens when operated; with the sign of direct opening action (IEC 60947-5-1 Annex K)."""
        self.s.path([(x - 5, y), (x - 2.5, y), (x + 3.2, y - 2.2)], "wide")
        self.s.path([(x + 2.5, y - 3), (x + 2.5, y), (x + 5, y)], "wide")
        if name:
            self.s.text(x, y + 4.2, name, "", "middle")
        if direct:
            self.s.circle(x - 5.4, y - 4, 1.5, "plain")
            self.s.line(x - 6.7, y - 4, x - 2, y - 4, "narrow")
            self.s.arrow(x - 1.9, y - 4, x - 8, y - 4)

    def earth(self, x, y):
        self.wire((x, y), (x, y + 3))
        for half, down in ((3, 3), (2, 4.2), (1, 5.4)):
            self.s.line(x - half, y + down, x + half, y + down)

    def frame_mark(self, x, y, words):
        self.s.text(x, y, words, "small")

    def power(self):
        s = self.s
        s.box(26, 30, 50, 50)
        s.text(38, 37, "G1", "", "middle")
        s.text(38, 42, f"{self.value('supply_voltage')} DC", "", "middle")
        s.text(38, 47, self.value("supply_current"), "", "middle")
        s.text(26, 20, "approved supply, PELV;", "small")
        s.text(26, 24, "mains side stays closed", "small")
        s.text(51, 31.6, "+", "")
        s.text(51, 45, "−", "")
        self.wire((50, 33), (66, 33))
        self.dot(58, 33)
        self.fuse(72, 33, "F1", "fuse_motor")
        self.wire((78, 33), (91, 33))
        self.opening_contact(96, 33, "S1.1", direct=True)
        self.wire((101, 33), (121, 33))
        self.closing_contact(126, 33, "K1.1")
        self.wire((131, 33), (156, 33))
        # coil of the relay: the button opens it, the reset closes it, its own contact holds it
        self.wire((58, 33), (58, 51), (66, 51))
        self.fuse(72, 51, "F2", "fuse_relay")
        self.wire((78, 51), (91, 51))
        self.opening_contact(96, 51, "S1.2", direct=True)
        self.wire((101, 51), (109, 51))
        self.dot(106, 51)
        self.closing_contact(114, 51, "")
        s.text(114, 46, "S2 reset", "", "middle")
        s.line(114, 49, 114, 51 - 1.6, "hidden")
        self.wire((119, 51), (138, 51))
        self.dot(122, 51)
        self.wire((106, 51), (106, 61), (109, 61))
        self.closing_contact(114, 61, "K1.2")
        self.wire((119, 61), (122, 61), (122, 51))
        self.dot(132, 51)
        self.wire((138, 51), (138, 56))
        s.box(134.5, 56, 141.5, 61)
        s.text(143, 60, "K1")
        self.wire((138, 61), (138, ZERO_RAIL))
        self.wire((132, 51), (132, 56.5))  # free-wheeling diode
        s.path([(130.3, 60), (133.7, 60), (132, 57)], "solid", closed=True)
        s.line(130.3, 56.8, 133.7, 56.8)
        self.wire((132, 60), (132, ZERO_RAIL))
        s.text(129.8, 61.4, "V1", "small", "end")
        for x in (132, 138):
            self.dot(x, ZERO_RAIL)
        # one button, both contacts
        s.line(96, 26, 96, 31.3, "hidden")
        s.line(96, 38.5, 96, 49.2, "hidden")
        s.path([(92.5, 26), (93.5, 23.5), (98.5, 23.5), (99.5, 26)], "outline", closed=True)
        s.text(96, 21.5, "S1 emergency stop, latching", "", "middle")
        # 0 V
        self.wire((50, 46), (54, 46), (54, ZERO_RAIL), (156, ZERO_RAIL))
        s.text(60, ZERO_RAIL - 1.2, "0 V")
        self.dot(54, ZERO_RAIL)
        self.earth(54, ZERO_RAIL)
        s.text(59, 75, "PE: frame and base plate; 0 V joins it here only", "small")

    def driver(self):
        s = self.s
        s.box(156, 20, 206, 80)
        s.text(181, 41, "driver of the motor", "", "middle")
        self.wire((150, 33), (150, 46))
        self.dot(150, 33)
        s.line(147.5, 46, 152.5, 46)
        s.line(147.5, 47.5, 152.5, 47.5)
        self.wire((150, 47.5), (150, ZERO_RAIL))
        self.dot(150, ZERO_RAIL)
        s.text(147, 44, "C1", "", "end")
        s.text(157.5, 34.2, f"+{self.value('supply_voltage')}")
        s.text(157.5, ZERO_RAIL + 1.2, "0 V", "")
        for y, name in ((26, "1+"), (32, "1−"), (46, "2+"), (52, "2−")):
            s.text(204.5, y + 1.2, name, "", "end")
            self.terminal(206, y)
        s.circle(252, 39, 10)
        s.text(252, 38, "M1", "", "middle")
        s.text(252, 43, "2 phases", "small", "middle")
        self.wire((206.8, 26), (246, 26), (248, 29.9))
        self.wire((206.8, 32), (244.8, 32))
        self.wire((206.8, 46), (244.8, 46))
        self.wire((206.8, 52), (246, 52), (248, 48.1))
        s.add('<ellipse class="hidden" cx="222" cy="39" rx="3" ry="17"/>')
        self.wire((222, 56), (222, 62))
        self.earth(222, 62)
        s.text(226, 62, "screen: PE at the driver only;", "small")
        s.text(226, 66, "motor body to PE through the frame.", "small")
        s.text(226, 70, "Never unplug under power.", "small")
        for x, name in ((168, "STEP"), (176, "DIRECTION"), (184, "ENABLE"), (192, "DRIVER_FAULT"), (200, "GND")):
            self.wire((x, 80), (x, 98))
            s.text(x + 1.2, 78.5, name, "small", "start", -90)
            self.signal(x + 1.2, 100, name, "end", -90) if name != "GND" else s.text(x + 1.2, 100, name, "", "end", -90)
        # the optocoupler passes "on" only from a controller that lives; R1 pulls the driver's side to "off"
        self.dot(184, 83.5)
        self.wire((184, 83.5), (191, 83.5))
        self.wire((193, 83.5), (199, 83.5))
        self.wire((201, 83.5), (215, 83.5))
        s.box(215, 82, 223, 85, "outline")
        self.wire((223, 83.5), (227, 83.5))
        s.box(178.5, 87, 189.5, 94)
        s.text(184, 91.7, "U1", "", "middle")
        for y, words in ((84.5, f"R1 {self.value('pull_up')} to the driver's logic supply"),
                         (89.5, "U1 optocoupler, its LED fed by 5 V of A1"),
                         (93.5, f"through R2 {self.value('led_resistor')}: coils off while A1 is"),
                         (97.5, "dead or in reset")):
            s.text(228, y, words, "small")

    def controller(self):
        s = self.s
        s.box(112, 98, 210, 156)
        for y, words in ((137, "A1"), (142, "controller,"), (147, "5 V by USB")):
            s.text(115, y, words)
        for y, name in ((106, "CONVERTER_CLOCK"), (112, "CONVERTER_DATA"), (118, "5 V"), (124, "GND")):
            self.wire((94, y), (112, y))
            self.signal(113.5, y + 1.2, name) if "_" in name else s.text(113.5, y + 1.2, name)
        s.box(72, 100, 94, 130)
        s.text(83, 113, "A2 load-", "small", "middle")
        s.text(83, 117, "cell con-", "small", "middle")
        s.text(83, 121, "verter", "small", "middle")
        self.bridge(38, 115)
        for y, name in ((128, "ENCODER_A"), (133, "ENCODER_B"), (138, "5 V"), (143, "GND")):
            self.wire((210, y), (244, y))
            self.signal(208.5, y + 1.2, name, "end") if "_" in name else s.text(208.5, y + 1.2, name, "", "end")
        s.box(244, 124, 270, 147)
        s.text(257, 134, "B2", "", "middle")
        s.text(257, 139, "encoder", "", "middle")
        s.add('<ellipse class="hidden" cx="222" cy="135.5" rx="2.5" ry="10"/>')
        self.wire((222, 145.5), (222, 147.5), (229, 147.5), (229, 143))
        self.dot(229, 143)
        self.contacts()
        self.wire((210, 153), (226, 153))
        s.text(208.5, 154.2, "USB", "", "end")
        s.box(226, 150, 246, 160)
        s.line(236, 150, 236, 160, "hidden")
        s.text(236, 164.6, "A3 USB isolator", "", "middle")
        self.wire((246, 155), (260, 155))
        s.box(260, 150, 283, 160)
        s.text(271.5, 156.2, "computer", "", "middle")

    def contacts(self):
        s = self.s
        for x, name in ((142, "LIMIT_SWITCH"), (156, "GND"), (165, "EMERGENCY_STOP"), (179, "GND")):
            self.wire((x, 156), (x, 162))
            self.signal(x + 1.2, 154.5, name, "start", -90) if "_" in name else s.text(x + 1.2, 154.5, name, "", "start", -90)
        self.wire((142, 162), (144, 162))
        self.opening_contact(149, 162, "")
        self.wire((154, 162), (156, 162))
        s.text(149, 167.5, "S3 end of travel", "", "middle")
        self.wire((165, 162), (167, 162))
        self.closing_contact(172, 162, "")
        self.wire((177, 162), (179, 162))
        s.text(172, 167.5, "K1.3", "", "middle")
        s.text(183, 163, "closed while motor", "small")
        s.text(183, 167, "power is on", "small")

    def bridge(self, x, y):
        """Strain-gauge bridge with its screened cable to the converter."""
        s, r = self.s, 9
        corners = [(x, y - r), (x + r, y), (x, y + r), (x - r, y)]
        s.path(corners, "narrow", closed=True)
        for i in range(4):
            (x1, y1), (x2, y2) = corners[i], corners[(i + 1) % 4]
            mx, my, ux, uy = (x1 + x2) / 2, (y1 + y2) / 2, (x2 - x1) / 12.7, (y2 - y1) / 12.7
            s.path([(mx - 3 * ux - 1.2 * uy, my - 3 * uy + 1.2 * ux), (mx + 3 * ux - 1.2 * uy, my + 3 * uy + 1.2 * ux),
                    (mx + 3 * ux + 1.2 * uy, my + 3 * uy - 1.2 * ux), (mx - 3 * ux + 1.2 * uy, my - 3 * uy - 1.2 * ux)],
                    "plain", closed=True)
        s.text(26, 98, "B1 load cell, 4 wires, screened", "small")
        self.wire((x, y - r), (x, 103), (72, 103))
        self.wire((x, y + r), (x, 127), (72, 127))
        self.wire((x + r, y), (52, y), (52, 111), (72, 111))
        self.wire((x - r, y), (25, y), (25, 130.5), (55, 130.5), (55, 119), (72, 119))
        for yy, name in ((103, "E+"), (111, "S+"), (119, "S−"), (127, "E−")):
            s.text(71, yy - 0.8, name, "small", "end")
        s.add('<ellipse class="hidden" cx="62" cy="115" rx="2.5" ry="14.5"/>')
        self.wire((62, 129.5), (62, 134), (83, 134), (83, 130))
        s.text(24, 138.5, "screen: GND at the converter only; the", "small")
        s.text(24, 142.5, "cell's body is on the frame (PE)", "small")

    def draw(self):
        s = self.s
        s.frame()
        self.power()
        self.controller()
        self.driver()
        for i, note in enumerate(("Drawn without power, nothing pressed.", "S1, S2, K1 work without any software:",
                                  "S1.1 opens the motor circuit itself,", "S1.2 drops K1, which opens it again.",
                                  "Releasing S1 starts nothing: press S2.", "K1.1 and K1.3: linked contacts.",
                                  "Pins: rig/firmware/README.md")):
            s.text(24, 152 + 4.4 * i, note, "small")
        s.title_block("Circuit diagram", "Wiring of the bench", "WIRING-1", "none", "sheet 1 of 1",
                      ("Symbols: IEC 60617, A4",))
        return s.svg()


def sheets():
    return {"wiring.svg": Wiring().draw()}
