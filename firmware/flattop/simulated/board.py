"""The simulated board: two pairs of terminals, front end, ADS1015, I2C bus and the ALERT pin, in virtual time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flattop.samples import FloatArray
from flattop.simulated.ads1015 import ADDRESS, CALL_BACK_S, Ads1015
from flattop.simulated.bus import FakeI2C, PacedTime, VirtualTime, virtual_pin_factory
from flattop.simulated.frontend import FrontEnd, Signal, Tolerances

if TYPE_CHECKING:
    from gpiozero.pins.mock import MockFactory

ALERT_GPIO = 4
"""The Pi's pin that ALERT/RDY is wired to."""


def silence(times_s: FloatArray) -> FloatArray:
    """Return no voltage at any time: leads joined."""
    return np.zeros_like(times_s)


class SimulatedBoard:
    """Everything between the terminals and the drivers; same seed, same board and same course of events.

    speaker, line
        What lies between the terminals.
    tolerances
        The board's parts; drawn from the seed if not given.
    noise
        False: a converter without noise.
    steady
        True: no host jitter, no gaps, no wake-up delays, no lost or late edges.
    start_s
        What the board's clock shows at first [s].
    live
        True: virtual time keeps pace with the host's monotonic clock, which `start_s` is then to be taken from.
    """

    def __init__(
        self,
        *,
        seed: int,
        speaker: Signal = silence,
        line: Signal = silence,
        tolerances: Tolerances | None = None,
        alert_wired: bool = True,
        bus_hz: float = 400_000,
        noise: bool = True,
        steady: bool = False,
        start_s: float = 0.0,
        live: bool = False,
    ) -> None:
        parts, host, bus, chip = (np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(4))
        drawn = Tolerances.draw(parts) if tolerances is None else tolerances
        clock = PacedTime if live else VirtualTime
        self.time = clock(rng=host, start_s=start_s, wake_s=0.0 if steady else 25e-6)
        self.front_end = FrontEnd(speaker=speaker, line=line, tolerances=drawn, start_s=start_s)
        """The drawn truth; for tests only."""
        self.i2c = FakeI2C(
            self.time, rng=bus, bus_hz=bus_hz, jitter_s=0.0 if steady else 30e-6, gaps_hz=0.0 if steady else 3.0
        )
        self.pin_factory: MockFactory | None = virtual_pin_factory(self.time) if alert_wired else None
        """gpiozero's mock factory for the ALERT pin; None where it is not wired."""
        alert = None
        if self.pin_factory is not None:
            alert = self.pin_factory.pin(ALERT_GPIO)
            alert.drive(True, start_s)  # 10k to 3.3 V
        self.chip = Ads1015(
            self.front_end,
            self.time,
            rng=chip,
            alert=alert,
            noise_lsb=0.2 if noise else 0.0,
            noise_v=28e-6 if noise else 0.0,
            edge_jitter_s=0.0 if steady else 2e-6,
            edge_loss=0.0 if steady else 0.001,
            call_back_s=0.0 if steady else CALL_BACK_S,
        )
        self.i2c.attach(ADDRESS, self.chip)
