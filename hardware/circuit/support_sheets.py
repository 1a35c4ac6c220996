"""The sheets round the signal: battery, supplies, computer and panel."""

from __future__ import annotations

from collections.abc import Mapping

from meter_parts import PANEL_CABLE, SHEETS, SUPPLY_CABLE, value_of
from sheet_drawing import GREY, RED, Drawing, library


def _cells(d: Drawing) -> None:
    d.frame(10, 26, 66, 58, colour=GREY)
    d.words("Cell holder, off the board: two cells side by side", 11, 27, colour=GREY)
    for ref, column, net in (("BT1", 20, "CELL1"), ("BT2", 36, "CELL2"), ("RT1", 52, "NTC")):
        d.part(ref, column, 44)
        d.wire(f"{ref}.1", (column, 36))
        d.name(net, (column, 36))
        d.wire(f"{ref}.2", (column, 52))
    d.wire((20, 52), (52, 52))
    d.name("CELLN", (38, 52))
    d.part("J9", 80, 40, mirrored=True)
    d.part("F1", 104, 32, 90)
    d.part("F2", 104, 40, 90)
    d.wire("J9.1", (90, 38), (90, 32), "F1.1")
    d.name("CELL1", (92, 32))
    d.wire("J9.2", "F2.1")
    d.name("CELL2", (92, 40))
    d.wire("J9.3", (94, 42))
    d.name("NTC", (94, 42))
    d.wire("F2.2", (114, 40), (114, 32))
    d.wire("F1.2", (128, 32))
    d.rail("VCELL", (118, 32), 0, -2)
    d.part("R401", 128, 38)
    d.wire((128, 32), "R401.1")
    d.part("U10", 154, 50)
    d.wire("R401.2", (128, 48), "U10.5")
    d.name("PBAT", (130, 48))
    d.part("C401", 133, 56)
    d.wire((133, 48), "C401.1")
    d.part("Q1", 174, 68, 270, ref_at=(-3.6, 4.2, ""), value_at=(-3.6, 5.9, ""))
    d.part("Q2", 194, 68, 270, mirrored=True, ref_at=(3.6, 4.2, ""), value_at=(3.6, 5.9, ""))
    d.wire("J9.4", (88, 44), (88, 70), "Q1.1")
    d.name("CELLN", (90, 70))
    d.flag("CELLN", (104, 70))
    d.wire("C401.2", (133, 70), upright_first=True)
    d.wire("U10.4", (154, 70), upright_first=True)
    d.wire("Q1.5", "Q2.5")
    d.name("PMID", (182, 70))
    d.wire("U10.3", (174, 52), "Q1.4")
    d.name("PDO", (164, 52))
    d.wire("U10.2", (194, 48), "Q2.4")
    d.name("PCO", (164, 48))
    d.wire("Q2.1", (208, 70))
    d.rail("GND", (208, 70), 0, 1)
    d.part("R402", 176, 80, 90)
    d.wire("U10.6", (142, 52), (142, 80), "R402.1")
    d.name("PVM", (144, 80))
    d.wire("R402.2", (204, 80), (204, 70))


def _gauge(d: Drawing) -> None:
    d.words("Fuel gauge", 92, 92, bold=True)
    d.part("U9", 150, 112, ref_at=(2, -8.6, "left"), value_at=(2, -7, "left"))
    d.rail("VCELL", (128, 98), 0, -2)
    d.wire((116, 98), (150, 98), "U9.3")
    d.wire("U9.2", (134, 108), (134, 98))
    d.part("C402", 116, 104)
    d.wire((116, 98), "C402.1")
    d.rail("GND", "C402.2")
    d.wire("U9.6", (134, 112), (134, 114), "U9.1")
    d.rail("GND", (134, 114), 0, 1)
    d.rail("GND", "U9.4", 0, 1)
    d.part("R518", 174, 101)
    d.rail("3V3", "R518.1", 0, -2)
    d.wire("R518.2", (174, 108))
    d.port("LOW_BATT#", "U9.5", 30)
    d.port("SDA", "U9.8", 30, shape="bidirectional")
    d.port("SCL", "U9.7", 30, shape="input")


def _charger(d: Drawing) -> None:
    d.words("Charging: shutter open here means all inputs covered", 12, 128, bold=True)
    d.part("J7", 24, 154)
    d.part("F3", 48, 148, 90)
    d.wire("J7.A9", "F3.1")
    d.name("VBUS", "J7.A9", 2)
    d.part("U11", 116, 156, ref_at=(-14.5, -13.2, "left"), value_at=(-10, -13.2, "left"))
    d.wire("F3.2", "U11.13")
    d.name("VIN5", (66, 148))
    d.flag("VIN5", (96, 148))
    d.part("J16", 92, 138)
    d.wire("J16.1", (82, 138), (82, 148))
    d.rail("GND", "J16.2", -4)
    d.part("D401", 62, 154, 270)
    d.part("C403", 76, 154)
    d.part("J8", 50, 138, mirrored=True, ref_at=(-2, -3.6, "left"), value_at=(-2, -2, "left"))
    d.wire("J8.1", (62, 138), (62, 148), "D401.1")
    d.rail("GND", "J8.2", 3)
    d.rail("GND", "D401.2")
    d.wire((76, 148), "C403.1")
    d.rail("GND", "C403.2")
    for ref, pin, column in (("R404", "B5", 42), ("R403", "A5", 52)):
        d.part(ref, column, 165)
        d.wire(f"J7.{pin}", f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.name("CC1", "J7.A5", 2)
    d.name("CC2", "J7.B5", 1)
    d.rail("GND", "J7.A12")
    d.rail("GND", "J7.S1")
    for pin in ("6", "4", "8"):
        d.wire(f"U11.{pin}", (94, d.at(f"U11.{pin}")[1]))
    d.wire((94, 156), (94, 162))
    d.rail("GND", (94, 162), 0, 1)
    for ref, pin, net in (
        ("R406", "16", "ISET"),
        ("R405", "12", "ILIM"),
        ("R407", "15", "ITERM"),
        ("R408", "14", "TMR"),
    ):
        x, y = d.at(f"U11.{pin}")
        d.part(ref, x, y + 7)
        d.wire(f"U11.{pin}", f"{ref}.1")
        d.name(net, (x, y + 2))
        d.rail("GND", f"{ref}.2")
    d.wire("U11.10", (160, 148))
    d.rail("VSYS", (148, 148), 0, -2)
    d.wire("U11.5", (138, 150), (138, 148))
    d.part("C404", 160, 153)
    d.wire((160, 148), "C404.1")
    d.rail("GND", "C404.2")
    d.wire("U11.2", (150, 154))
    d.rail("VCELL", (150, 154))
    d.part("C405", 144, 159)
    d.wire((144, 154), "C405.1")
    d.rail("GND", "C405.2")
    d.wire("U11.1", (139, 158))
    d.name("NTC", (139, 158))
    d.part("D402", 150, 170, ref_at=(0, -2.6, ""))
    d.wire("U11.9", (138, 162), (138, 170), "D402.1")
    d.name("CHG#", (140, 170))
    d.part("R409", 162, 170, 90)
    d.wire("D402.2", "R409.1")
    d.name("CLA", (154, 170))
    d.rail("VSYS", "R409.2", 4, 0)


def _power_button(d: Drawing) -> None:
    d.words("On, off and the hard cut-off", 196, 124, bold=True)
    d.part("U12", 236, 150, ref_at=(1.4, -7, "left"), value_at=(1.4, -5.4, "left"))
    d.part("R410", 190, 141)
    d.rail("VSYS", "R410.1", 0, -2)
    d.wire("R410.2", (190, 148), "U12.5")
    d.name("UVS", (206, 148))
    d.part("R411", 190, 155)
    d.wire((190, 148), "R411.1")
    d.rail("GND", "R411.2")
    d.part("C406", 202, 155)
    d.wire((202, 148), "C406.1")
    d.rail("GND", "C406.2")
    d.rail("VSYS", "U12.6", 0, -6)
    d.rail("GND", "U12.2", 0, 1)
    d.part("R412", 234, 166, 90)
    d.wire("U12.4", (225, 152), (225, 166), "R412.1")
    d.name("CT", (226, 166))
    d.rail("VSYS", "R412.2", 5, 0)
    d.part("S5", 240, 176)
    d.part("Q3", 216, 186)
    d.wire("U12.3", (218, 150), "Q3.3")
    d.wire((218, 176), "S5.1")
    d.name("MR#", (220, 176))
    d.wire((228, 176), (228, 180))
    d.port("MR#", (228, 180), 70, shape="passive")
    d.rail("GND", "S5.2", 4, 0)
    d.rail("3V3", "Q3.1", -4, 0)
    d.wire("Q3.2", (218, 196))
    d.part("R413", 232, 190)
    d.rail("3V3", "R413.1", 0, -2)
    d.wire("R413.2", (232, 196))
    d.wire((218, 196), (232, 196))
    d.port("PWR_KILL#", (218, 196), -14, shape="input")
    d.wire("U12.1", (298, 150))
    d.part("R414", 258, 138, 90)
    d.rail("VSYS", "R414.1", -4, 0)
    d.part("S4", 274, 138)
    d.wire("R414.2", "S4.1")
    d.name("PB", (264, 138))
    d.wire((266, 138), (266, 130))
    d.port("PB", (266, 130), 32, shape="passive")
    d.wire("S4.2", (284, 138), (284, 150))
    d.part("R415", 294, 143)
    d.rail("5V", "R415.1", 0, -2)
    d.wire("R415.2", (294, 150))
    d.part("R416", 294, 157)
    d.wire("R416.1", (294, 150))
    d.rail("GND", "R416.2")
    d.port("EN5", (298, 150), 6)


def battery() -> Drawing:
    """Draw cells, protection, gauge, charger, and what switches the meter on and off."""
    d = Drawing(
        "battery.kicad_sch", "Battery: protection, gauge, charger, on and off", SHEETS["battery"], library(), "A3"
    )
    _cells(d)
    _gauge(d)
    _charger(d)
    _power_button(d)
    cut = 0.405 * (1 + value_of("R410") / value_of("R411"))
    d.words(
        "CAUTIONS\n"
        "Lithium cells: protected ones only, both of one type, age and charge, before they are joined.\n"
        "Never charge a damaged cell. The charger is for unused time: no cable while clipped on.\n"
        "One lead in J8: the charge port's (J16) or a 5 V bank's. Joined, they would feed each other.",
        216, 26, size_mm=1.5, bold=True, colour=RED,
    )  # fmt: skip
    d.words(
        "NOTES\n"
        "Limits per cell: a program that reads U9 warns at 3.40 V and shuts down at 3.20 V (LOW_BATT#: 4 % left),\n"
        f"U12 switches off at {cut:.2f} V on VSYS, U10 at 2.8 V, the cells' own protection below that.\n"
        "S4 lifts EN5, 5V then holds it through R415. U12 pulls it down: low cell, S5, or PWR_KILL#.\n"
        "PWR_KILL# is GPIO7 from gpio-poweroff. Q3 shifts the level: nothing leaks into a Raspberry Pi that is off.\n"
        f"Charging {890 / value_of('R406'):.2f} A, input at most {1550 / value_of('R405'):.2f} A (from memory).\n"
        "With a 5 V bank on J8 and no cells, U9 is without supply and LOW_BATT# stays high:\n"
        "the bank's own indicator is the only warning.",
        216, 40, size_mm=1.4,
    )  # fmt: skip
    return d


def supplies() -> Drawing:
    """Draw the converters and regulators behind the battery."""
    d = Drawing("supplies.kicad_sch", "Supplies: 5 V, analogue 5 V and 3.3 V", SHEETS["supplies"], library(), "A4")
    d.part("U13", 70, 50, ref_at=(1.2, 7.6, "left"), value_at=(1.2, 9.2, "left"))
    d.rail("VSYS", (26, 36), 0, -2)
    d.part("L401", 70, 36, 90)
    d.wire((26, 36), "L401.1")
    d.part("C412", 34, 41)
    d.wire((34, 36), "C412.1")
    d.rail("GND", "C412.2")
    d.wire("U13.10", (54, 46), (54, 36))
    d.wire("L401.2", (86, 36), (86, 46), "U13.1")
    d.name("SW5", (77, 36))
    d.port("EN5", "U13.9", -14, shape="input")
    d.part("C411", 54, 59)
    d.wire("U13.6", (54, 54), "C411.1")
    d.name("SS5", (55, 54))
    d.rail("GND", "C411.2")
    d.rail("GND", "U13.11", 0, 1)
    d.part("R417", 92, 53)
    d.part("R418", 92, 63)
    d.wire((92, 48), "R417.1")
    d.wire("R417.2", "R418.1")
    d.wire("U13.7", (84, 50), (84, 58), (92, 58))
    d.name("FB5", (86, 58))
    d.rail("GND", "R418.2")
    d.part("U14", 154, 50, ref_at=(-6, -6.2, "left"), value_at=(-6, -4.6, "left"))
    d.wire("U13.3", "U14.1")
    for ref, column in (("C413", 104), ("C414", 115), ("C416", 128)):
        d.part(ref, column, 53)
        d.wire((column, 48), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.rail("5V", (110, 48), 0, -4)
    d.part("C415", 138, 61)
    d.wire("U14.4", (138, 50), "C415.1")
    d.name("CT_AFE", (138, 50))
    d.rail("GND", "C415.2")
    d.part("R419", 122, 69)
    d.rail("3V3", "R419.1", 0, -2)
    d.wire("U14.3", (145, 52), (145, 76), (122, 76))
    d.wire("R419.2", (122, 76))
    d.port("AFE_EN", (122, 76), -14, shape="input")
    d.rail("GND", "U14.2", 0, 1)
    d.wire("U14.6", (184, 48))
    d.wire("U14.5", (168, 50), (168, 48))
    d.rail("5V_AFE", (176, 48), 0, -4)
    d.part("C417", 184, 53)
    d.wire((184, 48), "C417.1")
    d.rail("GND", "C417.2")
    _analogue(d)
    d.words("5 V for the Raspberry Pi, panel, lamp and sounder", 20, 24, bold=True)
    d.words("Switch of the front end", 142, 36, bold=True)
    d.words("5.6 V, then a quiet 5 V", 20, 88, bold=True)
    d.words("Quiet 3.3 V", 160, 96, bold=True)
    d.words(
        "NOTES\n"
        f"5V: {1.0 * (1 + value_of('R417') / value_of('R418')):.2f} V (reference 1.0 V), 5V6: "
        f"{0.795 * (1 + value_of('R420') / value_of('R421')):.2f} V (reference 0.795 V; both from memory).\n"
        "AFE_EN: R419 holds the front end on; a program that knows the pin may switch it off.\n"
        "The full scale of the 24-bit converter follows 5VA.",
        12, 134, size_mm=1.4,
    )  # fmt: skip
    return d


def _analogue(d: Drawing) -> None:
    d.rail("5V_AFE", (30, 98), 0, -2)
    d.part("L402", 62, 98, 90)
    d.wire((30, 98), "L402.1")
    d.part("C418", 36, 104)
    d.wire((36, 98), "C418.1")
    d.rail("GND", "C418.2")
    d.part("U15", 62, 110, ref_at=(1.2, 4.6, "left"), value_at=(1.2, 6.2, "left"))
    d.wire("U15.6", (50, 106), (50, 98))
    d.wire("U15.4", (50, 110), (50, 106))
    d.wire("L402.2", (74, 98), (74, 106), "U15.1")
    d.name("SW56", (67, 98))
    d.rail("GND", "U15.2", 0, 1)
    d.part("R420", 82, 113)
    d.part("R421", 82, 123)
    d.wire((82, 108), "R420.1")
    d.wire("R420.2", "R421.1")
    d.wire("U15.3", (74, 110), (74, 118), (82, 118))
    d.name("FB56", (76, 118))
    d.rail("GND", "R421.2")
    d.part("U7", 126, 110)
    d.wire("U15.5", "U7.1")
    d.rail("5V6", (94, 108), 0, -4)
    for ref, column in (("C419", 94), ("C420", 105)):
        d.part(ref, column, 113)
        d.wire((column, 108), f"{ref}.1")
        d.rail("GND", f"{ref}.2")
    d.wire("U7.3", (115, 112), (115, 108))
    _regulated(d, "U7", "5VA", "C421", 144)
    d.part("U8", 190, 110)
    d.rail("5V_AFE", (164, 108), 0, -4)
    d.wire((164, 108), "U8.1")
    d.part("C422", 167, 113)
    d.wire((167, 108), "C422.1")
    d.rail("GND", "C422.2")
    d.wire("U8.3", (179, 112), (179, 108))
    _regulated(d, "U8", "3V3A", "C423", 208)


def _regulated(d: Drawing, ref: str, net: str, cap: str, column: int) -> None:
    y = d.at(f"{ref}.5")[1]
    d.wire(f"{ref}.5", (column, y))
    d.wire(f"{ref}.4", (column - 6, y + 2), (column - 6, y))
    d.rail(net, (column, y), 0, -4)
    d.part(cap, column, y + 5)
    d.wire((column, y), f"{cap}.1")
    d.rail("GND", f"{cap}.2")
    d.rail("GND", f"{ref}.2", 0, 1)


def computer() -> Drawing:
    """Draw the Raspberry Pi's header, the panel and the clock chip."""
    d = Drawing("computer.kicad_sch", "Computer and panel", SHEETS["computer"], library(), "A3")
    d.part("J4", 110, 100, ref_at=(-17.5, -21.8, "left"), value_at=(-17.5, -23.4, "left"))
    d.rail("5V", "J4.2", 0, -3)
    d.rail("3V3", "J4.1", 0, -3)
    d.rail("GND", "J4.6", 0, 1)
    d.flag("GND", (122, 124))
    d.wire("J4.6", (110, 124), (122, 124), upright_first=True)
    for net, pin, shape in (
        ("SDA", "3", "bidirectional"), ("SCL", "5", "output"), ("ALERT_RDY", "7", "input"), ("PCM_CLK", "12", "input"),
        ("PCM_FS", "35", "input"), ("PCM_DIN", "38", "input"), ("AFE_EN", "16", "output"), ("LOW_BATT#", "10", "input"),
        ("PWR_KILL#", "26", "output"),
    ):  # fmt: skip
        d.port(net, f"J4.{pin}", -30, shape=shape)
    d.port("DIAG", "J4.8", -64, shape="input")
    d.part("R301", 40, 97)
    d.rail("3V3A", "R301.1", 0, -2)
    d.wire("R301.2", (40, 102))
    _clock(d)
    d.part("J5", 180, 86)
    for pin, own in (("24", "3"), ("18", "4"), ("22", "5"), ("19", "6"), ("23", "7"), ("21", "9")):
        d.wire(f"J4.{pin}", f"J5.{own}")
    for net, pin in (
        ("TFT_CS", "24"),
        ("TFT_RST", "18"),
        ("TFT_DC", "22"),
        ("MOSI", "19"),
        ("SCLK", "23"),
        ("MISO", "21"),
    ):
        d.name(net, f"J4.{pin}", 8)
    d.wire("J5.1", (168, 78))
    d.rail("3V3", (168, 78), 0, -2)
    d.wire("J5.2", (158, 80), (158, 70), (150, 70))
    d.rail("GND", (150, 70), 0, 1)
    d.name("TFT_LED", "J5.8", -8)
    d.wire("J5.8", (168, 92))
    for net, pin in (
        ("TFT_BL", "32"), ("BTN_A", "29"), ("BTN_B", "31"), ("BTN_C", "36"), ("FOOTSWITCH", "37"), ("LED_R", "11"),
        ("LED_G", "13"), ("LED_B", "15"), ("BUZZER", "33"),
    ):  # fmt: skip
        d.wire(f"J4.{pin}", d.at(f"J4.{pin}", 12))
        d.name(net, f"J4.{pin}", 12)
    _backlight(d)
    _buttons(d)
    _lamp(d)
    _sounder(d)
    d.words("Display", 176, 66, bold=True)
    d.words(
        "NOTES\n"
        "GPIO7 is free for the power kill because the overlay spi0-1cs leaves only GPIO8 as chip select.\n"
        "GPIO14 reads DIAG of both isolators, low on a fault; GPIO15 is the gauge's alert.\n"
        "Contacts are to ground; the pins' own pull-ups are on. 1k in series saves a pin set wrongly.\n"
        "J6: a floating contact on an insulated lead, never a voltage, never another device.\n"
        "Lamp and backlight run from 5 V through transistors: high is on, and dark is what a pin does at start.",
        12, 150, size_mm=1.4,
    )  # fmt: skip
    d.words("Flat cables: front end J10 to panel J11, front end J12 to supply J13", 12, 164, bold=True)
    ports = {"PB": "passive", "EN5": "passive", "MR#": "passive"}
    for ref, column, outward in (("J10", 40, ports), ("J11", 92, {}), ("J12", 144, {}), ("J13", 196, {})):
        _cable_end(d, ref, column, outward)
    return d


def _cable_end(d: Drawing, ref: str, column: int, ports: Mapping[str, str]) -> None:
    """Draw one plug of a flat cable: supplies and grounds above, the rest by name, `ports` to other sheets as well."""
    pins = PANEL_CABLE if ref in ("J10", "J11") else SUPPLY_CABLE
    d.part(ref, column, 190)
    top = d.at(f"{ref}.1")[1]
    for number, net in pins.items():
        pin, way = f"{ref}.{number}", 1 if int(number) % 2 == 0 else -1
        x, y = d.at(pin)
        if net in ("5V", "3V3"):
            d.wire(pin, (x - (4 if net == "5V" else 10), y))
        elif net == "GND":
            d.wire(pin, (x + 4, y), (x + 4, top - 2))
        elif net in ports:
            d.port(net, pin, 11 * way, shape=ports[net])
        else:
            # A name is written to the right of where it stands, and stands at the end of its wire.
            end = (x + (2 if way > 0 else -10), y)
            d.wire(pin, end)
            d.name(net, end)
    for net, out in (("5V", 4), ("3V3", 10)):
        numbers = [number for number, of in pins.items() if of == net]
        x, y = d.at(f"{ref}.{numbers[-1]}")
        d.rail(net, (x - out, y), 0, top - 3 - y)
    x = d.at(f"{ref}.2")[0]
    d.wire((x + 4, top - 2), (x + 9, top - 2))
    d.rail("GND", (x + 9, top - 2), 0, 1)


def _clock(d: Drawing) -> None:
    d.words("Clock chip", 24, 22, bold=True)
    d.part("U16", 56, 46, mirrored=True, ref_at=(-10, -9.2, "left"), value_at=(-10, -7.6, "left"))
    d.wire("U16.8", (76, 42), (76, 84))
    d.wire("U16.7", (80, 44), (80, 82))
    d.part("BT3", 70, 34)
    d.wire("U16.6", (58, 28), (70, 28), "BT3.1", upright_first=True)
    d.name("VBAT", (60, 28))
    d.flag("VBAT", (66, 28))
    d.rail("GND", "BT3.2")
    d.rail("3V3", "U16.2", 0, -14)
    d.part("C502", 38, 33)
    d.wire((56, 28), (38, 28), "C502.1")
    d.rail("GND", "C502.2")
    d.rail("GND", "U16.5", 0, 1)


def _backlight(d: Drawing) -> None:
    d.words("Backlight", 204, 22, bold=True)
    d.part("Q5", 218, 54)
    d.wire("Q5.1", (206, 54))
    d.name("TFT_BL", (206, 54))
    d.rail("GND", "Q5.2")
    d.part("Q4", 240, 44, 180, mirrored=True)
    d.wire("Q5.3", (220, 44), "Q4.1")
    d.name("BLG", (221, 44))
    d.part("R502", 228, 38)
    d.rail("5V", "R502.1", 0, -2)
    d.wire("R502.2", (228, 44))
    d.rail("5V", "Q4.2", 0, -7)
    d.part("R503", 254, 54, 90)
    d.wire("Q4.3", (242, 54), "R503.1")
    d.name("BLD", (244, 54))
    d.wire("R503.2", (262, 54))
    d.name("TFT_LED", (262, 54))


def _buttons(d: Drawing) -> None:
    d.words("Buttons and foot switch", 204, 66, bold=True)
    for i, letter in enumerate("ABC"):
        y = 76 + 10 * i
        series, button = f"R{505 + i}", f"S{1 + i}"
        d.part(series, 226, y, 90)
        d.wire((206, y), f"{series}.1")
        d.name(f"BTN_{letter}", (206, y))
        d.part(button, 248, y)
        d.wire(f"{series}.2", f"{button}.1")
        d.name(f"SW_{letter}", (233, y))
        d.wire(f"{button}.2", (258, y))
    d.wire((258, 76), (258, 96))
    d.rail("GND", (258, 96), 0, 1)
    d.part("R508", 240, 116, 90)
    d.wire((204, 116), "R508.1")
    d.name("FOOTSWITCH", (204, 116))
    d.part("R509", 216, 110)
    d.rail("3V3", "R509.1", 0, -2)
    d.wire("R509.2", (216, 116))
    d.part("C501", 226, 121)
    d.wire((226, 116), "C501.1")
    d.rail("GND", "C501.2")
    d.part("J6", 276, 116, 180, ref_at=(-2.6, -4.4, "left"), value_at=(-2.6, -2.8, "left"))
    d.wire("R508.2", "J6.1")
    d.name("FOOT_IN", (246, 116))
    d.part("D501", 258, 121, 270)
    d.wire((258, 116), (258, 118))
    d.rail("GND", (258, 124))
    d.rail("GND", "J6.2", -4)


def _lamp(d: Drawing) -> None:
    d.words("Lamp", 222, 132, bold=True)
    d.part("D502", 252, 146, 90, ref_at=(7, -1, "left"), value_at=(7, 0.8, "left"))
    d.rail("5V", "D502.2", 0, -2)
    for pin, series, fet, column, net in (
        ("1", "R510", "Q6", 232, "R"),
        ("3", "R511", "Q7", 252, "G"),
        ("4", "R512", "Q8", 272, "B"),
    ):
        x, _ = d.at(f"D502.{pin}")
        d.part(series, column, 158)
        d.wire(f"D502.{pin}", (x, 152), (column, 152), f"{series}.1")
        d.name(f"L{net}K", (column, 154))
        d.part(fet, column - 2, 170)
        d.wire(f"{series}.2", f"{fet}.3")
        d.name(f"L{net}D", (column, 164))
        d.rail("GND", f"{fet}.2")
        d.wire(f"{fet}.1", (column - 12, 170))
        d.name(f"LED_{net}", (column - 12, 170))


def _sounder(d: Drawing) -> None:
    d.words("Sounder", 284, 132, bold=True)
    d.part("R516", 304, 143)
    d.rail("5V", "R516.1", 0, -2)
    d.part("LS1", 310, 158, ref_at=(-2, -4.4, "left"), value_at=(-2, 5, "left"))
    d.wire("R516.2", (304, 156), "LS1.1")
    d.name("LSP", (304, 148))
    d.part("D503", 294, 158, 270, ref_at=(-1.8, -0.9, "right"), value_at=(-1.8, 1, "right"))
    d.wire("D503.1", (294, 150), (304, 150))
    d.wire("D503.2", (294, 163), (304, 163))
    d.part("Q9", 302, 170)
    d.wire("LS1.2", (304, 160), "Q9.3")
    d.name("LSN", (296, 163))
    d.rail("GND", "Q9.2")
    d.wire("Q9.1", (290, 170))
    d.name("BUZZER", (290, 170))
