"""The screen against a panel at command level: is what a person sees what was drawn, and how many bytes does it take?

Sequences of updates mix frames of the real drawing code with random pictures; between and inside them transfers are
lost, garbled or fail, and the panel resets itself. Without a fault the picture must be the drawn one after every
update; after the last fault it must be so once RECOVERY_UPDATES further updates are through.
"""

from __future__ import annotations

import sys
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import rig
from rig import Row

from flattop.errors import PanelError
from flattop.panel.hardware.display import RECOVERY_UPDATES, PanelDisplay
from flattop.panel.menu import Light
from flattop.panel.screen import SIZE, changed_rectangles, draw, frame_bytes, packed, rgb565
from flattop.simulated.bus import VirtualTime
from flattop.simulated.panel import Fault, SimulatedPanel
from make_frames import ramp, views

UPDATE_S = 0.1
FULL_FRAME_BYTES = 2 * SIZE[0] * SIZE[1] + 11


@lru_cache(maxsize=1)
def drawn() -> list[Image.Image]:
    """Every state the screen knows, and a level that rises."""
    return [draw(view) for view in [*views().values(), *ramp()[::4]]]


class Desk:
    """A driver and a panel in virtual time."""

    def __init__(
        self, rng: np.random.Generator, *, controller: str, rotation: int = 0, own_select: bool = True
    ) -> None:
        self.time = VirtualTime(rng=rng, wake_s=0.0)
        self.panel = SimulatedPanel(
            controller=controller,
            now_s=self.time.now_s,
            rng=rng,
            upside_down=rotation == 180,
            own_select=own_select,
        )
        panel = self.panel
        self.display = PanelDisplay(
            spi=panel.spi,
            dc=panel.dc,
            rst=panel.rst,
            cs=panel.cs if own_select else None,
            backlight=panel.backlight,
            controller=controller,
            rotation=rotation,
            time=self.time,
        )

    def update(self, image: Image.Image, then_s: float = UPDATE_S) -> bool:
        """Show an image and let time pass; False while the panel is starting or where the bus failed."""
        try:
            shown = self.display.show(image)
        except PanelError:
            shown = False
        self.time.pass_until(self.time.now + then_s)
        return shown

    def wrong(self, image: Image.Image) -> int:
        """Return how many pixels a person sees that were not drawn, compared in the panel's 16 bits."""
        return int(np.count_nonzero(rgb565(packed(self.panel.image())) != rgb565(packed(image))))


def picture(rng: np.random.Generator, last: Image.Image) -> Image.Image:
    """Return a drawn frame, noise all over, or the last picture with patches."""
    kind = rng.integers(20)
    if kind < 6:
        return drawn()[rng.integers(len(drawn()))]
    if kind == 6:
        return Image.fromarray(rng.integers(0, 256, (SIZE[1], SIZE[0], 3), dtype=np.uint8))
    return patched(rng, last)


def patched(rng: np.random.Generator, last: Image.Image) -> Image.Image:
    """Return the picture with a few patches of noise or of one colour on it."""
    new = last.copy()
    for _ in range(rng.integers(1, 4)):
        width, height = int(rng.integers(1, 100)), int(rng.integers(1, 60))
        place = (int(rng.integers(SIZE[0] - width)), int(rng.integers(SIZE[1] - height)))
        noise = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
        if rng.integers(2):
            noise[:] = noise[0, 0]
        new.paste(Image.fromarray(noise), place)
    return new


def mishap(rng: np.random.Generator, desk: Desk) -> bool:
    """Let something go wrong, one time in two; True if so."""
    kind = int(rng.integers(12))
    if kind < 4:
        desk.panel.fault(list(Fault)[kind], after_transfers=int(rng.integers(40)))
    elif kind == 4:
        desk.panel.power_dip()
    elif kind == 5:
        desk.panel.fault(list(Fault)[rng.integers(4)], after_transfers=int(rng.integers(300)))
    return kind < 6


def sequence(seed: list[int]) -> tuple[int, int, int, int]:
    """Return for one sequence: wrong pixels where no fault was, wrong pixels at the end, updates, mishaps."""
    rng = np.random.default_rng(seed)
    desk = Desk(
        rng,
        controller=("st7789", "ili9341")[rng.integers(2)],
        rotation=(0, 180)[rng.integers(2)],
        own_select=bool(rng.integers(2)),
    )
    image, clean, wrong, mishaps = drawn()[0], True, 0, 0
    updates = int(rng.integers(4, 20))
    for _ in range(updates):
        if rng.random() < 0.5 and mishap(rng, desk):
            clean, mishaps = False, mishaps + 1
        if rng.random() < 0.1:
            desk.display.light(list(Light)[rng.integers(3)])
        image = picture(rng, image)
        if desk.update(image, float(rng.uniform(0.005, 0.3))) and clean:
            wrong += desk.wrong(image)
    desk.panel.clear_faults()
    for step in range(RECOVERY_UPDATES):
        # Small changes only: a frame that is new all over would heal the panel by itself.
        if step % 12 == 0:
            image = patched(rng, image)
        desk.update(image)
    return wrong, desk.wrong(image), updates + RECOVERY_UPDATES, mishaps


def equality(runner: rig.Runner, trials: int) -> list[Row]:
    found = np.array(runner.map(sequence, trials, label=61))
    mishaps = int(found[:, 3].sum())
    for number in np.flatnonzero(found[:, 0] + found[:, 1]).tolist():
        print(f"wrong: sequence({[runner.seed, 61, number]}) {found[number].tolist()}")
    unhurt = int(np.count_nonzero(found[:, 0]))
    after = int(np.count_nonzero(found[:, 1]))
    return [
        Row("sequences with a wrong pixel before any fault", f"{unhurt}", "0", trials, unhurt == 0),
        Row(f"wrong {RECOVERY_UPDATES} updates after the last fault", f"{after}", "0", trials, after == 0),
        Row("updates in them", f"{int(found[:, 2].sum())}", "", trials, None),
        Row("faults in them", f"{mishaps}", "", trials, None),
    ]


def traffic(runner: rig.Runner, trials: int) -> list[Row]:
    """Bytes of each update of a level that rises by 12 dB in ten seconds."""
    rows = []
    frames = [draw(view) for view in ramp()]
    for controller in ("st7789", "ili9341"):
        desk = Desk(np.random.default_rng(runner.seed), controller=controller)
        while not desk.update(frames[0]):
            pass
        bare, sent = [], []
        for before, after in pairwise(frames):
            begun = desk.panel.spi.sent_bytes
            desk.update(after)
            sent.append((desk.panel.spi.sent_bytes - begun) / FULL_FRAME_BYTES)
            bare.append(frame_bytes(changed_rectangles(packed(before), packed(after))) / FULL_FRAME_BYTES)
        shares = f"{np.median(sent):.1%} (largest {max(sent):.1%})"
        plain = f"{np.median(bare):.1%} (largest {max(bare):.1%})"
        more = f"{np.median(np.subtract(sent, bare)) * FULL_FRAME_BYTES:.0f} bytes"
        rows += [
            Row(f"{controller}: median share of a frame, as sent", shares, "< 20 %", len(sent), np.median(sent) < 0.2),
            Row(f"{controller}: of it what changed", plain, "", len(bare), None),
            Row(f"{controller}: of it refresh and registers", more, "", len(sent), None),
        ]
    return rows


FIGURES = {"traffic": traffic, "equality": equality}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__ or "", FIGURES, trials=10_000))
