"""A full-band converter on a simulated board, and everything that can be wrong with its stream."""

from __future__ import annotations

import math

import numpy as np

from flattop.converters.codec import CodecConverter
from flattop.converters.frontend import codec_full_scale_v, codec_response
from flattop.errors import ConverterError
from flattop.samples import Input
from flattop.simulated.board import SimulatedBoard, silence
from flattop.simulated.codec import CodecTolerances, SimulatedCapture
from flattop.simulated.frontend import Tolerances

RATE_HZ, PERIOD = 96_000, 960


class Bench:
    """A full-band converter on a simulated board; `ideal` takes tolerances, noise and jitter away."""

    def __init__(
        self, speaker=silence, line=silence, *, seed=1, ideal=False, calibration=None, input=Input.SPEAKER, **capture
    ):
        board = SimulatedBoard(seed=seed, tolerances=Tolerances.none() if ideal else None)
        if ideal:
            capture = {"drawn": CodecTolerances.none(), "noise": False, "steady": True} | capture
        self.time = board.time
        self.board = board
        self.capture = SimulatedCapture(
            seed=seed, time=board.time, speaker=speaker, line=line, tolerances=board.front_end.tolerances, **capture
        )
        self.codec = CodecConverter(self.capture, self.time, calibration=calibration, input=input)

    def run(self, duration_s):
        return self.codec.collect(self.time.now_s() + duration_s)

    def gain(self, input, hz):
        """The path's true complex gain over the firmware's idea of it."""
        at = np.array([hz])
        said = codec_response(input, rate_hz=RATE_HZ)(at) / codec_full_scale_v(input)
        return complex((self.capture.response(input, at) / said)[0])


def unplug(capture):
    capture.plugged = False


def hang(capture):
    capture.hangs = True


def dead_line(capture):
    capture.dead = frozenset(Input)


def dead_left(capture):
    capture.dead = frozenset({Input.SPEAKER})


def dead_right(capture):
    capture.dead = frozenset({Input.LINE})


def mono(capture):
    capture.mono = True


def repeat(capture):
    capture.repeats = True


def tear(capture):
    capture.lost_bytes = 3


def half_rate(capture):
    capture.pace = 0.5


def cd_rate(capture):
    capture.pace = 44_100 / 96_000


def double_rate(capture):
    capture.pace = 2.0


def next_rate(capture):
    capture.pace = 88_200 / 96_000


FAULTS = [
    (SimulatedCapture.overrun, r"samples were lost \(overrun\)"),
    (unplug, "it went away"),
    (hang, "no samples for 0.4 s"),
    (dead_line, "both inputs stand at one code .* data line is dead"),
    (dead_left, "the speaker input stands at the code 0, only line is alive"),
    (dead_right, "the line input stands at the code 0, only speaker is alive"),
    (mono, "the very same samples"),
    (repeat, "again and again"),
    (tear, "words are torn"),
    (half_rate, "a second, 96000 are set"),
    (cd_rate, "a second, 96000 are set"),
    (next_rate, "a second, 96000 are set"),
    (double_rate, "a second, 96000 are set"),
]


def well(capture):
    """End every fault."""
    capture.plugged, capture.hangs, capture.dead = True, False, frozenset()
    capture.mono = capture.repeats = False
    capture.pace = 1.0


def until_failed(bench, patience_s=3.0):
    begun_s = bench.time.now_s()
    while bench.time.now_s() < begun_s + patience_s:
        try:
            bench.run(0.02)
        except ConverterError as error:
            return error, bench.time.now_s() - begun_s
    return None, math.inf
