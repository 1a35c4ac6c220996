"""An invented street-theatre van: a line source, a level control, a bass amplifier, and the hands on its knobs.

Every waveform is a closed form of time and of what the hands have decided so far, so it does not
matter in what portions it is asked for.
"""

from __future__ import annotations

import numpy as np

from flattop.samples import FloatArray
from flattop.simulated.chain import limited

_CONTACT_S = 1e-3  # a clip leaves or finds its terminal within this
_PICKUP_V = 0.15  # mains hum on an open lead, rms


def course(times_s: FloatArray, at_s: list[float], levels: list[float]) -> FloatArray:
    """Return the level on straight lines between the points given, shape (n,); (1,) where it does not change.

    What stands still most of the time is not worked out ten thousand times over.
    """
    ends = np.interp([times_s[0], times_s[-1]], at_s, levels)
    still = ends[0] == ends[1] and not any(times_s[0] < s < times_s[-1] for s in at_s)
    return ends[:1] if still else np.interp(times_s, at_s, levels)


class Hands:
    """Two people: one at the dash follows a script, the other turns the gain pot by what the screen says.

    The dash raises the volume in ramps with holds between them, from low to well past
    clipping. From `turn_from_s` on the other turns the pot down a step whenever a verdict
    of flat or soft is shown, looks again, and stops at clean. It knows nothing of the truth.
    """

    reaction_s = 0.7
    """From a verdict on the screen to the hand's first move."""
    turn_s = 0.35
    look_s = 0.6
    """From the end of a turn until the screen is believed again."""
    step_db = 0.6
    fine_step_db = 0.15
    """Step of the pot at flat, and at soft."""

    def __init__(self, *, rng: np.random.Generator, turn_from_s: float = 8.3) -> None:
        self.turn_from_s = turn_from_s
        self._rng = rng
        self._volume = (
            [0.0, 1.2, 2.0, 3.0, 3.8, 5.0, 5.4, 6.9, 7.5],
            [-15.9, -15.9, -7.9, -7.9, -3.1, -3.1, -1.75, -1.75, 0.0],
        )
        self._pot: tuple[list[float], list[float]] = ([0.0], [0.0])
        self._look_again_s = turn_from_s
        self.settled = False
        """The pot has been turned, and the screen said clean afterwards."""

    def volume_db(self, times_s: FloatArray) -> FloatArray:
        """Return the dash's volume [dB below its highest setting in the script], as `course` does."""
        return course(times_s, *self._volume)

    def pot_db(self, times_s: FloatArray) -> FloatArray:
        """Return the gain pot's setting [dB re as found], as `course` does."""
        return course(times_s, *self._pot)

    def observe(self, verdict: str, now_s: float) -> None:
        """See a verdict on the screen at `now_s`; may turn the pot, after the reaction time."""
        if now_s < self._look_again_s:
            return
        times, levels = self._pot
        if verdict in {"flat", "soft"}:
            step_db = self.step_db if verdict == "flat" else self.fine_step_db
            begin_s = now_s + self.reaction_s
            times += [begin_s, begin_s + self.turn_s]
            levels += [levels[-1], levels[-1] - step_db * float(self._rng.uniform(0.9, 1.1))]
            self._look_again_s = begin_s + self.turn_s + self.look_s
            self.settled = False
        elif verdict == "clean" and len(times) > 1:
            self.settled = True


class Van:
    """The signals on the van's bass channel; both terminals of the meter are on the same amplifier.

    All figures are invented. Same seed and same verdicts shown, same waveforms.

    rails_v
        Peak that the amplifier can reach [V].
    knee
        Softness of its clipping, see `limited`.
    overdrive_db
        How far its input, at the end of the script and with the pot as found, lies above what the rails take.
    second
        Second harmonic relative to the fundamental at full output.
    lead_off_s
        When the clip on the speaker terminals slips off and is put back [s]; None: never.
    """

    duration_s = 20.0
    """Length of the scene [s]."""

    def __init__(
        self,
        *,
        seed: int,
        tone_hz: float = 40.0,
        rails_v: float = 93.0,
        knee: float = 0.0,
        overdrive_db: float = 1.9,
        source_v: float = 3.2,
        level_control_db: float = -0.3,
        second: float = 0.0008,
        dc_v: float = 0.012,
        residue_v: float = 0.4,
        lead_off_s: tuple[float, float] | None = (16.6, 17.7),
    ) -> None:
        rng = np.random.default_rng(seed)
        # The player's own crystal is a little off; no tone starts at a round phase.
        self.tone_hz = tone_hz * (1 + float(rng.uniform(-30e-6, 30e-6)))
        self.hands = Hands(rng=rng)
        self._phase = float(rng.uniform(0, 2 * np.pi))
        self._line_peak_v = source_v * float(np.sqrt(2)) * 10 ** (level_control_db / 20)
        self._gain = rails_v * 10 ** (overdrive_db / 20) / self._line_peak_v
        self._rails_v = rails_v
        self._knee = knee
        self._second = second
        self._dc_v = dc_v
        self._residue_v = residue_v
        self._residue_hz = float(rng.uniform(36e3, 40e3))
        self._lead_off_s = lead_off_s

    def observe(self, verdict: str, now_s: float) -> None:
        """Let the hands see the verdict on the screen."""
        self.hands.observe(verdict, now_s)

    def line(self, times_s: FloatArray) -> FloatArray:
        """Return the voltage at the amplifier's input [V]."""
        return self._line_level(times_s) * self._tone(times_s)

    def speaker(self, times_s: FloatArray) -> FloatArray:
        """Return the voltage between the meter's clips at the amplifier's output [V]."""
        peak_v = self._gain * 10 ** (self.hands.pot_db(times_s) / 20) * self._line_level(times_s)
        drive_v = peak_v * self._tone(times_s)
        bent_v = drive_v + 2 * self._second * (drive_v * drive_v - peak_v * peak_v / 2) / self._rails_v
        residue_v = self._residue_v * np.sin(2 * np.pi * self._residue_hz * times_s)
        volts = limited(bent_v, self._rails_v, self._knee) + self._dc_v + residue_v
        if self._lead_off_s is None:
            return volts
        slips_s, back_s = self._lead_off_s
        contact = course(times_s, [slips_s, slips_s + _CONTACT_S, back_s, back_s + _CONTACT_S], [1.0, 0.0, 0.0, 1.0])
        if contact.size == 1 and contact[0] == 1.0:
            return volts
        hum_v = _PICKUP_V * np.sqrt(2) * np.sin(2 * np.pi * 50 * times_s)
        return np.asarray(contact * volts + (1 - contact) * hum_v, dtype=np.float64)

    def _tone(self, times_s: FloatArray) -> FloatArray:
        return np.sin(2 * np.pi * self.tone_hz * times_s + self._phase)

    def _line_level(self, times_s: FloatArray) -> FloatArray:
        """Return the peak of the tone behind the level control [V]."""
        return np.asarray(self._line_peak_v * 10 ** (self.hands.volume_db(times_s) / 20), dtype=np.float64)
