"""A capture device for the real ALSA library that needs no sound in the kernel, and programs that stand for arecord.

The device is ALSA's own `file` plug-in over `null`, named by ALSA_CONFIG_PATH: what is captured comes from a file. With
a plain file it runs as fast as the machine can, so the file is a FIFO here, and a thread writes into it at the pace of
a converter. Where nobody writes, the reader waits; once the FIFO is closed, the plug-in gives its last buffer again and
again, as fast as it can.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

import numpy as np

RATE_HZ, PERIOD = 96_000, 960
_CONFIG = """</usr/share/alsa/alsa.conf>
pcm.codec { type file slave.pcm { type null } file "/dev/null" infile "%s" format "raw" }
pcm.mono { type multi slaves.a.pcm "null" slaves.a.channels 1 bindings.0.slave a bindings.0.channel 0 }
"""


def noise_words(seed, count, *, bits=24):
    """Frames of a converter that hears noise, int32 of shape (count, 2); the bits below the code are 0."""
    codes = np.random.default_rng(seed).normal(0.0, 2.0**17, (count, 2)).astype(np.int32)
    return codes << (32 - bits)


class AlsaDevice:
    """Plays words, int32 of shape (n, 2), into a capture device `codec` of the real library, over and over."""

    def __init__(self, folder: Path, words, *, pace=1.0):
        self.sent = bytearray()
        self.plays = threading.Event()
        self.plays.set()
        self._bytes = words.astype("<i4").tobytes()
        self._pace = pace
        fifo = folder / "samples"
        os.mkfifo(fifo)
        # Read and write at once: neither opening nor writing then waits for the other side.
        self._fifo = os.open(fifo, os.O_RDWR | os.O_NONBLOCK)
        config = folder / "asound.conf"
        config.write_text(_CONFIG % fifo)
        self.environment = {"ALSA_CONFIG_PATH": str(config)}
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def _play(self):
        place, due_s = 0, time.monotonic()
        step = 8 * PERIOD
        while not self._closing.is_set():
            if not self.plays.wait(0.02):
                due_s = time.monotonic()
                continue
            data = self._bytes[place : place + step]
            try:
                written = os.write(self._fifo, data)
            except BlockingIOError:
                written = 0
            self.sent += data[:written]
            place = (place + written) % len(self._bytes)
            due_s += written / (8 * RATE_HZ * self._pace)
            time.sleep(max(due_s - time.monotonic(), 0.0) if written else 1e-3)

    def sent_by_now(self, least):
        """Everything that was sent, once that is so many bytes: what was read is noted a moment after it was sent."""
        end_s = time.monotonic() + 2.0
        while len(self.sent) < least and time.monotonic() < end_s:
            time.sleep(1e-3)
        return bytes(self.sent)

    def unplug(self):
        """Close the FIFO: there is nothing behind the device any more."""
        self._closing.set()
        self._thread.join(1.0)
        if self._fifo >= 0:
            os.close(self._fifo)
            self._fifo = -1

    close = unplug


def stand_in(folder: Path, body: str) -> str:
    """Return the path of a program that takes arecord's place and does what `body`, in Python, says.

    It has `out(data)`, `say(text)`, `time`, `os`, `sys`, `signal` and `frames(count)`, which gives noise as bytes.
    """
    program = folder / "arecord-stand-in"
    program.write_text(
        f"#!{sys.executable} -S\n"
        "import os, random, signal, sys, time\n"
        "rng = random.Random(1)\n"
        "def out(data):\n"
        "    while data:\n"
        "        data = data[os.write(1, data):]\n"
        "def say(text):\n"
        "    os.write(2, text.encode() + b'\\n')\n"
        "def frames(count):\n"
        "    return b''.join(b'\\0' + rng.randbytes(3) for _ in range(2 * count))\n" + body
    )
    program.chmod(0o755)
    return str(program)
