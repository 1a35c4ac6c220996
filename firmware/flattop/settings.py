"""One TOML file becomes frozen, typed settings; every fault in it is reported at once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from flattop.errors import SettingsError, listed
from flattop.toml_files import Document, Table, faults_in, read_toml


class Meter(Table, frozen=True, kw_only=True):
    """The meter as a whole."""

    input: Annotated[Literal["speaker", "line"], Meta(description="input that is measured at start")] = "speaker"
    serial: Annotated[str, Meta(max_length=40, description="serial number of this meter")] = ""
    update_s: Annotated[float, Meta(ge=0.05, le=1.0, description="time from one reading to the next [s]")] = 0.1
    window_s: Annotated[float, Meta(ge=0.1, le=2.0, description="time that one reading looks at [s]")] = 0.25


class Ads1015(Table, frozen=True, kw_only=True):
    """The bass converter and where it is wired."""

    address: Annotated[int, Meta(ge=0x48, le=0x4B, description="I2C address, 0x48 to 0x4b by the ADDR pin")] = 0x48
    alert_gpio: Annotated[Literal[4, -1], Meta(description="GPIO that ALERT/RDY is wired to, -1 for none")] = 4
    rate: Annotated[Literal[3300, 2400, 1600], Meta(description="nominal conversions a second")] = 3300


class Codec(Table, frozen=True, kw_only=True):
    """The full-band converter, as ALSA shows it."""

    enabled: Annotated[Literal["yes", "no"], Meta(description="whether this meter has a full-band converter")] = "yes"
    device: Annotated[
        str, Meta(min_length=1, max_length=200, description="its ALSA device, as `arecord -L` names it")
    ] = "hw:CARD=flattop"
    rate: Annotated[Literal[96000, 192000], Meta(description="its samples a second, by its oscillator")] = 96000


class Screen(Table, frozen=True, kw_only=True):
    """The panel and how it is built in."""

    controller: Annotated[
        Literal["st7789", "ili9341"], Meta(description="controller of the panel, printed on the module")
    ] = "st7789"
    rotation: Annotated[Literal[0, 180], Meta(description="turn of the picture by how the module is built in")] = 0
    baud_hz: Annotated[
        int, Meta(ge=0, le=62_500_000, description="clock of its bus [Hz], 0 for the fastest of its datasheet")
    ] = 0
    colours: Annotated[
        Literal["usual", "rgb", "bgr"], Meta(description="order of its colours, where red and blue are exchanged")
    ] = "usual"
    inverted: Annotated[
        Literal["usual", "yes", "no"], Meta(description="inversion, where the picture looks like a negative")
    ] = "usual"


class Verdict(Table, frozen=True, kw_only=True):
    """Limits of the verdict on the shape of a tone."""

    flat_db: Annotated[float, Meta(ge=0.1, le=3.0, description="overdrive from which tops are flat [dB]")] = 0.25
    soft_db: Annotated[float, Meta(ge=0.02, le=1.0, description="overdrive from which tops are soft [dB]")] = 0.08
    flat_thd_pct: Annotated[float, Meta(ge=0.1, le=10.0, description="THD_F from which tops are flat [%]")] = 1.0
    hysteresis: Annotated[float, Meta(ge=0.0, le=0.5, description="way back below a limit, as a share of it")] = 0.1
    latch_s: Annotated[float, Meta(ge=0.0, le=10.0, description="time that a flat verdict stays shown [s]")] = 1.0
    hold_s: Annotated[
        float, Meta(ge=0.0, le=10.0, description="time that third-harmonic-only evidence must stand [s]")
    ] = 1.0
    dc_alarm_v: Annotated[float, Meta(ge=0.05, le=10.0, description="d.c. from which the meter warns [V]")] = 0.5


class Files(Table, frozen=True, kw_only=True):
    """Where files are; a relative path counts from the folder of the settings file."""

    calibration: Annotated[str, Meta(max_length=1024, description="path of the calibration file, empty for none")] = ""
    folder: Annotated[str, Meta(max_length=1024, description="folder that sessions are written to, empty for none")] = (
        ""
    )


class Settings(Table, frozen=True, kw_only=True):
    """Everything that can be set, with the defaults of a meter as built."""

    meter: Meter = Meter()
    ads1015: Ads1015 = Ads1015()
    codec: Codec = Codec()
    screen: Screen = Screen()
    verdict: Verdict = Verdict()
    files: Files = Files()


def load(path: Path | None) -> Settings:
    """Read the settings file at `path`; None gives the defaults.

    Raises SettingsError with every fault, one a line.
    """
    if path is None:
        return Settings()
    document = read_toml(path, what="settings file", error=SettingsError)
    faults = [*faults_in(document, Settings), *_disagreements(document)]
    if faults:
        raise SettingsError(listed(f"settings file {path} cannot be used:", faults))
    settings = msgspec.convert(document.table, Settings)
    return msgspec.structs.replace(
        settings,
        files=Files(
            calibration=_located(settings.files.calibration, path.parent),
            folder=_located(settings.files.folder, path.parent),
        ),
    )


def _located(name: str, folder: Path) -> str:
    return str(folder / name) if name else ""


def _disagreements(document: Document) -> Iterator[str]:
    """Yield the faults of values that are fine each by itself but not together."""
    soft_db, flat_db = document.number("verdict", "soft_db", 0.08), document.number("verdict", "flat_db", 0.25)
    if soft_db >= flat_db:
        yield (
            f"{document.place('verdict', 'soft_db')}verdict.soft_db is {soft_db}; allowed is less than "
            f"verdict.flat_db, which is {flat_db}: tops go soft before they go flat; lower the one or raise the other"
        )
    update_s, window_s = document.number("meter", "update_s", 0.1), document.number("meter", "window_s", 0.25)
    if update_s > window_s:
        yield (
            f"{document.place('meter', 'update_s')}meter.update_s is {update_s}; allowed is at most "
            f"meter.window_s, which is {window_s}: what comes between two windows would never be looked at; "
            "lower the one or raise the other"
        )
