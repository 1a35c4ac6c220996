"""Every error flattop raises on purpose, as one tree.

FlattopError
├── SettingsError (ValueError)       a settings file or an option that cannot be used
├── PlanError (ValueError)           a plan of a tuning run that cannot be used
├── CalibrationError (ValueError)    a calibration file that is damaged or does not fit
├── RecordingError (ValueError)      a WAV or CSV file that cannot be measured
├── StorageError (OSError)           the card or folder does not take what is written
├── PanelError (OSError)             screen, lamp, sounder or buttons that cannot be used
└── ConverterError (OSError)         the hardware in front of the numbers
    ├── ConverterMissing             nothing, or another chip, answers at the address
    └── ConverterSilent              it answered once and does not any more

A message says what, the value measured against the values allowed, and what to do.
Where one input has several faults, all of them are in the one error, one a line.
"""

from __future__ import annotations

from collections.abc import Sequence


class FlattopError(Exception):
    """Root of the tree: catch this to catch everything flattop raises on purpose."""


class SettingsError(FlattopError, ValueError):
    """A settings file or a command-line option that cannot be used."""


class PlanError(FlattopError, ValueError):
    """A plan of a tuning run that cannot be used."""


class CalibrationError(FlattopError, ValueError):
    """A calibration file that is damaged or does not belong to this meter."""


class RecordingError(FlattopError, ValueError):
    """A recording that cannot be read as volts against time."""


class StorageError(FlattopError, OSError):
    """A folder or file that does not take what is written to it."""


class PanelError(FlattopError, OSError):
    """The screen, the lamp, the sounder or the buttons cannot be used."""


class ConverterError(FlattopError, OSError):
    """The hardware in front of the numbers failed."""


class ConverterMissing(ConverterError):
    """Nothing, or something else, answers where the converter should be."""


class ConverterSilent(ConverterError):
    """The converter answered before and does not answer now."""


def listed(title: str, faults: Sequence[str]) -> str:
    """Return one message from `title` and every fault, one a line."""
    return "\n".join([title, *(f"  - {fault}" for fault in faults)])
