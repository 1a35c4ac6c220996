"""The sheets that the signal passes: isolated inputs, bass path, full-band path."""

from __future__ import annotations

from math import pi, sqrt

from meter_parts import SHEETS, value_of
from sheet_drawing import RED, Drawing, library


def _channel(d: Drawing, x: str, legs: tuple[list[str], list[str]], down: int) -> None:
    """Draw one isolated input; x is S or L, `down` how far below the upper one."""
    n = {"S": 1, "L": 2}[x]
    p, m, mid = 74 + down, 106 + down, 90 + down
    for leg, y, rung in ((legs[0], p, "ac"[n - 1]), (legs[1], m, "bd"[n - 1])):
        for i, ref in enumerate(leg):
            d.part(ref, 30 + 12 * i, y, 90)
            if i:
                d.wire(f"{leg[i - 1]}.2", f"{ref}.1")
                d.name(f"{rung}{i}", f"{ref}.1", -4)
    for side, y, half, knot in (("A", p, -8, 9), ("B", m, 8, 10)):
        leg = legs[0] if side == "A" else legs[1]
        foot, clamp, series = f"R{n}{knot:02d}", f"D{n}0{knot - 8}", f"R{n}{knot + 2}"
        cap = f"C{n}0{knot - 7}"
        d.part(series, 108, y, 90)
        d.wire(f"{leg[-1]}.2", f"{series}.1")
        d.name(f"D{side}_{x}", (76, y))
        d.part(foot, 84, mid + half)
        d.part(clamp, 96, mid + half, 270 if side == "A" else 90)
        d.part(cap, 118, mid + half)
        for column in (84, 96, 118):
            d.wire((column, y), (column, y - half // 8 * 5))
            d.wire((column, mid), (column, mid + half // 8 * 5))
    d.wire((78, mid), (118, mid))
    d.rail(f"HGND_{x}", (107, mid))
    d.flag(f"HGND_{x}", (78, mid))
    u = f"U{n}"
    d.part(u, 170, 70 + down)
    d.wire(f"R{n}11.2", f"{u}.6")
    d.wire(f"R{n}12.2", (150, m), (150, m - 26), f"{u}.7")
    d.name(f"INP_{x}", (122, p))
    d.name(f"INN_{x}", (122, m))
    across = [f"C{n}01"] if x == "S" else ["C201", "C212"]
    for i, ref in enumerate(across):
        column = 140 - 10 * (len(across) - 1 - i)
        d.part(ref, column, mid)
        d.wire((column, p), f"{ref}.1")
        d.wire((column, m), f"{ref}.2")
    _isolated_supply(d, x, n, u, down)
    _low_side(d, x, n, u, down)


def _isolated_supply(d: Drawing, x: str, n: int, u: str, down: int) -> None:
    """Draw the capacitors and beads of the isolator's own supply, on the island."""
    top, low = 30 + down, 44 + down
    d.wire(f"{u}.1", (154, 60 + down), (154, top), (124, top))
    d.wire(f"{u}.2", (151, 64 + down), (151, low), (132, low))
    for ref, column in ((f"C{n}04", 138), (f"C{n}05", 146)):
        d.part(ref, column, 37 + down)
        d.wire((column, top), f"{ref}.1")
        d.wire((column, low), f"{ref}.2")
    d.part(f"FB{n}01", 124, 37 + down)
    d.wire((124, top), f"FB{n}01.1")
    d.wire(f"FB{n}01.2", (124, 68 + down), f"{u}.3")
    d.part(f"FB{n}02", 132, 50 + down)
    d.wire((132, low), f"FB{n}02.1")
    d.rail(f"HGND_{x}", f"FB{n}02.2", 0, 1)
    d.name(f"DCO_{x}", (127, top))
    d.name(f"DCG_{x}", (140, low))
    d.name(f"HLI_{x}", (136, 68 + down))
    d.wire(f"{u}.5", (114, 70 + down), (114, 50 + down), (96, 50 + down))
    d.name(f"HLO_{x}", (98, 50 + down))
    for ref, column in ((f"C{n}07", 96), (f"C{n}06", 106)):
        d.part(ref, column, 56 + down)
        d.wire((column, 50 + down), f"{ref}.1")
        d.rail(f"HGND_{x}", f"{ref}.2", 0, 1)
    d.rail(f"HGND_{x}", f"{u}.8", -6, 1)


def _low_side(d: Drawing, x: str, n: int, u: str, down: int) -> None:
    """Draw what hangs on the isolator on the low side, and lead its outputs away."""
    d.rail("3V3A", f"{u}.12", 0, -18)
    d.wire((174, 42 + down), (196, 42 + down))
    for ref, column in ((f"C{n}10", 184), (f"C{n}11", 196)):
        d.part(ref, column, 47 + down)
        d.wire((column, 42 + down), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.wire(f"{u}.13", (200, 60 + down), (200, 54 + down), (218, 54 + down))
    d.wire(f"{u}.16", (188, 62 + down), (188, 60 + down))
    d.name(f"LDO_{x}", (190, 60 + down))
    for ref, column in ((f"C{n}08", 206), (f"C{n}09", 218)):
        d.part(ref, column, 59 + down)
        d.wire((column, 54 + down), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.rail("GND", f"{u}.15", 8)
    d.rail("GND", f"{u}.9", 0, 1)
    if x == "S":
        d.port("DIAG", f"{u}.14", 48)
    else:
        d.wire(f"{u}.14", (230, 70 + down), (230, 70))
    d.port(f"OP_{x}", f"{u}.11", 50)
    d.port(f"ON_{x}", f"{u}.10", 50)


CAUTIONS = (
    "CAUTIONS\n"
    "Up to 255 V peak left of the barrier: work for qualified\n"
    "people, under the codes that apply where they are.\n"
    "Speaker input: 180 V rms, 255 V peak at most.\n"
    "Line input: 14 V rms, 20 V peak at most.\n"
    "Not for mains. No measurement category. Not certified.\n"
    "HGND_S and HGND_L are joined to nothing: not to each other,\n"
    "not to GND, not to earth. Two inputs on one ground would\n"
    "short a bridged amplifier.\n"
    "Keep every resistor of the legs: 1 Mohm in each is what\n"
    "limits the current through a person.\n"
    "Battery only while clipped on: no cable to a charger, a\n"
    "computer or the vehicle.\n"
    "8 mm or more between the islands, and from each island to\n"
    "the low side and to any metal. 3 mm and a slot of 1 mm or\n"
    "more between the legs of an input. No copper under U1, U2\n"
    "and the slots.\n"
    "Before first use, by a qualified person: 100 Mohm or more at\n"
    "500 V d.c., then 1 kV d.c. for 60 s, inputs against low side\n"
    "and line against speaker."
)


def inputs() -> Drawing:
    """Draw both isolated inputs and the barrier."""
    d = Drawing("inputs.kicad_sch", "Isolated inputs: speaker and line", SHEETS["inputs"], library(), "A3")
    for left, top, right, bottom, words in (
        (11, 24, 168, 114, "ISLAND S: speaker terminals, up to 255 V peak, floats"),
        (11, 118, 168, 208, "ISLAND L: line input, floats with the shell of its plug"),
    ):
        d.frame(left, top, right, bottom, colour=RED)
        d.words(words, left + 1, top + 1, bold=True, colour=RED)
        d.line(170, top - 4, 170, top + 26, colour=RED)
        d.line(170, bottom - 28, 170, bottom + 2, colour=RED)
        d.words("BARRIER, 8 mm or more", 172, top - 4, colour=RED)
    d.part("J1", 16, 74, mirrored=True, ref_at=(-3, -4.4, "left"), value_at=(-3, -2.6, "left"))
    d.part("J2", 16, 106, mirrored=True, ref_at=(-3, -4.4, "left"), value_at=(-3, -2.6, "left"))
    _channel(d, "S", (["R101", "R102", "R103", "R104"], ["R105", "R106", "R107", "R108"]), 0)
    _channel(d, "L", (["R201", "R202"], ["R203", "R204"]), 94)
    d.wire("J1.1", "R101.1")
    d.name("SPKP", "J1.1", 2)
    d.wire("J2.1", "R105.1")
    d.name("SPKN", "J2.1", 2)
    d.part("J3", 16, 168, mirrored=True, ref_at=(-3, -5.4, "left"), value_at=(-3, -3.6, "left"))
    d.wire("J3.1", "R201.1")
    d.name("LINP", "J3.1", 2)
    d.wire("J3.2", (16, 200), "R203.1")
    d.name("LINN", (20, 200))
    d.words(CAUTIONS, 246, 24, size_mm=1.5, bold=True, colour=RED)
    leg, foot = 4 * value_of("R101"), value_of("R109")
    leg_l, foot_l = 2 * value_of("R201"), value_of("R209")
    pole = 1 / (2 * pi * 2 * (value_of("R111") + leg * foot / (leg + foot)) * (value_of("C101") + value_of("C102") / 2))
    d.words(
        "NOTES\n"
        f"Speaker: {2 * (leg + foot) / 1e6:.3f} Mohm, terminals to U1's input {(leg + foot) / foot:.2f} to 1.\n"
        f"Line: {2 * (leg_l + foot_l) / 1e3:.1f} kohm, terminals to U2's input {(leg_l + foot_l) / foot_l:.3f} to 1.\n"
        "The isolators double: 1 V at their input is 2 V from OP to ON.\n"
        f"Pole in front of U1: {pole / 1e3:.1f} kHz.\n"
        "Legs and feet 0.1 %, 25 ppm/K. The resistors of 1k limit the\n"
        "current into U1 and U2.\n"
        "Parts round the isolators' own supplies: SBASA34B, 7.4. Links in\n"
        "the places of beads join DCDC_HGND to HGND close to the pins.\n"
        "DIAG is open drain and low on a fault. Its pull-up hangs on 3V3A,\n"
        "so that a front end without supply reads as a fault.",
        246, 100, size_mm=1.4,
    )  # fmt: skip
    return d


def _bass_channel(d: Drawing, x: str, n: int, pins: tuple[str, str], down: int) -> None:
    p, m = 30 + down, 60 + down
    for net, series, second, y, pair, column in (
        (f"OP_{x}", f"R{n}30", f"R{n}32", p, (f"C{n}31", f"C{n}34"), "h1"),
        (f"ON_{x}", f"R{n}31", f"R{n}33", m, (f"C{n}32", f"C{n}35"), "h2"),
    ):
        d.part(series, 36, y, 90)
        d.port(net, f"{series}.1", -10, shape="input")
        d.part(second, 78, y, 90)
        d.wire(f"{series}.2", f"{second}.1")
        d.name(f"{column}_{x}", (53, y))
        for ref, at in zip(pair, (48, 92), strict=True):
            d.part(ref, at, y + 6)
            d.wire((at, y), f"{ref}.1")
            d.rail("GND", f"{ref}.2")
    d.part(f"C{n}30", 64, (p + m) // 2)
    d.wire((64, p), f"C{n}30.1")
    d.wire((64, m), f"C{n}30.2")
    d.part(f"C{n}33", 106, (p + m) // 2)
    d.wire((106, p), f"C{n}33.1")
    d.wire((106, m), f"C{n}33.2")
    far, near = 130, 124
    first, second_column = (far, near) if down == 0 else (near, far)
    for ref, turn, y, pin in (
        (f"R{n}32", first, p, pins[0]),
        (f"R{n}33", second_column, m, pins[1]),
    ):
        d.wire(f"{ref}.2", (turn, y), (turn, d.at(f"U4.{pin}")[1]), f"U4.{pin}")
        d.name(f"AIN{int(pin) - 4}", (98, y))


def bass() -> Drawing:
    """Draw the two-section filters and the 12-bit converter."""
    d = Drawing("bass.kicad_sch", "Bass path: filters and 12-bit converter", SHEETS["bass"], library(), "A4")
    d.part("U4", 150, 75, ref_at=(-10, -11.2, "left"), value_at=(-10, -9.6, "left"))
    _bass_channel(d, "S", 1, ("4", "5"), 0)
    _bass_channel(d, "L", 2, ("6", "7"), 60)
    d.rail("3V3", "U4.8", 0, -12)
    d.wire((150, 54), (172, 54))
    for ref, column in (("C301", 160), ("C302", 172)):
        d.part(ref, column, 59)
        d.wire((column, 54), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.rail("GND", "U4.3", 0, 1)
    d.rail("GND", "U4.1", 3)
    d.part("R302", 184, 63)
    d.rail("3V3", "R302.1", 0, -2)
    d.wire("R302.2", (184, 71))
    d.port("ALERT_RDY", "U4.2", 38)
    d.port("SCL", "U4.10", 38, shape="input")
    d.port("SDA", "U4.9", 38, shape="bidirectional")
    r1, r2 = value_of("R130"), value_of("R132")
    c1, c2 = 2 * value_of("C130") + value_of("C131"), 2 * value_of("C133") + value_of("C134")
    total, product = r1 * c1 + (r1 + r2) * c2, r1 * r2 * c1 * c2
    low, high = ((total - s * sqrt(total**2 - 4 * product)) / (2 * product) / 2 / pi for s in (1, -1))
    d.words("Speaker", 12, 22, bold=True)
    d.words("Line", 12, 82, bold=True)
    d.words(
        "NOTES\n"
        f"Poles of each filter: {low:.0f} Hz and {high:.0f} Hz. Not optional: U4 aliases near 250 kHz.\n"
        f"U4 sees {2 * (r1 + r2) / 1e3:.2f} kohm. Its own input impedance depends on its range;\n"
        "the firmware corrects and calibrates each range, so no buffer is fitted (README.md).\n"
        "Resistors 0.1 %, capacitors C0G 1 %. With other capacitors, do the a.c. calibration point.\n"
        "SDA and SCL are pulled up on the Raspberry Pi itself (1.8 kohm, from memory).",
        134, 96, size_mm=1.4,
    )  # fmt: skip
    return d


def _audio_channel(d: Drawing, x: str, n: int, side: str, down: int) -> None:
    p, m = 40 + down, 60 + down
    unit, plus, minus, out = {"S": ("A", "3", "2", "1"), "L": ("B", "5", "6", "7")}[x]
    amp = f"U3{unit}"
    d.part("U3", 104, 42 + down, unit=unit)
    for net, series, shunt, second, y, node, end in (
        (f"OP_{x}", f"R{n}23", f"C{n}22", f"R{n}25", p, f"f2_{x}", f"FP_{x}"),
        (f"ON_{x}", f"R{n}20", f"C{n}20", f"R{n}22", m, f"f1_{x}", f"FN_{x}"),
    ):
        d.part(series, 36, y, 90)
        d.port(net, f"{series}.1", -10, shape="input")
        d.part(shunt, 50, y + 6)
        d.wire((50, y), f"{shunt}.1")
        d.rail("GND", f"{shunt}.2")
        d.part(second, 74, y, 90)
        d.wire(f"{series}.2", f"{second}.1")
        d.name(node, (41, y))
        d.name(end, (79, y))
    for ref, column in ((f"R{n}24", 62), (f"C{n}23", 88)):
        d.part(ref, column, 33 + down)
        d.wire(f"{ref}.2", (column, p))
        d.wire(f"{ref}.1", (column, 27 + down))
    d.wire((62, 27 + down), (88, 27 + down))
    d.name("VMID", (64, 27 + down))
    d.wire(f"R{n}25.2", f"{amp}.{plus}")
    d.part(f"C{n}21", 104, m, 90)
    d.wire(f"R{n}22.2", f"C{n}21.1")
    d.wire((92, m), (92, 44 + down), f"{amp}.{minus}")
    d.part(f"R{n}21", 104, 76 + down, 90)
    d.wire((62, m), (62, 76 + down), f"R{n}21.1")
    d.wire(f"R{n}21.2", (116, 76 + down), (116, 42 + down))
    d.wire(f"C{n}21.2", (116, m))
    d.part(f"R{n}26", 130, 42 + down, 90)
    d.wire(f"{amp}.{out}", f"R{n}26.1")
    d.name(f"OF_{x}", (118, 42 + down))
    d.part(f"C{n}24", 146, 42 + down, 90)
    d.wire(f"R{n}26.2", f"C{n}24.1")
    d.name(f"o2_{x}", (136, 42 + down))
    d.name(f"VIN{side}", (151, 42 + down))
    d.words({"S": "Speaker", "L": "Line"}[x], 12, 30 + down, bold=True)


def audio() -> Drawing:
    """Draw the third-order filters and the 24-bit converter with its clock."""
    d = Drawing("audio.kicad_sch", "Full-band path: filters and 24-bit converter", SHEETS["audio"], library(), "A3")
    _audio_channel(d, "S", 1, "L", 0)
    _audio_channel(d, "L", 2, "R", 66)
    d.part("U5", 200, 84, ref_at=(5.5, -12.6, "left"), value_at=(5.5, -11, "left"))
    d.wire("C124.2", (162, 42), (162, 78), "U5.13")
    d.wire("C224.2", (158, 108), (158, 84), "U5.14")
    d.wire("U5.1", (170, 90))
    d.name("VREF", (184, 90))
    for ref, column in (("C308", 170), ("C307", 180)):
        d.part(ref, column, 95)
        d.wire((column, 90), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.rail("5VA", "U5.3", 0, -26)
    d.wire((194, 50), (170, 50))
    for ref, column in (("C309", 170), ("C310", 182)):
        d.part(ref, column, 55)
        d.wire((column, 50), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.rail("3V3D", "U5.4", 0, -26)
    d.wire("U5.11", (202, 68), (200, 68), upright_first=True)
    d.wire("U5.10", (204, 68), (202, 68), upright_first=True)
    d.wire((200, 50), (232, 50))
    for ref, column in (("C311", 212), ("C312", 224)):
        d.part(ref, column, 55)
        d.wire((column, 50), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.part("FB301", 240, 50, 90)
    d.wire((232, 50), "FB301.1")
    d.rail("3V3A", "FB301.2", 4, 0)
    d.flag("3V3D", (232, 50))
    d.wire("U5.2", (196, 98), (202, 98), upright_first=True)
    d.wire("U5.5", (200, 98), upright_first=True)
    d.wire("U5.12", (202, 98), upright_first=True)
    d.rail("GND", (200, 98), 0, 1)
    d.part("Y1", 276, 70, mirrored=True, ref_at=(2, -5.6, "left"), value_at=(2, 5.2, "left"))
    d.part("R305", 244, 70, 90)
    d.wire("U5.6", (218, 78), (218, 70), "R305.1")
    d.name("SCKI", (220, 70))
    d.wire("R305.2", "Y1.3")
    d.name("MCK", (254, 70))
    d.rail("3V3D", "Y1.4", 0, -6)
    d.wire("Y1.1", (286, 70), (286, 60), (276, 60))
    d.part("C313", 296, 65)
    d.wire((286, 60), (296, 60), "C313.1")
    d.rail("GND", "C313.2")
    d.rail("GND", "Y1.2", 0, 1)
    for net, ref, pin, own, column in (
        ("PCM_CLK", "R306", "8", "BCK", 226),
        ("PCM_FS", "R307", "7", "LRCK", 240),
        ("PCM_DIN", "R308", "9", "DOUT", 254),
    ):
        y = d.at(f"U5.{pin}")[1]
        d.part(ref, column, y, 90)
        d.wire(f"U5.{pin}", f"{ref}.1")
        d.name(own, (213, y))
        d.port(net, f"{ref}.2", 286 - column - 3)
    _middle(d)
    r, c, mirror = value_of("R124"), value_of("C124"), value_of("C123")
    d.words(
        "NOTES\n"
        f"Gain of each filter {value_of('R121') / value_of('R120'):.4f}, from OP - ON to OF against VMID,\n"
        "which is half of 5VA.\n"
        f"What goes from f2 to VMID mirrors what goes from f1 to OF ({r / 1e3:.2f}k, {mirror * 1e12:.0f}p):\n"
        "both outputs of the isolator bear the same load.\n"
        f"C124 and C224 with U5's 60 kohm: {1 / (2 * pi * 60e3 * c):.2f} Hz. X7R is good enough there:\n"
        "hardly any signal lies across it.\n"
        "U5 is clock master: MD1 = MD0 = high, 256 fs; FMT low, I2S; 24.576 MHz gives 96 kHz.\n"
        "The Raspberry Pi has no master clock to give, and follows.",
        172, 118, size_mm=1.4,
    )  # fmt: skip
    return d


def _middle(d: Drawing) -> None:
    """Draw half the supply as a signal, and the supplies of the op amps."""
    d.words("Middle of the supply", 30, 164, bold=True)
    d.part("R303", 40, 176)
    d.part("R304", 40, 188)
    d.rail("5VA", "R303.1", 0, -2)
    d.wire("R303.2", "R304.1")
    d.rail("GND", "R304.2")
    d.part("C305", 54, 188)
    d.wire((40, 182), (54, 182), "C305.1")
    d.rail("GND", "C305.2")
    d.part("U6", 82, 184, ref_at=(2.4, -5.2, "left"), value_at=(2.4, -3.6, "left"))
    d.wire((54, 182), "U6.3")
    d.name("VMR", (58, 182))
    d.wire("U6.1", (98, 184))
    d.name("VMID", (98, 184))
    d.wire((94, 184), (94, 198), (70, 198), (70, 186), "U6.4")
    d.rail("5VA", "U6.5", 0, -6)
    d.rail("GND", "U6.2", 0, 1)
    d.part("C304", 106, 177)
    d.wire((80, 174), (106, 174))
    d.rail("GND", "C304.2")
    d.part("U3", 140, 182, unit="C", ref_at=(2, -0.9, "left"), value_at=(2, 1, "left"))
    d.rail("5VA", "U3C.8", 0, -4)
    d.rail("GND", "U3C.4", 0, 1)
    d.part("C303", 158, 179)
    d.wire((140, 174), (158, 174), "C303.1")
    d.rail("GND", "C303.2")
