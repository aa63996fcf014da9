"""Breaks a farm file byte by byte: bits turned where SQLite, GDAL or we look, pages cut, swapped or lost.

What a turned bit can change and nobody can tell: a coordinate, a number or a name that stays plausible. So these
cases are held to counts of rows, to heights where tiles have sums, and to how a refusal is said.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

from fuzz_base import Base

PAGE = 4096


class Places:
    """Where the parts of a base file lie, worked out once."""

    def __init__(self, path: Path) -> None:
        data = path.read_bytes()
        with closing(sqlite3.connect(path)) as db:
            self.roots = {
                str(name).lower(): int(root)
                for name, root in db.execute("SELECT name, rootpage FROM sqlite_master WHERE rootpage > 0")
            }
            shapes = [
                row[0]
                for table in ("parcels", "hazards", "ways_in")
                for row in db.execute(f"SELECT geom FROM {table}")
            ]
            tiles = [row[0] for row in db.execute("SELECT tile_data FROM dem")]
        self.shapes = [(data.find(blob), len(blob)) for blob in shapes if data.find(blob) > 0]
        # A tile lies over many pages, so its pieces are looked up one by one.
        pieces = [blob[i : i + 24] for blob in tiles for i in range(0, len(blob), 24)]
        self.tiles = [spot for piece in pieces if (spot := data.find(piece)) > 0]


_places: dict[str, Places] = {}


def places(base: Base, folder: Path) -> Places:
    if base.name not in _places:
        _places[base.name] = Places(folder / f"{base.name}.gpkg")
    return _places[base.name]


def _flip(data: bytearray, spots: list[int], rng: Random) -> None:
    for spot in spots:
        if spot < len(data):
            data[spot] = rng.choice((data[spot] ^ (1 << rng.randrange(8)), rng.randrange(256), 0, 255))


def _times(rng: Random, most: int = 6) -> range:
    return range(rng.choice((1, 1, 1, 2, rng.randint(1, most))))


def header(data: bytearray, _: Places, rng: Random) -> None:
    _flip(data, [rng.randrange(100) for _ in _times(rng)], rng)


def catalogue(data: bytearray, _: Places, rng: Random) -> None:
    used = [i for i in range(100, PAGE) if data[i]]
    _flip(data, [rng.choice(used) for _ in _times(rng, 20)], rng)


def page_heads(data: bytearray, _: Places, rng: Random) -> None:
    page = rng.randrange(1, len(data) // PAGE)
    _flip(data, [page * PAGE + rng.randrange(24) for _ in _times(rng)], rng)


def tables(data: bytearray, found: Places, rng: Random) -> None:
    ours = [n for n in found.roots if n.startswith("gpkg_") or "sums" in n or n in ("storms", "releases")]
    start = (found.roots[rng.choice(ours)] - 1) * PAGE
    used = [i for i in range(PAGE) if data[start + i]] or [0]
    _flip(data, [start + rng.choice(used) for _ in _times(rng)], rng)


def tiles(data: bytearray, found: Places, rng: Random) -> None:
    near_start = found.tiles[:20] if rng.random() < 0.2 else found.tiles
    _flip(data, [rng.choice(near_start) + rng.randrange(24) for _ in _times(rng, 40)], rng)


def shapes(data: bytearray, found: Places, rng: Random) -> None:
    for _ in _times(rng):
        start, size = rng.choice(found.shapes)
        at = rng.choice((rng.randrange(size), rng.randrange(min(size, 60))))
        _flip(data, [start + at], rng)


def rows(data: bytearray, found: Places, rng: Random) -> None:
    start = (found.roots[rng.choice(("parcels", "hazards", "ways_in", "dem"))] - 1) * PAGE
    used = [i for i in range(PAGE) if data[start + i]] or [0]
    _flip(data, [start + rng.choice(used) for _ in _times(rng)], rng)


def anywhere(data: bytearray, _: Places, rng: Random) -> None:
    _flip(data, [rng.randrange(len(data)) for _ in _times(rng, 200)], rng)


def cut(data: bytearray, _: Places, rng: Random) -> None:
    how, pages = rng.randrange(6), len(data) // PAGE
    one, other = (rng.randrange(pages) * PAGE for _ in range(2))
    if how == 0:
        del data[rng.choice((rng.randrange(len(data)), rng.randrange(200), one)) :]
    elif how == 1:
        data[one : one + PAGE] = bytes(PAGE)
    elif how == 2:
        data[one : one + PAGE], data[other : other + PAGE] = data[other : other + PAGE], data[one : one + PAGE]
    elif how == 3:
        data[one : one + PAGE] = data[other : other + PAGE]
    elif how == 4:
        data += rng.randbytes(rng.randrange(3 * PAGE))
    else:
        at, size = rng.randrange(len(data)), rng.randrange(300)
        data[at : at + size] = rng.randbytes(size)


FAMILIES: dict[str, Callable[[bytearray, Places, Random], None]] = {
    "header": header,
    "catalogue": catalogue,
    "page_heads": page_heads,
    "tables": tables,
    "tiles": tiles,
    "shapes": shapes,
    "rows": rows,
    "anywhere": anywhere,
    "cut": cut,
}
