"""The distance to keep from a bank, against the published rule.

Source: Lehtola and Brown, "Preventing tractor overturns", University of Florida IFAS, ABE305 (2001, reviewed
2009): stay at least as far from the edge of a bank or ditch as it is deep; more on sandy or wet soil (no factor
is given there).
"""

from __future__ import annotations

import numpy as np
import pytest
from made import make_grid, step
from shapely.geometry import LineString

from atlas.driving.drop_zones import drop_closures
from atlas.driving.hazards import keep_away_m
from atlas.farm.records import Hazard
from atlas.settings import Settings
from atlas.terrain.drops import COUNTED_FALL_M, find_drops
from atlas.terrain.slope import horn

DEPTHS = (1.0, 1.5, 2.0, 3.0, 4.5)


def bank(depth: float, unconfirmed: bool = False) -> Hazard:
    line = LineString([(0, 0), (50, 0)])
    return Hazard("b", "unstable_bank", 2, 0.5, 0.0, depth, "", None, None, "", line, unconfirmed=unconfirmed)


@pytest.mark.parametrize("depth", DEPTHS)
def test_a_marked_bank_is_kept_off_by_its_depth(depth: float) -> None:
    assert keep_away_m(bank(depth), Settings(), soaked=False) >= depth


@pytest.mark.parametrize("depth", DEPTHS)
def test_a_wet_bank_is_kept_off_by_more(depth: float) -> None:
    assert keep_away_m(bank(depth), Settings(), soaked=True) > depth
    assert keep_away_m(bank(depth, unconfirmed=True), Settings(), soaked=False) > depth


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0])
def test_a_bank_found_in_the_terrain_is_kept_off_by_its_depth(depth: float, cell: float) -> None:
    grid = make_grid(round(40 / cell), 20, cell)
    heights = step(depth, grid)
    none = np.zeros(grid.shape, dtype=np.bool_)
    drops = find_drops(heights, horn(heights), none, 0.8, 20.0, 1.0)
    closed = drop_closures(drops, 0.1).keep_out[:, 10]  # a machine so small that only the bank's depth counts
    from_edge = grid.ys - (grid.north - 20.0)  # metres north of the bank's face, which is the top
    assert depth <= COUNTED_FALL_M
    assert closed[(from_edge > 0) & (from_edge < depth)].all()
    assert not closed[from_edge < 0].any()
    assert not closed[from_edge > depth + 1.1 + cell].any()
