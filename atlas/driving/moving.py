"""Whether a machine gets to the ground it may stand on, and turns there, asked for drive by drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import Point

from atlas.driving.machines import Machine
from atlas.driving.reach import cut_off, no_turn
from atlas.driving.records import Zone
from atlas.grid import Bytes
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
        self._known: dict[tuple[str, bytes], Moved] = {}

    def of(self, m: Machine, zone: Bytes) -> Moved:
        """Where `m` is cut off or cannot turn on this zone map, (rows, cols) of Zone."""
        key = (m.key, zone.tobytes())
        if key not in self._known:
            self._known[key] = self._work_out(m, zone)
        return self._known[key]

    def _work_out(self, m: Machine, zone: Bytes) -> Moved:
        grid = self._terrain.grid
        any_way = (zone == Zone.ANY_WAY) & self._inside
        up_down = (zone == Zone.UP_DOWN) & self._inside
        lost = cut_off(any_way | up_down, grid, self._ways_in, m.width_m)
        stuck = no_turn(up_down, any_way, self._terrain.z, grid, m.turn_radius_m)
        none = np.zeros(grid.shape, dtype=np.bool_)
        return Moved(
            cut_off_m2=None if lost is None else self._area(lost),
            no_turn_m2=self._area(stuck),
            cut_off=(none if lost is None else lost).astype(np.uint8),
            no_turn=stuck.astype(np.uint8),
        )

    def _area(self, mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> float:
        return float(self._terrain.covered[mask].sum(dtype=np.float64)) * self._terrain.grid.cell_area
