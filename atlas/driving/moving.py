"""Whether a machine gets to the ground it may stand on, and turns there, asked for drive by drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from atlas.driving.bits_kernel import Bits, pack, unpack
from atlas.driving.entering import lets_in
from atlas.driving.machines import Machine
from atlas.driving.reach import near_any, out_of_reach, stuck_on, ways_up_and_down
from atlas.driving.records import Zone
from atlas.farm.records import WayIn
from atlas.grid import Bytes, CellWindow, Mask
from atlas.terrain.figures import TerrainSurvey


@dataclass(frozen=True)
class Moved:
    """Ground without a way in (square metres None where no way in is on file) and without room to turn."""

    cut_off_m2: float | None
    no_turn_m2: float
    cut_off: Bytes  # 1 where cut off, (rows, cols)
    no_turn: Bytes


class Moves:
    """One field's answers, remembered by what they rest on, since grounds, drivers and machines often agree."""

    def __init__(self, terrain: TerrainSurvey, ways_in: Sequence[WayIn]) -> None:
        self._grid = terrain.grid
        self._box = _box(terrain.covered > 0)
        self._part_grid = terrain.grid.part(self._box)
        self._covered = self._part(terrain.covered)
        self._inside = self._covered > 0
        self._ways = ways_up_and_down(self._part(terrain.z), self._part_grid)
        self._ways_in = tuple(ways_in)
        self._gates: dict[tuple[WayIn, ...], Bits] = {}
        self._nothing = _Found(0.0, np.zeros(terrain.grid.shape, dtype=np.uint8))
        self._lost: dict[tuple[float, tuple[WayIn, ...], bytes], _Found] = {}
        self._stuck: dict[tuple[float, bytes, bytes], _Found] = {}

    def of(self, m: Machine, zone: Bytes) -> Moved:
        """Where `m` is cut off or cannot turn on this zone map, (rows, cols) of Zone."""
        part = self._part(zone)
        any_way, up_down = (pack((part == z) & self._inside) for z in (Zone.ANY_WAY, Zone.UP_DOWN))
        lost = self._lost_to(m, any_way | up_down)
        stuck = self._stuck_on(m.turn_radius_m, any_way, up_down)
        return Moved(lost.area_m2 if self._ways_in else None, stuck.area_m2, lost.cells, stuck.cells)

    def _lost_to(self, m: Machine, drivable: Bits) -> _Found:
        if not self._ways_in:
            return self._nothing
        through = tuple(w for w in self._ways_in if lets_in(w, m))
        key = (m.width_m, through, drivable.tobytes())
        if key not in self._lost:
            gates = self._gates_at(through)
            self._lost[key] = self._found(out_of_reach(drivable, self._part_grid, gates, m.width_m))
        return self._lost[key]

    def _gates_at(self, through: tuple[WayIn, ...]) -> Bits:
        if through not in self._gates:
            self._gates[through] = pack(near_any(self._part_grid, [w.shape for w in through]))
        return self._gates[through]

    def _stuck_on(self, turn_radius_m: float, any_way: Bits, up_down: Bits) -> _Found:
        if not up_down.any():
            return self._nothing
        key = (turn_radius_m, any_way.tobytes(), up_down.tobytes())
        if key not in self._stuck:
            stuck = stuck_on(up_down, any_way, self._ways, self._part_grid, turn_radius_m)
            self._stuck[key] = self._found(pack(stuck))
        return self._stuck[key]

    def _part(self, values: np.ndarray) -> np.ndarray:
        """What of (rows, cols) the questions need: outside the field nothing is drivable."""
        b = self._box
        return np.ascontiguousarray(values[b.row : b.row + b.rows, b.col : b.col + b.cols])

    def _found(self, bits: Bits) -> _Found:
        """A part's answer on the whole grid."""
        if not bits.any():
            return self._nothing
        b, mask = self._box, unpack(bits, self._box.cols)
        out = np.zeros(self._grid.shape, dtype=np.uint8)
        out[b.row : b.row + b.rows, b.col : b.col + b.cols] = mask
        return _Found(float(self._covered[mask].sum(dtype=np.float64)) * self._grid.cell_area, out)


@dataclass(frozen=True)
class _Found:
    area_m2: float
    cells: Bytes  # 1 where it holds, (rows, cols)


def _box(inside: Mask) -> CellWindow:
    """The field's cells and one around them, through which ways down and up are still looked at."""
    rows, cols = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not rows.size:
        return CellWindow(0, 0, 0, 0)
    top, left = max(0, int(rows[0]) - 1), max(0, int(cols[0]) - 1)
    bottom, right = min(inside.shape[0], int(rows[-1]) + 2), min(inside.shape[1], int(cols[-1]) + 2)
    return CellWindow(top, left, bottom - top, right - left)
