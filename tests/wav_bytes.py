"""RIFF/WAVE files, whole or spoilt, put together byte by byte."""

from __future__ import annotations

import struct

GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")


def chunk(name, body):
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def fmt(tag=1, channels=1, rate=8000, bits=16, *, align=None, extra=b""):
    align = channels * bits // 8 if align is None else align
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, rate, (rate * align) % 2**32, align, bits) + extra)


def extensible(sub=1, *, valid=24, tail=GUID_TAIL):
    return struct.pack("<HHIH", 22, valid, 0, sub) + tail


def riff(*chunks, form=b"WAVE"):
    body = form + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def wav(data, *, before=(), after=(), **layout):
    return riff(fmt(**layout), *before, chunk(b"data", data), *after)
