"""Nothing that makes driving harder may ever open ground, and the answer turns with the terrain."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from made import make_grid, plane, rough, with_hole
from made_driving import drive_survey, farm, hazard, one, parcel
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, box

from atlas.driving.records import Drive, Zone
from atlas.farm.records import Hazard
from atlas.grid import Grid, Heights
from atlas.settings import Settings

GRID = make_grid(26, 26)
DROPS = {"within_m": 12.0, "fall_m": 1.0}
FEW = settings(max_examples=15, deadline=None, derandomize=True)

gradients = st.floats(0.02, 1.0)
azimuths = st.floats(0, 360)
seeds = st.integers(0, 5_000)
places = st.tuples(st.integers(5, 20), st.integers(5, 20))


def rolling(seed: int) -> Heights:
    return rough(seed, GRID, relief_m=9.0)


def never_opens(before: Drive, after: Drive) -> None:
    """No cell is more open after than before; an unmeasured cell is the most closed of all."""
    assert np.all(after.zone >= before.zone)
    drivable = after.any_way_m2 + after.up_down_m2
    assert drivable <= before.any_way_m2 + before.up_down_m2 + 1e-6


def verdicts(heights: Heights, of: Settings, hazards: tuple[Hazard, ...] = (), ground: str = "firm") -> Drive:
    return one(drive_survey(heights, of, hazards), ground)


@FEW
@given(gradients, st.floats(0.001, 0.3), azimuths, st.sampled_from(["firm", "wet"]))
def test_a_steeper_plane(gradient: float, more: float, azimuth: float, ground: str) -> None:
    of = farm({"side_limit_pct": 40}, drops=DROPS)
    flat, steep = (verdicts(plane(g, azimuth, GRID), of, ground=ground) for g in (gradient, gradient + more))
    never_opens(flat, steep)


@FEW
@given(gradients, azimuths, st.floats(0.55, 1.5), st.floats(0.01, 0.8), st.booleans())
def test_a_higher_centre_of_gravity(
    gradient: float, azimuth: float, height: float, more: float, rear_brakes: bool
) -> None:
    """Where all wheels grip, or those that the slope unloads. Wheels that it loads do grip better under a higher
    centre of gravity (rear drive going up, front brakes going down); that is statics, not a mistake."""
    ways: dict[str, Any] = {"front_axle": "fixed", "braked": "rear" if rear_brakes else "all"}
    low, high = (farm({**ways, "cog_height_m": h}) for h in (height, height + more))
    ground = plane(gradient, azimuth, GRID)
    never_opens(verdicts(ground, low), verdicts(ground, high))


@FEW
@given(gradients, azimuths, st.floats(1.2, 2.3), st.floats(0.02, 0.6), st.booleans())
def test_a_narrower_track(gradient: float, azimuth: float, track: float, less: float, fixed: bool) -> None:
    ways = {"front_axle": "fixed" if fixed else "pivots"}
    known = {"terrain": {"dem_sigma_m": 0.03}}
    wide = farm({**ways, "track_m": track}, **known)
    narrow = farm({**ways, "track_m": track - less}, **known)
    ground = plane(gradient, azimuth, GRID)
    before, after = verdicts(ground, wide).zone, verdicts(ground, narrow).zone
    within = np.s_[7:-7, 7:-7]  # a narrower machine may stand nearer to the edge of the heights
    assert np.all(after[within] >= before[within])


@FEW
@given(seeds, st.floats(0.1, 0.8))
def test_a_pivoting_axle(seed: int, pivot: float) -> None:
    ground = rolling(seed)
    never_opens(verdicts(ground, farm({"front_axle": "fixed"})), verdicts(ground, farm({"pivot_height_m": pivot})))


@FEW
@given(seeds, st.floats(0.1, 1.2), st.floats(0.01, 0.5), st.sampled_from(["all", "rear", "front"]))
def test_a_slicker_ground(seed: int, grip: float, less: float, axle: str) -> None:
    ground = rolling(seed)
    good, slick = (
        farm({"driven": axle, "braked": axle}, grounds={"firm": {"grip": g}}, drops=DROPS)
        for g in (grip, max(0.02, grip - less))
    )
    never_opens(verdicts(ground, good), verdicts(ground, slick))


@FEW
@given(seeds, st.floats(0.2, 0.99), st.sampled_from(["firm", "wet"]))
def test_a_newer_driver(seed: int, share: float, ground: str) -> None:
    of = farm(drivers={"practised": {"share": 1.0}, "new": {"share": share}}, drops=DROPS)
    survey = drive_survey(rolling(seed), of)
    never_opens(one(survey, ground), one(survey, ground, "new"))


@FEW
@given(seeds, st.floats(0, 0.3), st.floats(0.001, 0.3))
def test_deeper_sinking(seed: int, sink: float, more: float) -> None:
    shallow, deep = (farm(grounds={"firm": {"grip": 1.0, "sink_m": s}}) for s in (sink, sink + more))
    never_opens(verdicts(rolling(seed), shallow), verdicts(rolling(seed), deep))


@FEW
@given(seeds, st.floats(0, 0.2), st.floats(0.001, 0.2))
def test_heights_less_well_known(seed: int, sigma: float, more: float) -> None:
    sure, unsure = (
        farm({"side_limit_pct": 40}, grounds={"firm": {"grip": 0.5}}, terrain={"dem_sigma_m": s})
        for s in (sigma, sigma + more)
    )
    never_opens(verdicts(rolling(seed), sure), verdicts(rolling(seed), unsure))


@FEW
@given(seeds, st.floats(0, 8), st.floats(0.1, 5), places)
def test_a_deeper_bank(seed: int, depth: float, more: float, at: tuple[int, int]) -> None:
    shallow, deep = (hazard("unstable_bank", _point(at), depth_m=d, reach_m=1.0) for d in (depth, depth + more))
    ground = rolling(seed)
    never_opens(verdicts(ground, farm(), (shallow,)), verdicts(ground, farm(), (deep,)))


@FEW
@given(
    seeds,
    st.sampled_from(["wet_spot", "unstable_bank", "forest_edge", "obstacle", "overhead_line", "no_go", "slip"]),
    st.sampled_from(["point", "line", "area"]),
    places,
    st.integers(1, 3),
    st.booleans(),
    st.sampled_from(["firm", "wet"]),
)
def test_one_more_hazard(
    seed: int, kind: Any, form: str, at: tuple[int, int], severity: int, unconfirmed: bool, ground: str
) -> None:
    of = farm(drops=DROPS)
    p = _point(at)
    shape = {"point": p, "line": LineString([(p.x, p.y), (p.x + 6, p.y + 3)]), "area": p.buffer(2.5)}[form]
    there = hazard("wet_spot", _point((13, 13)), 1, reach_m=2.0)
    more = hazard(kind, shape, severity, unconfirmed=unconfirmed, reach_m=2.0, depth_m=2.0)
    heights = rolling(seed)
    never_opens(verdicts(heights, of, (there,), ground), verdicts(heights, of, (there, more), ground))


@FEW
@given(seeds, places, st.sampled_from(["firm", "wet"]))
def test_one_missing_height(seed: int, at: tuple[int, int], ground: str) -> None:
    of = farm(drops=DROPS)
    heights = rolling(seed)
    never_opens(verdicts(heights, of, ground=ground), verdicts(with_hole(heights, *at), of, ground=ground))


@FEW
@given(seeds, st.integers(1, 3), places)
def test_turning_the_terrain_turns_the_answer_with_it(seed: int, turns: int, at: tuple[int, int]) -> None:
    """Without drops, whose eight directions settle ties by a fixed order."""
    of = farm({"side_limit_pct": 35}, terrain={"dem_sigma_m": 0.03})
    heights = with_hole(rolling(seed), 6, 17)
    spot, bank_line = _point(at), LineString(np.array([_point(p).coords[0] for p in ((4, 4), (9, 20))]))
    marks = (hazard("wet_spot", spot, 2, reach_m=2.0), hazard("obstacle", bank_line, reach_m=1.0))
    b = GRID.bounds
    field = box(b.west + 4, b.south + 5, b.east - 3, b.north - 4)
    before = one(drive_survey(heights, of, marks, field=parcel(field)))
    middle = ((b.west + b.east) / 2, (b.south + b.north) / 2)
    turned = Heights(GRID, np.ascontiguousarray(np.rot90(heights.z, turns)))
    marks_turned = tuple(
        hazard(m.kind, rotate(m.shape, 90 * turns, origin=middle), m.severity, reach_m=m.reach_m) for m in marks
    )
    field_turned = rotate(field, 90 * turns, origin=middle)
    after = one(drive_survey(turned, of, marks_turned, field=parcel(field_turned)))
    np.testing.assert_array_equal(np.rot90(before.zone, turns), after.zone)
    np.testing.assert_allclose(before.any_way_m2, after.any_way_m2, rtol=1e-6)
    assert len(np.unique(before.zone)) >= 3


def _point(at: tuple[int, int], grid: Grid = GRID) -> Point:
    return Point(grid.xs[at[1]] + 0.2, grid.ys[at[0]] + 0.3)


def test_zones_are_ordered_from_open_to_closed() -> None:
    assert [z.name for z in sorted(Zone)] == ["ANY_WAY", "UP_DOWN", "ON_FOOT", "KEEP_OUT", "UNSURVEYED"]
