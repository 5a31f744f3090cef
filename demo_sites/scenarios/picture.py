"""A drawn stand-in for a photograph: courses of brick with a scale, as a PNG written byte by byte."""

from __future__ import annotations

import struct
import zlib

import numpy as np

WIDE, HIGH, COURSE = 96, 72, 12
MORTAR, BRICK, WET, BLACK, WHITE = 200, 150, 95, 20, 240


def wall_picture(*, wet_below: float) -> bytes:
    """Return courses of brick, darker below a share of the height, with a scale of five parts beside."""
    row, column = np.mgrid[0:HIGH, 0:WIDE]
    joint = (row % COURSE == 0) | ((column + 12 * (row // COURSE % 2)) % 24 == 0)
    shade = np.where(joint, MORTAR, np.where(row > HIGH * (1 - wet_below), WET, BRICK))
    scale = (column >= 6) & (column < 10) & (row >= 6) & (row < 66)
    shade = np.where(scale, np.where((row - 6) // 12 % 2 == 0, BLACK, WHITE), shade)
    lines = b"".join(b"\0" + bytes(line) for line in shade.astype(np.uint8))
    header = struct.pack(">IIBBBBB", WIDE, HIGH, 8, 0, 0, 0, 0)
    parts = ((b"IHDR", header), (b"IDAT", _stored(lines)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(name, content) for name, content in parts)


def _stored(content: bytes) -> bytes:
    """Return a stream with nothing pressed together, so that no library's version changes a byte."""
    size = struct.pack("<HH", len(content), len(content) ^ 0xFFFF)
    return b"\x78\x01\x01" + size + content + struct.pack(">I", zlib.adler32(content))


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))
