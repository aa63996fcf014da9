"""Byte grids as text for the page's script: deflated (RFC 1950) and in base 64, unpacked by `inflate.js`.

Not as pictures read back through a canvas: browsers that guard against fingerprinting change what is read back,
and a verdict must never change on the way.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass

import numpy as np

from atlas.grid import Bytes, Floats, Mask
from atlas.pages.data_kernel import MOST, Ints, rows_of, symbols_of

HEIGHT_STEP_M = 0.001  # heights travel in whole millimetres


def pack(data: bytes) -> str:
    """Deflated, in base 64. What is packed are tables of small numbers, which zlib's way for filtered data keeps
    in fewer bytes than its usual one; a harder search would save two in a hundred and take four times as long."""
    way = zlib.compressobj(7, strategy=zlib.Z_FILTERED)
    return base64.b64encode(way.compress(data) + way.flush()).decode("ascii")


def unpack(text: str) -> bytes:
    return zlib.decompress(base64.b64decode(text))


@dataclass(frozen=True)
class VerdictTable:
    """Every choice's verdict at every cell, held once per distinct combination.

    `index` (rows, cols) points into `rows` (n, choices), whose entries point into `symbols` (zone, reason, flags).
    Terrain makes neighbours alike, so a field has a few hundred rows however many choices there are.
    """

    index: Ints
    rows: Bytes
    symbols: tuple[tuple[int, int, int], ...]


def verdict_table(zone: Bytes, reason: Bytes, flags: Bytes) -> VerdictTable:
    """Pack verdicts of every choice, each (choices, rows, cols) of bytes. Raises ValueError past 256 symbols."""
    flat = [np.ascontiguousarray(part).reshape(len(zone), -1) for part in (zone, reason, flags)]
    found, symbol = symbols_of(*flat)
    if len(found) > MOST:
        count = len(np.unique(np.stack(flat, axis=-1).reshape(-1, 3), axis=0))
        raise ValueError(f"{count} distinct verdicts in one field; a byte holds {MOST}")
    index, a_cell = rows_of(symbol, len(found))
    symbols = tuple((int(c) >> 16, int(c) >> 8 & 255, int(c) & 255) for c in found)
    return VerdictTable(index.reshape(zone.shape[1:]), symbol[:, a_cell].T, symbols)


def pack_wide(values: Ints) -> str:
    """Whole numbers from 0 to 2³¹ − 1 as four planes of bytes: high ones first, each plane deflates by itself."""
    flat = values.ravel()
    if flat.size and (flat.min() < 0 or flat.max() >= 1 << 31):
        raise ValueError("a packed number is outside 0 to 2 147 483 647")
    planes = [(flat >> shift & 255).astype(np.uint8).tobytes() for shift in (24, 16, 8, 0)]
    return pack(b"".join(planes))


def unpack_wide(text: str) -> Ints:
    planes = np.frombuffer(unpack(text), dtype=np.uint8).reshape(4, -1).astype(np.int64)
    joined: Ints = planes[0] << 24 | planes[1] << 16 | planes[2] << 8 | planes[3]
    return joined


def pack_heights(z: Floats, wanted: Mask) -> tuple[str, float]:
    """Heights to the millimetre, and the height that counts as 0; cells that are not `wanted` or have no height
    come back as gaps. Each is kept as its difference from what its left, upper and upper-left neighbours let
    expect."""
    known = wanted & ~np.isnan(z)
    if not known.any():
        return pack_wide(np.zeros(z.size, dtype=np.int64)), 0.0
    low = float(np.floor(z[known].min()))
    steps = np.rint((np.where(known, z, low) - low) / HEIGHT_STEP_M).astype(np.int64) + 1
    filled = _carried(np.where(known, steps, 0))
    across = np.diff(filled, axis=1, prepend=0)
    change = np.diff(across, axis=0, prepend=0)
    folded = np.where(change >= 0, 2 * change, -2 * change - 1)
    gaps = np.packbits(~known).tobytes()
    return pack_wide(folded) + " " + pack(gaps), low


def unpack_heights(text: str, low: float, shape: tuple[int, int]) -> Floats:
    """The reverse, (rows, cols) with NaN in gaps; `inflate.js` does the same."""
    numbers, _, gaps = text.partition(" ")
    folded = unpack_wide(numbers).reshape(shape)
    change = np.where(folded & 1, -(folded + 1) // 2, folded // 2)
    filled = change.cumsum(axis=0).cumsum(axis=1)
    if not gaps:
        return np.full(shape, np.nan)
    missing = np.unpackbits(np.frombuffer(unpack(gaps), dtype=np.uint8), count=filled.size).reshape(shape)
    return np.where(missing > 0, np.nan, low + (filled - 1) * HEIGHT_STEP_M)


def _carried(steps: Ints) -> Ints:
    """Gaps (0) filled from the left, then from above, so that they cost nothing."""
    out = steps.copy()
    for axis in (1, 0):
        size = out.shape[axis]
        place = np.arange(size).reshape((1, -1) if axis == 1 else (-1, 1))
        last = np.maximum.accumulate(np.where(out > 0, place, 0), axis=axis)
        out = np.take_along_axis(out, last, axis=axis)
    return out
