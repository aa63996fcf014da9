"""Geometry blobs of a GeoPackage (OGC 12-128, clause 2.1.3) that are odd, broken, huge, or something else."""

from __future__ import annotations

import math
import struct
from random import Random

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon

WEST, SOUTH = 600_003.0, 5_199_886.0  # corner of the first field of the small farm
SRS = 25832
MANY = 1_000_000


def blob(wkb: bytes, srs: int = SRS, flags: int = 1, envelope: bytes = b"") -> bytes:
    return b"GP\x00" + bytes([flags]) + struct.pack("<i" if flags & 1 else ">i", srs) + envelope + wkb


def ring(points: list[tuple[float, float]]) -> bytes:
    return struct.pack("<I", len(points)) + b"".join(struct.pack("<dd", *p) for p in points)


def polygon(points: list[tuple[float, float]]) -> bytes:
    return b"\x01" + struct.pack("<II", 3, 1) + ring(points)


def circle(corners: int, radius: float = 15.0) -> bytes:
    turn = np.linspace(0, 2 * math.pi, corners, endpoint=False)
    outline = np.column_stack([WEST + 20 + radius * np.cos(turn), SOUTH + 20 + radius * np.sin(turn)])
    return bytes(shapely.to_wkb(Polygon(outline)))


def _scribble(rng: Random, corners: int) -> bytes:
    spots = [(WEST + rng.uniform(0, 40), SOUTH + rng.uniform(0, 40)) for _ in range(corners)]
    return polygon([*spots, spots[0]])


def _odd_number(rng: Random) -> bytes:
    odd = rng.choice((math.nan, math.inf, -math.inf, 1e300, -1e300, 1e15, 1e-300, 5e6, 0.0))
    spots = [(WEST, SOUTH), (WEST + 40, SOUTH), (WEST + 40, SOUTH + 40), (WEST, SOUTH)]
    place = rng.randrange(3)
    spots[place] = rng.choice(((odd, spots[place][1]), (spots[place][0], odd), (odd, odd)))
    if rng.random() < 0.5:
        spots[3] = spots[0]
    return polygon(spots)


def _nested(rng: Random) -> bytes:
    deep = rng.choice((3, 30, 200, 5_000, 60_000))
    point = b"\x01" + struct.pack("<Idd", 1, WEST, SOUTH)
    return (b"\x01" + struct.pack("<II", 7, 1)) * deep + point


def _lying(rng: Random) -> bytes:
    """Counts that promise more than follows."""
    count = rng.choice((0, 1, 2, 3, 2**16, 2**31 - 1, 2**31, 2**32 - 1))
    kind = rng.choice((2, 3, 4, 5, 6, 7))
    return b"\x01" + struct.pack("<II", kind, count) + rng.randbytes(rng.choice((0, 3, 16, 200)))


def odd(rng: Random) -> bytes:
    """One blob; none of those with many corners, which cost too much to have often."""
    box = shapely.box(WEST, SOUTH, WEST + 40, SOUTH + 40)
    plain = bytes(shapely.to_wkb(box))
    lines = LineString([(WEST, SOUTH), (WEST + 30, SOUTH + 30)])
    choices = (
        lambda: blob(_scribble(rng, rng.choice((4, 5, 8, 30, 150)))),
        lambda: blob(_odd_number(rng)),
        lambda: blob(_odd_number(rng)),
        lambda: blob(_nested(rng)),
        lambda: blob(_lying(rng)),
        lambda: blob(_lying(rng)),
        lambda: blob(plain, srs=rng.choice((0, -1, 4326, 99999, 2**31 - 1, 3857))),
        lambda: blob(plain, flags=rng.randrange(256), envelope=rng.randbytes(rng.choice((0, 32, 48, 64)))),
        lambda: blob(plain, flags=0x11),
        lambda: blob(bytes(shapely.to_wkb(box, byte_order=0))),
        lambda: blob(bytes(shapely.to_wkb(shapely.force_3d(box, z=1e9)))),
        lambda: blob(bytes(shapely.to_wkb(shapely.set_srid(box, 31287), include_srid=True))),
        lambda: blob(bytes(shapely.to_wkb(rng.choice((Point(), Polygon(), LineString()))))),
        lambda: blob(bytes(shapely.to_wkb(lines))),
        lambda: blob(bytes(shapely.to_wkb(shapely.GeometryCollection([box, lines, Point(WEST, SOUTH)])))),
        lambda: blob(bytes(shapely.to_wkb(shapely.MultiPolygon([box, box])))),
        lambda: blob(plain[: rng.randrange(len(plain))]),
        lambda: blob(circle(rng.choice((3, 100, 3_000)))),
        lambda: blob(bytes(shapely.to_wkb(shapely.box(WEST - 4e6, SOUTH - 4e6, WEST + 4e6, SOUTH + 4e6)))),
        lambda: blob(bytes(shapely.to_wkb(shapely.box(WEST, SOUTH, WEST + 1e-9, SOUTH + 1e-9)))),
        lambda: blob(b"\x01" + struct.pack("<I", rng.choice((8, 9, 10, 12, 13, 15, 16, 17, 1003, 3003, 99)))),
        lambda: rng.randbytes(rng.choice((0, 1, 7, 8, 40))),
        lambda: b"GP" + rng.randbytes(40),
    )
    return rng.choice(choices)()


def many_corners(rng: Random) -> bytes:
    """As many corners around a field as are read, or a million."""
    return blob(circle(rng.choice((2_000, 19_900, 20_001, MANY)), radius=rng.uniform(5, 20)))
