"""The board of a real meter: every part is opened by itself, and what could not be opened is said, not thrown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from flattop.bands import Bands
from flattop.calibration import Calibration
from flattop.converters import Converter, HostTime
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert, open_bus
from flattop.converters.capture import ArecordCapture
from flattop.converters.codec import CodecConverter
from flattop.converters.reader import Reader
from flattop.errors import ConverterError, FlattopError, SettingsError
from flattop.instrument import Panel
from flattop.panel.hardware.controls import Controls
from flattop.panel.hardware.display import open_panel
from flattop.panel.hardware.signals import Signals
from flattop.record.logbook import Logbook
from flattop.record.stamps import Wall
from flattop.samples import Input
from flattop.selfcheck import Part
from flattop.settings import Settings

FROZEN_S = 1.5
"""A loop that has not come round for this long has left an old number on the screen: the lamp says so [s]."""

Made = TypeVar("Made")

_CHOICE: Mapping[str, bool | None] = {"usual": None, "bgr": True, "yes": True, "rgb": False, "no": False}


@dataclass(frozen=True, slots=True)
class Opened:
    """What of the meter is there.

    parts : what opening each part gave, the part or its error; the self-check makes faults of the errors
    edges_hz : falling edges of the ready line in a second, lately [Hz]; None where it is not wired
    """

    converter: Converter
    panel: Panel
    parts: Mapping[Part, object]
    edges_hz: Callable[[], float | None]


def open_board(settings: Settings, calibration: Calibration | None) -> Opened:
    """Open the converter, the screen, the lamp with the sounder, and the buttons.

    Raises SettingsError for settings that no meter can have; whatever is only broken is among the parts of the result.
    """
    time = HostTime()
    parts: dict[Part, object] = {}
    options = settings.screen
    screen = _tried(
        parts,
        Part.SCREEN,
        lambda: open_panel(
            controller=options.controller,
            rotation=options.rotation,
            baud_hz=options.baud_hz or None,
            bgr=_CHOICE[options.colours],
            inverted=_CHOICE[options.inverted],
        ),
    )
    signals = _tried(parts, Part.LAMP, lambda: Signals(frozen_after_s=FROZEN_S))
    controls = _tried(parts, Part.BUTTONS, Controls)
    alert = None
    if settings.ads1015.alert_gpio >= 0:
        # Without the ready line the clock is recovered from the reads alone; the self-check misses the edges.
        with suppress(ConverterError):
            alert = Alert(settings.ads1015.alert_gpio)
    converter = Ads1015Converter(
        open_bus,  # by the reader thread, again and again until it is there
        time,
        input=Input(settings.meter.input),
        address=settings.ads1015.address,
        rate=settings.ads1015.rate,
        alert=alert,
        calibration=calibration,
    )
    # A line that is to be wired and could not be opened gives no edges.
    wired = settings.ads1015.alert_gpio >= 0
    both: Converter = Reader(converter, time)
    if settings.codec.enabled == "yes":
        # Nothing is started before it is read: one that is not there leaves a meter for bass tones, which says so.
        codec = CodecConverter(
            ArecordCapture(settings.codec.device, rate_hz=settings.codec.rate, time=time),
            time,
            input=Input(settings.meter.input),
            calibration=calibration,
        )
        both = Bands(both, Reader(codec, time), codec, now_s=time.now_s)
    return Opened(
        converter=both,
        panel=Panel(screen, signals, controls),
        parts=parts,
        edges_hz=lambda: converter.edges_hz if alert is not None else 0.0 if wired else None,
    )


def open_logbook(settings: Settings, wall: Callable[[], Wall], parts: dict[Part, object]) -> Logbook | None:
    """Open the logbook in the folder that the settings name, if they name one."""
    folder = settings.files.folder
    return _tried(parts, Part.CARD, lambda: Logbook(Path(folder), wall=wall)) if folder else None


def _tried(parts: dict[Part, object], part: Part, make: Callable[[], Made]) -> Made | None:
    """Open one part, and note it or its error."""
    try:
        made = make()
    except SettingsError:
        raise
    except FlattopError as error:
        parts[part] = error
        return None
    parts[part] = made
    return made
