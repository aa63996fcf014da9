"""The demo's hidden springs, which no marking shows, are found by where they lie."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from atlas.farm.demo import Spring, demo_springs, make_demo
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.grid import Bounds
from atlas.settings import Settings
from atlas.terrain.slope import horn
from atlas.terrain.wetness import MARGIN_M, LikelyWet, likely_wet

WITHIN_M = 15.0  # one would see it from there


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    path: Path = tmp_path_factory.mktemp("demo") / "demo.gpkg"
    make_demo(path)
    return open_farm(path, Settings())


def suggestions(farm: Farm, field_id: str) -> tuple[LikelyWet, ...]:
    (parcel,) = (p for p in farm.parcels if p.field_id == field_id)
    box = Bounds(*parcel.shape.bounds)
    heights = farm.terrain.read(box, MARGIN_M)
    x, y = np.meshgrid(heights.grid.xs, heights.grid.ys)
    covered = shapely.contains_xy(parcel.shape, x, y).astype(np.float32)
    marked = [h.shape.buffer(h.reach_m + h.accuracy_m) for h in farm.hazards_near(box)]
    return likely_wet(heights, horn(heights), covered, marked)


def test_every_hidden_spring_is_among_its_field_s_suggestions(farm: Farm) -> None:
    springs = demo_springs()
    assert len(springs) >= 4
    ranks = [rank_of(spring, suggestions(farm, spring.field_id)) for spring in springs]
    assert None not in ranks
    assert sum(rank in (1, 2) for rank in ranks) >= len(springs) - 1


def rank_of(spring: Spring, places: tuple[LikelyWet, ...]) -> int | None:
    near = [one.rank for one in places if np.hypot(one.x - spring.x, one.y - spring.y) <= WITHIN_M]
    return min(near, default=None)
