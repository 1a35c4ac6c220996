"""A whole tuning run on the simulated board: a vehicle, two people who follow the meter, and the meter itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib import resources

from flattop.answers import newest
from flattop.bands import UP_HZ, Bands
from flattop.calibration import Calibration
from flattop.converters import Converter
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.converters.codec import CodecConverter
from flattop.measure.reading import Reading
from flattop.measure.verdict import Limits
from flattop.meter import Meter
from flattop.samples import Input, Samples
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard
from flattop.simulated.codec import SimulatedCapture
from flattop.simulated.electrics import Vehicle
from flattop.simulated.hands import Hands, Instruction
from flattop.simulated.vehicle_file import VehicleFile, loads
from flattop.tuner import Tuner
from flattop.tuning.plan import Plan

LONGEST_S = 3600.0
"""A run that takes longer than this has come to a stand [s]."""
LAST_S = 1.0
"""How long the last screen is shown [s]."""


READY_MADE = ("van", "full-range")


def ready_made(name: str) -> VehicleFile:
    """Return an invented vehicle that comes with the package: "van", or "full-range" with mids and tweeters."""
    return loads((resources.files("flattop.simulated") / "vehicles" / f"{name}.toml").read_text("utf-8"))


def the_van() -> VehicleFile:
    """Return the invented street-theatre van that comes with the package."""
    return ready_made("van")


class Scene:
    """The vehicle of a file, tuned after a plan; same seed, same course of events.

    full_band : whether the meter has its full-band converter; None: where the plan has a tone for it
    """

    def __init__(
        self,
        plan: Plan,
        vehicle: VehicleFile,
        calibration: Calibration | None,
        *,
        seed: int,
        limits: Limits | None = None,
        update_s: float = 0.1,
        window_s: float = 0.25,
        full_band: bool | None = None,
    ) -> None:
        self.vehicle = Vehicle(vehicle, plan.tones, seed=seed)
        self.hands = Hands(self.vehicle, seed=seed)
        self.board = SimulatedBoard(seed=seed, speaker=self.vehicle.speaker, line=self.vehicle.line)
        converter: Converter = Ads1015Converter(
            self.board.i2c,
            self.board.time,
            input=Input.SPEAKER,
            alert=Alert(ALERT_GPIO, self.board.pin_factory),
            calibration=calibration,
            simulated=True,
        )
        if any(tone.hz > UP_HZ for tone in plan.tones) if full_band is None else full_band:
            capture = SimulatedCapture(
                seed=seed,
                time=self.board.time,
                speaker=self.vehicle.speaker,
                line=self.vehicle.line,
                tolerances=self.board.front_end.tolerances,
            )
            codec = CodecConverter(capture, self.board.time, calibration=calibration, simulated=True)
            converter = Bands(converter, codec, codec, now_s=self.board.time.now_s)
        self.meter = Meter(
            converter, time=self.board.time, end_s=LONGEST_S, limits=limits, update_s=update_s, window_s=window_s
        )

    def _newest(self, duration_s: float) -> tuple[Samples, Samples | None]:
        return newest(self.meter.converter, duration_s)

    def readings(self, tuner: Tuner, *, kept: Callable[[Reading], None] = lambda reading: None) -> Iterator[Reading]:
        """Yield readings, each after it was shown to the tuner and the hands, until the run is over.

        kept : called with each reading that was kept
        """
        over_s: float | None = None
        for reading in self.meter.readings():
            now_s = self.board.time.now_s()
            if tuner.take(reading, now_s=now_s, newest=self._newest) and tuner.kept is not None:
                kept(tuner.kept)
            prompt = tuner.prompt
            if prompt is not None:
                if prompt.step.input is not self.meter.converter.input:
                    self.meter.converter.select(prompt.step.input)
                shown = Instruction(
                    place=prompt.place,
                    text=prompt.text,
                    word=str(prompt.word),
                    aim_v=prompt.aim_v,
                    tolerance_v=prompt.tolerance_v,
                    hz=prompt.step.tone.hz if prompt.step.tone is not None else None,
                )
                self.hands.see(
                    shown,
                    verdict=str(reading.verdict),
                    level_v=reading.rms_v,
                    now_s=now_s,
                    reason=str(reading.reason),
                    signal=str(prompt.word),
                )
            yield reading
            if tuner.over:
                over_s = now_s if over_s is None else over_s
                if now_s - over_s >= LAST_S:
                    return
