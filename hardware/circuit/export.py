"""Draw the schematic, check it, and export from it everything that others read.

    python hardware/circuit/export.py            draws, checks and writes into this folder
    python hardware/circuit/export.py FOLDER     the same into another folder; this one stays as it is

Needs kicad-cli of KiCad 9. What comes out depends on nothing but the source: the same bytes every time.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from kicad_files import branches, load_library, parse, plain
from meter_parts import PARTS, Connection, connections
from meter_sheets import sheets

HERE = Path(__file__).parent
DATE, REVISION = "2026-11-26", "2"
"""In the title blocks; changed by hand with the circuit."""
KICAD = "9.0.8"
"""Version that drew the PDF here; another one may draw the same sheets with other bytes."""
PROJECT = ("flattop.kicad_pro", "flattop.kicad_sym", "sym-lib-table", "fp-lib-table")
GENERATED = ("netlist.csv", "bom.csv", "pin-map.csv", "sheets.pdf")
FIELDS = ("Value", "Tolerance", "Rating", "Description", "Example", "Footprint", "Substitutes", "Price_USD_from_memory")


class ExportError(Exception):
    """The schematic has faults, or KiCad could not work on it."""


@dataclass(frozen=True, slots=True)
class Row:
    """One pin as KiCad's own netlist has it."""

    reference: str
    value: str
    footprint: str
    pin: str
    pin_name: str
    net: str


def natural(text: str) -> list[int | str]:
    """Return a key that sorts R9 before R10."""
    return [int(run) if run.isdigit() else run for run in re.split(r"(\d+)", text)]


def kicad(*arguments: str | Path) -> str:
    """Run kicad-cli and return what it says.

    Raises ExportError where it fails.
    """
    program = shutil.which("kicad-cli")
    if program is None:
        raise ExportError(
            "kicad-cli is not installed; it comes with KiCad 9 (Debian: bookworm-backports, package kicad)"
        )
    done = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True, check=False)
    if done.returncode:
        raise ExportError(f"kicad-cli {' '.join(map(str, arguments[:3]))} failed:\n{done.stdout}{done.stderr}")
    return done.stdout


def draw(folder: Path) -> None:
    """Write the project's sheets into `folder`, which has to hold the files named in PROJECT.

    Raises ExportError where words run into something.
    """
    drawn = list(sheets())
    faults = [fault for sheet in drawn for fault in sheet.collisions()]
    if faults:
        raise ExportError("the drawing is hard to read:\n  " + "\n  ".join(faults))
    for page, sheet in enumerate(drawn, start=1):
        sheet.save(folder, page=page, pages=len(drawn), date=DATE, revision=REVISION)


def electrical_faults(schematic: Path) -> list[str]:
    """Return what KiCad's electrical rules check finds, each with its sheet; warnings are faults."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "erc.json"
        kicad("sch", "erc", "--format", "json", "--severity-all", "-o", report, schematic)
        found = json.loads(report.read_text(encoding="utf-8"))
    return [
        f"{sheet['path']} {fault['severity']} {fault['type']}: {fault['description']}: "
        + "; ".join(item["description"] for item in fault["items"])
        for sheet in found["sheets"]
        for fault in sheet["violations"]
    ]


def netlist(schematic: Path) -> list[Row]:
    """Return KiCad's netlist, a row for each pin, in the order of references and pins.

    Nets have the names of the drawing, without the sheets that they lie on. Pins left open are left out.
    """
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "netlist"
        kicad("sch", "export", "netlist", "--format", "kicadsexpr", "-o", file, schematic)
        tree = parse(file.read_text(encoding="utf-8"))
    parts = {}
    for part in branches(branches(tree, "components")[0], "comp"):
        entry = {str(branch[0]): plain(branch[1]) for branch in part if isinstance(branch, list) and len(branch) > 1
                 and isinstance(branch[1], str)}  # fmt: skip
        parts[entry["ref"]] = (entry["value"], entry.get("footprint", ""))
    rows = []
    for net in branches(branches(tree, "nets")[0], "net"):
        name = plain(branches(net, "name")[0][1])
        if name.startswith("unconnected-"):
            continue
        name = name.rsplit("/", 1)[-1]
        for node in branches(net, "node"):
            ref, pin = (plain(branches(node, key)[0][1]) for key in ("ref", "pin"))
            named = branches(node, "pinfunction")
            rows.append(Row(ref, *parts[ref], pin, plain(named[0][1]) if named else "", name))
    return sorted(rows, key=lambda row: (natural(row.reference), natural(row.pin)))


def _write(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def write_netlist(rows: Iterable[Row], path: Path) -> None:
    """Write one line for each connected pin: what a simulation or a layout starts from."""
    header = ("reference", "value", "footprint", "pin", "pin_name", "net")
    _write(path, header, ([getattr(row, name) for name in header] for row in rows))


def write_bom(schematic: Path, path: Path) -> None:
    """Write one line for each kind of part, as KiCad groups them."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bom.csv"
        columns = ["Reference", "QUANTITY", *FIELDS, "DNP"]
        kicad(
            "sch", "export", "bom", "-o", file, "--fields",
            ",".join(f"${{{c}}}" if c in ("QUANTITY", "DNP") else c for c in columns), "--labels", ",".join(columns),
            "--group-by", "Value,Footprint,Tolerance,Rating,Description,Example,${DNP}",
            "--ref-range-delimiter", "", schematic,
        )  # fmt: skip
        with file.open(newline="", encoding="utf-8") as opened:
            lines = list(csv.DictReader(opened))
    for line in lines:
        line["Reference"] = " ".join(sorted(line["Reference"].replace(",", " ").split(), key=natural))
    lines.sort(key=lambda line: natural(line["Reference"]))
    header = ("references", "quantity", *(name.lower() for name in FIELDS), "fitted")
    _write(
        path, header,
        ([line["Reference"], line["QUANTITY"], *(line[name] for name in FIELDS), "no" if line["DNP"] else "yes"]
         for line in lines),
    )  # fmt: skip


def write_pin_map(rows: Iterable[Row], path: Path) -> None:
    """Write what each pin of the Raspberry Pi's header carries, by physical pin."""
    nets = {row.pin: row.net for row in rows if row.reference == "J4"}
    header = load_library(HERE / "flattop.kicad_sym")["RaspberryPi_Header"]
    lines = []
    for pin in sorted(header.pins, key=lambda pin: int(pin.number)):
        gpio = pin.name.split()[0] if pin.name.startswith("GPIO") else ""
        lines.append((pin.number, gpio or pin.name, nets.get(pin.number, ""), _USES.get(nets.get(pin.number, ""), "")))
    _write(path, ("physical", "pin", "net", "use"), lines)


_USES = {
    "3V3": "from the Raspberry Pi: panel logic, clock chip, bass converter, pull-ups",
    "5V": "to the Raspberry Pi",
    "SDA": "I2C 1: bass converter 0x48, clock chip 0x68, fuel gauge 0x36",
    "SCL": "I2C 1",
    "ALERT_RDY": "ready line of the bass converter, low for a moment",
    "DIAG": "fault line of both isolators, low on a fault",
    "LOW_BATT#": "alert of the fuel gauge, low",
    "LED_R": "lamp, red, high is on",
    "LED_G": "lamp, green, high is on",
    "LED_B": "lamp, blue, high is on",
    "PCM_CLK": "I2S bit clock, from the converter",
    "PCM_FS": "I2S word clock, from the converter",
    "PCM_DIN": "I2S data, from the converter",
    "AFE_EN": "supply of the front end, high is on, pulled up",
    "TFT_RST": "reset of the panel, low",
    "TFT_DC": "panel, command or data",
    "TFT_CS": "SPI 0 chip select of the panel",
    "MOSI": "SPI 0, panel",
    "MISO": "SPI 0, panel",
    "SCLK": "SPI 0, panel",
    "TFT_BL": "backlight, high is on",
    "PWR_KILL#": "low cuts the supply (overlay gpio-poweroff)",
    "BTN_A": "button A, to ground",
    "BTN_B": "button B, to ground",
    "BTN_C": "button C, to ground",
    "FOOTSWITCH": "foot switch, to ground",
    "BUZZER": "sounder, pulses",
    "": "left open",
}


def compare(rows: Iterable[Row]) -> list[str]:
    """Return where KiCad's netlist of the drawing differs from the list of parts."""
    drawn = {Connection(row.reference, row.pin, row.net) for row in rows}
    meant = connections([part for part in PARTS if part.on_board])
    faults = [f"{c.ref}.{c.pin} is on {c.net} in the drawing only" for c in drawn - meant]
    faults += [f"{c.ref}.{c.pin} is on {c.net} in the list of parts only" for c in meant - drawn]
    values = {part.ref: (part.value, part.footprint) for part in PARTS}
    faults += [
        f"{r.reference}: {r.value}, {r.footprint}" for r in rows if values[r.reference] != (r.value, r.footprint)
    ]
    return sorted(set(faults), key=natural)


def _undate(picture: Path) -> None:
    """Set the time in a PDF or SVG to the date of the title blocks: the same drawing is the same file."""
    day = DATE.encode()
    content = re.sub(rb"\(D:\d{14}", b"(D:" + day.replace(b"-", b"") + b"000000", picture.read_bytes())
    content = re.sub(rb"date \d{4}[-/]\d\d[-/]\d\d \d\d:\d\d:\d\d", b"date " + day, content)
    picture.write_bytes(content)


def export(folder: Path, *, pictures: bool = True) -> list[Row]:
    """Draw into `folder`, check, and write netlist, parts list, pin map and pictures.

    Raises ExportError with every fault of the drawing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in PROJECT:
        if folder.resolve() != HERE.resolve():
            shutil.copyfile(HERE / name, folder / name)
    draw(folder)
    schematic = folder / "flattop.kicad_sch"
    rows = netlist(schematic)
    faults = [*electrical_faults(schematic), *compare(rows)]
    if faults:
        raise ExportError("the schematic has faults:\n  " + "\n  ".join(faults))
    write_netlist(rows, folder / "netlist.csv")
    write_bom(schematic, folder / "bom.csv")
    write_pin_map(rows, folder / "pin-map.csv")
    if pictures:
        kicad(
            "sch",
            "export",
            "pdf",
            "--exclude-pdf-property-popups",
            "--exclude-pdf-metadata",
            "-o",
            folder / "sheets.pdf",
            schematic,
        )
        kicad("sch", "export", "svg", "-o", folder / "svg", schematic)
        for picture in (folder / "sheets.pdf", *(folder / "svg").glob("*.svg")):
            _undate(picture)
    return rows


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    try:
        found = export(target)
    except ExportError as error:
        sys.exit(f"export.py: {error}")
    print(f"{target}: {len(PARTS)} parts, {len({row.net for row in found})} nets, {len(found)} pins; no faults")
