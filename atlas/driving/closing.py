"""What closes ground beside tilt, worked out once per field and asked for per machine and ground."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from rasterio.features import rasterize

from atlas.driving.drop_ranks_kernel import ROUNDING, drop_ranks, offsets_within
from atlas.driving.drop_zones import BESIDE_EXTENT_M, falls_reason
from atlas.driving.hazards import Distances, Markings, distances, markings
from atlas.driving.machines import Machine
from atlas.driving.records import Reason, TaggedHazard
from atlas.driving.zones import Falls
from atlas.farm.records import Hazard
from atlas.grid import Grid, Heights, Mask
from atlas.settings import Settings
from atlas.terrain.d8 import steepest_down
from atlas.terrain.drops import COUNTED_FALL_M, DropMap, find_drops
from atlas.terrain.figures import TerrainSurvey


@dataclass(frozen=True)
class Closing:
    """Markings and drops of one field. `soaked`: after a storm, not released since."""

    inside: Mask  # cells of the field, (rows, cols)
    half_extents_m: tuple[float, ...]  # of the farm's machines, rising
    near: tuple[Distances, ...]
    drops: dict[float, DropMap]  # by the on-foot limit, rise over run
    settings: Settings
    soaked: bool
    _marks: dict[tuple[float, bool], Markings] = field(default_factory=dict, repr=False, compare=False)
    _falls: dict[float, dict[float, Falls]] = field(default_factory=dict, repr=False, compare=False)

    def markings(self, m: Machine, ground: str) -> Markings:
        """What markings do to each cell; on wet ground, and after a storm, banks count twice as deep."""
        soaked = self.soaked or ground == "wet"
        key = (m.half_extent_m, soaked)
        if key not in self._marks:
            self._marks[key] = markings(int(self.inside.sum()), self.near, m, self.settings, soaked=soaked)
        return self._marks[key]

    def falls(self, m: Machine, on_foot_limit: float) -> Falls:
        """Ground closed by drops: those that steepen past the on-foot limit of the day's ground."""
        if on_foot_limit not in self._falls:
            drops = self.drops[on_foot_limit]
            self._falls[on_foot_limit] = falls_for(drops, self.half_extents_m, self.inside)
        return self._falls[on_foot_limit][m.half_extent_m]


def closing(
    terrain: TerrainSurvey,
    tagged: Sequence[TaggedHazard],
    hazards: Sequence[Hazard],
    machines: Iterable[Machine],
    settings: Settings,
    *,
    soaked: bool,
) -> Closing:
    """Distances to markings and maps of drops. `hazards` may hold more than the tagged ones: walls past the edge
    count where a slide ends."""
    extents = tuple(sorted({m.half_extent_m for m in machines}))
    inside = terrain.covered > 0
    near = distances(terrain.grid, np.flatnonzero(inside), tagged, settings, extents[-1])
    drops = drop_maps(terrain, hazards, settings)
    return Closing(inside, extents, near, drops, settings, soaked)


def falls_for(drops: DropMap, half_extents_m: Sequence[float], inside: Mask) -> dict[float, Falls]:
    """What `drop_closures` closes of the cells `inside`, for each of several half extents (rising)."""
    beside = np.array(half_extents_m) + BESIDE_EXTENT_M
    most = max(beside[-1], COUNTED_FALL_M) * (1 + ROUNDING)
    by_drop, by_edge = drop_ranks(
        np.flatnonzero(inside),
        drops.z,
        drops.drop,
        drops.height_m,
        drops.unknown,
        beside,
        COUNTED_FALL_M,
        *offsets_within(most, drops.grid.cell_x, drops.grid.cell_y),
    )
    below = falls_reason(drops, inside)
    found = {}
    for i, half in enumerate(half_extents_m):
        edge = (by_edge <= i) * np.uint8(Reason.UNKNOWN_EDGE)
        found[half] = Falls(np.where(by_drop <= i, np.uint8(Reason.DROP), edge), below)
    return found


def drop_maps(terrain: TerrainSurvey, hazards: Sequence[Hazard], settings: Settings) -> dict[float, DropMap]:
    """Drops for each limit of hand work the settings know, keyed by it (rise over run)."""
    heights = Heights(terrain.grid, terrain.z)
    down = steepest_down(heights)
    walls = wall_cells(terrain.grid, hazards)
    limits = {settings.on_foot.limit_pct / 100.0, settings.on_foot.slippery_limit_pct / 100.0}
    fall = settings.drops
    return {
        limit: find_drops(heights, terrain.gradient, walls, limit, fall.within_m, fall.fall_m, down)
        for limit in sorted(limits)
    }


def wall_cells(grid: Grid, hazards: Sequence[Hazard]) -> Mask:
    """Cells touched by obstacles and no-go ground that are marked as areas, (rows, cols)."""
    areas = [h.shape for h in hazards if is_wall(h)]
    if not areas:
        return np.zeros(grid.shape, dtype=np.bool_)
    touched = rasterize(
        [(a, 1) for a in areas], grid.shape, transform=grid.transform, all_touched=True, dtype=np.uint8
    )
    return np.asarray(touched > 0, dtype=np.bool_)


def is_wall(hazard: Hazard) -> bool:
    """Whether a slide ends badly in what is marked: an obstacle or no-go ground that is drawn as an area."""
    return hazard.kind in ("obstacle", "no_go") and bool(shapely.get_dimensions(hazard.shape) == 2)
