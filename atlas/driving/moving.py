"""Whether a machine gets to the ground it may stand on, and turns there, asked for drive by drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import Point

from atlas.driving.machines import Machine
from atlas.driving.reach import cut_off, no_turn
from atlas.driving.records import Zone
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
    """One field's answers, remembered by zone map, since grounds and drivers often agree on it."""

    def __init__(self, terrain: TerrainSurvey, ways_in: Sequence[Point]) -> None:
        self._terrain = terrain
        self._ways_in = ways_in
        self._inside = terrain.covered > 0
        self._box = _box(self._inside)
        self._grid = terrain.grid.part(self._box)
        self._known: dict[tuple[str, bytes], Moved] = {}

    def of(self, m: Machine, zone: Bytes) -> Moved:
        """Where `m` is cut off or cannot turn on this zone map, (rows, cols) of Zone."""
        key = (m.key, zone.tobytes())
        if key not in self._known:
            self._known[key] = self._work_out(m, zone)
        return self._known[key]

    def _work_out(self, m: Machine, zone: Bytes) -> Moved:
        any_way = self._part((zone == Zone.ANY_WAY) & self._inside)
        up_down = self._part((zone == Zone.UP_DOWN) & self._inside)
        lost = cut_off(any_way | up_down, self._grid, self._ways_in, m.width_m)
        stuck = no_turn(up_down, any_way, self._part(self._terrain.z), self._grid, m.turn_radius_m)
        lost_cells, stuck_cells = self._whole(lost), self._whole(stuck)
        return Moved(
            cut_off_m2=None if lost is None else self._area(lost_cells > 0),
            no_turn_m2=self._area(stuck_cells > 0),
            cut_off=lost_cells,
            no_turn=stuck_cells,
        )

    def _part(self, values: np.ndarray) -> np.ndarray:
        """What of (rows, cols) the questions need: outside the field nothing is drivable."""
        b = self._box
        return np.ascontiguousarray(values[b.row : b.row + b.rows, b.col : b.col + b.cols])

    def _whole(self, mask: Mask | None) -> Bytes:
        """A part's answer on the whole grid, 1 where it holds."""
        b = self._box
        out = np.zeros(self._terrain.grid.shape, dtype=np.uint8)
        if mask is not None:
            out[b.row : b.row + b.rows, b.col : b.col + b.cols] = mask
        return out

    def _area(self, mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> float:
        return float(self._terrain.covered[mask].sum(dtype=np.float64)) * self._terrain.grid.cell_area


def _box(inside: Mask) -> CellWindow:
    """The field's cells and one around them, through which ways down and up are still looked at."""
    rows, cols = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not rows.size:
        return CellWindow(0, 0, 0, 0)
    top, left = max(0, int(rows[0]) - 1), max(0, int(cols[0]) - 1)
    bottom, right = min(inside.shape[0], int(rows[-1]) + 2), min(inside.shape[1], int(cols[-1]) + 2)
    return CellWindow(top, left, bottom - top, right - left)
