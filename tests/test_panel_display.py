"""The screen's driver against a panel at command level: what a person sees is what was drawn, whatever happened."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

sys.path.insert(0, str(Path(__file__).parent / "figures"))

from panel import FULL_FRAME_BYTES, UPDATE_S, Desk, drawn, sequence

from flattop.errors import PanelError, SettingsError
from flattop.panel.hardware import display as driver
from flattop.panel.hardware.display import DUTY, LOCK_S, RECOVERY_UPDATES, PanelDisplay, open_panel
from flattop.panel.menu import Light
from flattop.panel.screen import SIZE, changed_rectangles, draw, frame_bytes, packed, rgb565
from flattop.simulated.panel import Fault, SimulatedPanel
from make_frames import ramp

CONTROLLERS = ("st7789", "ili9341")


def noise(seed: int) -> Image.Image:
    return Image.fromarray(np.random.default_rng(seed).integers(0, 256, (SIZE[1], SIZE[0], 3), dtype=np.uint8))


@pytest.fixture(params=CONTROLLERS)
def desk(request):
    return Desk(np.random.default_rng(5), controller=request.param)


def started(desk: Desk, image: Image.Image) -> Desk:
    for _ in range(8):
        if desk.update(image):
            return desk
    pytest.fail("the panel does not start")


def black(desk: Desk) -> bool:
    return desk.panel.image().getextrema() == ((0, 0), (0, 0), (0, 0))


def seen_after(desk: Desk, image: Image.Image, updates: int = RECOVERY_UPDATES) -> int:
    for _ in range(updates):
        desk.update(image)
    return desk.wrong(image)


def held_by_another(desk: Desk) -> Iterator[int]:
    """Let nobody else have the bus; the tries are counted, so that an endless wait ends with a StopIteration."""
    tries = iter(range(2000))
    desk.panel.spi.try_lock = lambda: next(tries) < 0
    return tries


# --- the panel itself: known answers, without the driver ----------------------------------------------------------


class Wire:
    """Raw commands to a simulated panel, at times of the test's own."""

    def __init__(self, controller: str) -> None:
        self.now = 0.0
        self.panel = SimulatedPanel(
            controller=controller, now_s=lambda: self.now, rng=np.random.default_rng(1), own_select=False
        )

    def __call__(self, command: int, *data: int, at: float | None = None) -> None:
        self.now = self.now if at is None else at
        self.panel.spi.try_lock()
        self.panel.dc.value = False
        self.panel.spi.write(bytes([command]))
        if data:
            self.panel.dc.value = True
            self.panel.spi.write(bytes(data))
        self.panel.spi.unlock()

    def wake(self, madctl: int, *, inverted: bool) -> None:
        self(0x11, at=0.2)
        self(0x3A, 0x55, at=0.3)
        self(0x36, madctl)
        self(0x21 if inverted else 0x20)
        self(0x29)
        # The whole memory black, in the axes that MADCTL gives.
        wide = bool(madctl & 0x20)
        self(0x2A, 0, 0, *((1, 63) if wide else (0, 239)))
        self(0x2B, 0, 0, *((0, 239) if wide else (1, 63)))
        self(0x2C, *bytes(2 * 240 * 320))
        self.now = 0.5


@pytest.mark.parametrize(
    ("controller", "madctl", "corner"),
    [
        # Where the first pixel (0, 0) is seen, as (x, y) on the module turned to landscape. Memory write direction
        # by MY, MX, MV after the tables of both datasheets (from memory).
        ("st7789", 0x60, (0, 0)),
        ("st7789", 0xA0, (319, 239)),
        ("st7789", 0x20, (0, 239)),
        ("st7789", 0xE0, (319, 0)),
        ("st7789", 0x00, (0, 239)),
        ("st7789", 0xC0, (319, 0)),
        ("ili9341", 0x28, (0, 0)),
        ("ili9341", 0xE8, (319, 239)),
    ],
)
def test_the_panel_writes_in_the_direction_of_madctl(controller, madctl, corner):
    wire = Wire(controller)
    wire.wake(madctl, inverted=controller == "st7789")
    wire(0x2A, 0, 0, 0, 0)
    wire(0x2B, 0, 0, 0, 0)
    wire(0x2C, 0xF8, 0x00)
    seen = np.asarray(wire.panel.image())
    assert [tuple(place) for place in np.argwhere(seen.any(axis=2)).tolist()] == [corner[::-1]]
    assert seen[corner[::-1]].tolist() == [252, 0, 0]


def test_the_panel_obeys_colour_order_inversion_idle_mode_scrolling_and_sleep():
    wire = Wire("st7789")
    wire.wake(0x60, inverted=True)

    def pixel(*data, madctl=0x60):
        wire(0x36, madctl)
        wire(0x2A, 0, 0, 0, 0)
        wire(0x2B, 0, 0, 0, 0)
        wire(0x2C, *data)
        return wire.panel.image().getpixel((0, 0))

    assert pixel(0xF8, 0x00, madctl=0x68) == (0, 0, 252)
    assert pixel(0x08, 0x21) == (8, 4, 8)
    wire(0x3A, 0x66)
    assert pixel(0x08, 0x04, 0x0C) == (8, 4, 12)
    wire(0x39)
    assert pixel(0x84, 0x7C, 0xFC) == (255, 0, 255)
    wire(0x38)
    wire(0x37, 0, 1)
    assert wire.panel.image().getpixel((319, 0)) == (0x84, 0x7C, 0xFC)
    wire(0x13)
    wire(0x20)
    assert wire.panel.image().getpixel((0, 0)) == (255 - 0x84, 255 - 0x7C, 255 - 0xFC)
    wire(0x21)
    for dark, light in ((0x28, 0x29), (0x10, 0x11)):
        wire(dark, at=wire.now + 1)
        assert wire.panel.image().getextrema() == ((0, 0),) * 3
        wire(light, at=wire.now + 1)
        wire.now += 1
        assert wire.panel.image().getpixel((0, 0)) == (0x84, 0x7C, 0xFC)


def test_the_panel_takes_nothing_before_its_time():
    # 5 ms and 120 ms: reset timing and the restrictions of SWRESET, SLPIN and SLPOUT in both datasheets.
    wire = Wire("ili9341")
    wire(0x29, at=0.004)
    wire(0x11, at=0.119)
    assert (wire.panel.refused, wire.panel.asleep) == (2, True)
    wire(0x11, at=0.121)
    wire(0x29, at=0.125)
    assert (wire.panel.refused, wire.panel.asleep) == (3, False)
    wire(0x29, at=0.127)
    wire(0x10, at=0.2)
    assert (wire.panel.refused, wire.panel.asleep) == (4, False)
    wire(0x11, at=0.21)  # already awake: no effect, no pause
    wire(0x36, 0x08, at=0.211)
    wire(0x01, at=0.5)
    wire(0x29, at=0.506)
    wire(0x11, at=0.6)
    assert (wire.panel.refused, wire.panel.asleep) == (5, True)
    wire.panel.rst.value = False
    wire.now += 9e-6
    wire.panel.rst.value = True
    wire(0x29)
    assert wire.panel.refused == 5
    wire.panel.rst.value = False
    wire.now += 11e-6
    wire.panel.rst.value = True
    wire(0x29)
    assert wire.panel.refused == 6


def test_the_bus_is_strict():
    panel = Wire("st7789").panel
    with pytest.raises(RuntimeError, match="lock"):
        panel.spi.write(b"\x00")
    with pytest.raises(RuntimeError, match="lock"):
        panel.spi.configure(1)
    assert panel.spi.try_lock()
    assert not panel.spi.try_lock()


# --- what is shown ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("controller", CONTROLLERS)
@pytest.mark.parametrize("rotation", [0, 180])
@pytest.mark.parametrize("own_select", [True, False])
def test_each_frame_is_seen_as_it_was_drawn_right_way_up(controller, rotation, own_select):
    desk = Desk(np.random.default_rng(2), controller=controller, rotation=rotation, own_select=own_select)
    started(desk, noise(0))
    for image in (noise(0), *drawn()[:6], noise(1), noise(1)):
        assert desk.update(image)
        assert desk.wrong(image) == 0
    assert desk.panel.refused == 0


def test_the_wrong_rotation_colour_order_or_inversion_would_be_seen():
    image = drawn()[2]
    for options in ({"rotation": 180}, {"bgr": True}, {"inverted": False}):
        desk = Desk(np.random.default_rng(2), controller="st7789")
        panel = desk.panel
        desk.display = PanelDisplay(
            spi=panel.spi, dc=panel.dc, rst=panel.rst, cs=panel.cs, controller="st7789", time=desk.time, **options
        )
        started(desk, image)
        assert desk.wrong(image) > 1000, options


def test_starting_keeps_the_waits_of_the_datasheet_and_shows_nothing_before_the_first_frame(desk):
    image, calls = drawn()[2], 0
    while not desk.update(image, then_s=0.0):
        assert desk.time.now < 0.4
        assert black(desk)
        assert desk.panel.backlight.value == 0.0
        desk.time.pass_until(desk.time.now + 0.002)
        calls += 1
    assert calls > 50
    assert desk.time.now >= 0.24
    assert desk.panel.refused == 0
    assert desk.wrong(image) == 0
    assert desk.panel.backlight.value == DUTY[Light.SHADE]


def test_no_call_waits_for_the_panel_for_long(desk):
    longest_s = 0.0
    for _ in range(20):
        begun_s = desk.time.now
        desk.update(drawn()[0], then_s=0.0)
        longest_s = max(longest_s, desk.time.now - begun_s)
        desk.time.pass_until(begun_s + 0.05)
    assert desk.display.showing
    assert longest_s <= 0.015


def test_only_what_changed_is_sent_and_one_strip():
    desk = started(Desk(np.random.default_rng(5), controller="st7789"), drawn()[0])
    frames = [draw(view) for view in ramp(2.0)]
    desk.update(frames[0])
    for before, after in pairwise(frames):
        begun = desk.panel.spi.sent_bytes
        desk.update(after)
        sent = desk.panel.spi.sent_bytes - begun
        changed = frame_bytes(changed_rectangles(packed(before), packed(after)))
        # A strip of 320 x 5 with its window, and at most 40 bytes of registers.
        assert changed + 3211 <= sent <= changed + 3211 + 40
        assert sent < 0.5 * FULL_FRAME_BYTES


def test_a_caller_may_draw_on_in_the_same_image(desk):
    image = drawn()[1].copy()
    started(desk, image)
    image.paste((255, 255, 255), (10, 100, 60, 140))
    desk.update(image)
    assert desk.wrong(image) == 0


def test_the_frames_have_to_fit(desk):
    with pytest.raises(ValueError, match="320"):
        desk.display.show(Image.new("RGB", (240, 320)))
    with pytest.raises(ValueError, match="RGB"):
        desk.display.show(Image.new("L", SIZE))


# --- what goes wrong ----------------------------------------------------------------------------------------------


def test_after_an_error_of_the_bus_the_panel_is_reset_and_sent_everything(desk):
    started(desk, drawn()[0])
    desk.panel.fault(Fault.FAILED, after_transfers=9)
    with pytest.raises(PanelError, match=r"Input/output error.*dtparam=spi=on"):
        desk.display.show(noise(3))
    assert desk.display.failures == 1
    assert not desk.display.showing
    # Meanwhile the panel loses all it had: nothing may be taken for granted.
    desk.panel.power_dip()
    begun = desk.panel.spi.sent_bytes
    started(desk, noise(3))
    assert desk.wrong(noise(3)) == 0
    assert desk.panel.spi.sent_bytes - begun > FULL_FRAME_BYTES
    assert desk.panel.refused == 0


@pytest.mark.parametrize("after", range(0, 40, 3))
def test_an_error_at_any_point_of_the_start_is_an_error_and_the_next_try_succeeds(after, desk):
    desk.panel.fault(Fault.FAILED, after_transfers=after)
    failed = 0
    for _ in range(12):
        try:
            desk.display.show(drawn()[0])
        except PanelError:
            failed += 1
        desk.time.pass_until(desk.time.now + UPDATE_S)
    assert failed == 1
    assert desk.wrong(drawn()[0]) == 0


def test_a_dead_bus_costs_no_time(desk):
    def dead(*_):
        raise OSError(110, "timed out")

    desk.panel.spi.write = dead
    spent_s = 0.0
    for _ in range(50):
        begun_s = desk.time.now
        desk.update(drawn()[0], then_s=0.0)
        spent_s += desk.time.now - begun_s
        desk.time.pass_until(begun_s + UPDATE_S)
    assert desk.display.failures > 10
    assert spent_s < 0.1


@pytest.mark.parametrize("phase", ["starting", "showing"])
def test_a_bus_that_another_holds_is_waited_for_no_longer_than_allowed(phase, desk):
    if phase == "showing":
        started(desk, drawn()[0])
    else:
        desk.update(drawn()[0], then_s=0.2)
    stock = desk.panel.spi.try_lock
    held_by_another(desk)
    begun_s = desk.time.now
    with pytest.raises(PanelError, match="not free"):
        desk.display.show(drawn()[1])
    # While the loop waits here, the number on the screen gets old: it may be 0.5 s at the most.
    assert desk.time.now - begun_s < LOCK_S + 0.02
    desk.panel.spi.try_lock = stock
    started(desk, drawn()[1])
    assert desk.wrong(drawn()[1]) == 0


def test_a_bus_that_fails_while_locked_is_unlocked(desk):
    started(desk, drawn()[0])
    stock = desk.panel.spi.configure
    desk.display._spi.configure = lambda **_: 1 / 0
    assert not desk.update(drawn()[1])
    desk.display._spi.configure = stock
    started(desk, drawn()[1])
    assert desk.wrong(drawn()[1]) == 0


def test_a_panel_that_resets_itself_comes_back_within_the_bound(desk):
    image = started(desk, drawn()[4]) and drawn()[4]
    desk.panel.power_dip()
    assert desk.wrong(image) > 10_000
    assert seen_after(desk, image) == 0
    assert desk.display.failures == 0


def test_the_picture_is_back_before_the_frame_is_whole(desk):
    started(desk, drawn()[4])
    desk.panel.power_dip()
    for _ in range(5):
        desk.update(drawn()[4])
    assert not black(desk)


@pytest.mark.parametrize("fault", [Fault.LOST, Fault.GARBLED, Fault.RESET])
def test_a_transfer_that_is_lost_garbled_or_cut_by_a_reset_is_made_good_within_the_bound(fault, desk):
    started(desk, drawn()[0])
    # Each transfer of one update in its turn: registers, windows, pixels, display on, sleep out.
    for after in range(0, 45, 4):
        image = noise(after) if after % 8 else drawn()[after // 2]
        desk.panel.fault(fault, after_transfers=after)
        desk.update(image)
        desk.panel.clear_faults()
        assert seen_after(desk, image) == 0, after


@pytest.mark.parametrize("command", [0x01, 0x10, 0x12, 0x20, 0x21, 0x28, 0x39, 0x22, 0x33])
def test_a_stray_command_is_made_good_within_the_bound(command, desk):
    image = drawn()[3]
    started(desk, image)
    panel = desk.panel
    panel.cs.value = False
    panel.dc.value = False
    panel.spi.try_lock()
    panel.spi.write(bytes([command]))
    panel.spi.unlock()
    panel.cs.value = True
    assert seen_after(desk, image) == 0


@pytest.mark.parametrize("register", [(0x36, b"\x00"), (0x36, b"\x68"), (0x3A, b"\x66"), (0x37, b"\x00\x20")])
def test_a_wrong_register_is_made_good_within_the_bound(register, desk):
    image = drawn()[3]
    started(desk, image)
    desk.display._driver.write(*register)
    assert seen_after(desk, image) == 0


def test_the_makers_registers_are_set_again_in_turn():
    desk = started(Desk(np.random.default_rng(1), controller="ili9341"), drawn()[0])
    heard = []
    take = desk.panel._take_command
    desk.panel._take_command = lambda command: (heard.append(command), take(command))
    for _ in range(20):
        desk.update(drawn()[0])
    # Power, oscillator, frame rate and gamma: what the library's own table sets.
    assert {0xC0, 0xC1, 0xC5, 0xC7, 0xB1, 0xB6, 0xE0, 0xE1} <= set(heard)
    assert 0x01 not in heard


@pytest.mark.parametrize("number", range(24))
def test_any_sequence_ends_with_the_drawn_picture(number):
    wrong, at_the_end, _, _ = sequence([2, 61, number])
    assert (wrong, at_the_end) == (0, 0)


def test_the_figures_sequences_do_hurt_the_panel(monkeypatch):
    # Without the refresh the same sequences must end wrong somewhere, or they would show nothing.
    monkeypatch.setattr(driver, "REFRESH_UPDATES", 1)
    assert sum(sequence([2, 61, number])[1] > 0 for number in range(12)) >= 6


# --- backlight, closing, options ----------------------------------------------------------------------------------


def test_the_backlight_has_three_levels_evenly_apart_to_the_eye(desk):
    desk.display.light(Light.NIGHT)
    assert desk.panel.backlight.value == 0.0
    started(desk, drawn()[0])
    assert desk.panel.backlight.value == DUTY[Light.NIGHT]
    desk.display.light(Light.SUN)
    assert desk.panel.backlight.value == 1.0
    # CIE 15, lightness L* = 116 Y^(1/3) - 16.
    steps = [116 * DUTY[level] ** (1 / 3) - 16 for level in (Light.NIGHT, Light.SHADE, Light.SUN)]
    assert steps == pytest.approx([29.4, 69.5, 100.0], abs=0.1)
    assert min(np.diff(steps)) > 30


def test_a_backlight_that_cannot_be_set_does_not_take_the_picture_along(desk):
    class Broken:
        value = property(lambda self: 0.0, lambda self, value: 1 / 0)

        def close(self):
            pass

    desk.display._backlight = Broken()
    failed = []
    for _ in range(8):
        try:
            desk.display.show(drawn()[0])
        except PanelError as error:
            failed.append(str(error))
        desk.time.pass_until(desk.time.now + UPDATE_S)
    assert len(failed) == 1
    assert "GPIO 12" in failed[0]
    assert desk.wrong(drawn()[0]) == 0


def test_closing_leaves_the_screen_dark_and_lets_go_of_the_wires(desk):
    started(desk, drawn()[0])
    desk.time.pass_until(desk.time.now + 1.0)
    desk.display.close()
    assert black(desk)
    assert desk.panel.asleep
    assert desk.panel.backlight.value == 0.0
    wires = (desk.panel.spi, desk.panel.cs, desk.panel.dc, desk.panel.rst, desk.panel.backlight)
    assert all(wire.closed for wire in wires)
    desk.display.close()


def test_closing_works_on_a_dead_bus_too(desk):
    started(desk, drawn()[0])
    left = held_by_another(desk)
    desk.display.close()
    assert next(left, None) is not None
    assert desk.panel.backlight.value == 0.0
    assert desk.panel.rst.closed


def test_all_wrong_options_are_told_at_once():
    panel = Wire("st7789").panel
    with pytest.raises(SettingsError) as caught:
        PanelDisplay(spi=panel.spi, dc=panel.dc, rst=panel.rst, controller="hx8357", rotation=90, baud_hz=1000)
    text = str(caught.value)
    assert text.count("\n  - ") == 3
    assert "st7789 or ili9341" in text
    assert "0 or 180" in text
    assert "4000000 to 62500000" in text


@pytest.mark.parametrize("rotation", [90, 270, 45, -180])
def test_a_rotation_that_does_not_fit_is_refused(rotation):
    with pytest.raises(SettingsError, match="0 or 180"):
        open_panel(rotation=rotation)


def test_the_clock_is_within_the_datasheet_unless_asked_otherwise():
    # Serial interface timing: 66 ns a bit (ST7789V), 100 ns (ILI9341), writing.
    for controller, shortest_s in (("st7789", 66e-9), ("ili9341", 100e-9)):
        desk = started(Desk(np.random.default_rng(1), controller=controller), drawn()[0])
        assert 0 < desk.panel.spi.baud_hz <= 1 / shortest_s


def test_off_a_raspberry_pi_the_screen_is_an_error_in_words():
    code = """
from flattop.errors import PanelError
from flattop.panel.hardware.display import open_panel
try:
    open_panel()
except PanelError as error:
    print(error)
"""
    root = str(Path(driver.__file__).parents[3])
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={"PYTHONPATH": root, "PATH": ""},
    )
    assert done.returncode == 0, done.stderr
    assert "run on the meter" in done.stdout


def test_the_colours_on_the_wire_are_those_of_the_library():
    from adafruit_rgb_display.rgb import image_to_data

    image = noise(9)
    assert bytes(image_to_data(image)) == rgb565(packed(image)).astype(">u2").tobytes()
