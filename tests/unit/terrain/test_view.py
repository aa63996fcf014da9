"""The view from a place, held to two arctangents and to terrain whose answer is known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import NORTH, WEST
from made_view import Land, angles_to, box_field, field_cells, first_in_sight, scene_of, seen_from

from atlas.grid import Floats, Heights, Mask
from atlas.terrain import cast_kernel
from atlas.terrain import view_kernel as kernel
from atlas.terrain.view import EYE_M, Lens, Scene, View, distances, look, seen, seen_parts
from atlas.terrain.view_lines import ridges, skylines
from atlas.terrain.view_lines_kernel import joined, joined_plain

PIXELS = 2.0
FIELD = box_field(-40, 0, 40, 60)  # entered in the middle of its south edge


def plane(x: Floats, y: Floats) -> Floats:
    return 500 + 0.3 * y + 0.05 * x


def ridge_before_hollow(x: Floats, y: Floats) -> Floats:
    """A ridge 6 m high along y = 30, a hollow behind it, then rising ground."""
    along: Floats = np.interp(y, [-2000, 0, 30, 55, 120, 2000], [500, 500, 506, 494, 520, 520]) + 0.0 * x
    return along


def waves(x: Floats, y: Floats) -> Floats:
    return np.asarray(500 + 0.12 * y + 4 * np.sin(x / 17) * np.cos(y / 23) + 1.5 * np.sin(y / 9))


def test_a_plane_is_where_two_arctangents_put_it() -> None:
    view = seen_from(scene_of(plane), FIELD, 0, 0)
    assert view.lens.z == pytest.approx(500 + EYE_M, abs=1e-9)
    for east, north in ((-40, 60), (40, 60), (-40, 20), (40, 20), (0, 60), (13, 41)):
        col, row = angles_to(view, east, north, float(plane(np.array(east), np.array(north))))
        away = view.depth_m[math.floor(row), math.floor(col)]
        pixel = math.radians(view.lens.step_deg)
        # one row more or less is so much further off, on ground that rises 0.3 under a ray
        there = math.hypot(east, north)
        assert away == pytest.approx(there, abs=1.5 + 2 * pixel * there**2 / EYE_M)


def test_the_picture_is_cylindrical_and_not_stretched() -> None:
    view = seen_from(scene_of(plane), FIELD, 0, 0)
    lens = view.lens
    assert lens.cols * lens.step_deg == pytest.approx(lens.wide_deg)
    assert np.diff(np.degrees(lens.azimuths)) == pytest.approx(lens.step_deg)
    at = lens.project(np.full(2, lens.x), np.full(2, lens.y + 50), lens.z + np.array([0.0, 50.0]))
    assert at[0, 1] - at[1, 1] == pytest.approx(45.0 / lens.step_deg)  # a degree up is as long as one across


def test_the_outline_of_a_field_runs_through_its_corners() -> None:
    scene = scene_of(plane)
    view = seen_from(scene, FIELD, 0, 0)
    points = np.concatenate(seen_parts(scene, view.lens, FIELD))
    for east, north in ((-40, 60), (40, 60)):
        col, row = angles_to(view, east, north, float(plane(np.array(east), np.array(north))))
        assert np.hypot(points[:, 0] - col, points[:, 1] - row).min() <= PIXELS
    mask = view.field
    col, row = angles_to(view, 0, 60, float(plane(np.array(0), np.array(60))))
    assert abs(int(np.flatnonzero(mask[:, round(col)])[0]) - row) <= PIXELS


def test_a_ridge_hides_the_hollow_and_not_what_rises_behind() -> None:
    scene = scene_of(ridge_before_hollow)
    field = box_field(-40, 0, 40, 90)
    view = seen_from(scene, field, 0, 0)
    # the sight line over the crest at (30 m, 506 m) from 502.5 m: gradient 3.5/30, met by the far bank again
    rise = 3.5 / 30
    back = 55 + (502.5 + 55 * rise - 494) / (26 / 65 - rise)
    for north, hidden in ((20, False), (29, False), (31, True), (55, True), (back - 3, True), (back + 3, False)):
        _, found = seen(scene, view.lens, np.array([WEST]), np.array([NORTH + north]))
        assert (found[0] == kernel.HIDDEN) == hidden, north
        assert first_in_sight(view, ridge_before_hollow, 0, north) != hidden
    middle = view.depth_m[:, view.lens.cols // 2]
    shown = middle[~np.isnan(middle)]
    assert not ((shown > 31) & (shown < back - 1.5)).any()
    assert ((shown > back) & (shown < back + 3)).any()
    cells = view.cells[view.pixels % view.lens.cols == view.lens.cols // 2]
    north_of = scene.near.grid.ys[cells // scene.near.grid.cols] - NORTH
    assert not ((north_of > 32) & (north_of < back - 2)).any(), "hidden ground of the field gives a pixel its sign"


def test_the_ridge_is_drawn_where_it_is() -> None:
    view = seen_from(scene_of(ridge_before_hollow), box_field(-40, 0, 40, 90), 0, 0)
    lines = ridges(view)
    col, row = angles_to(view, 0, 30, 506)
    near = [a for a in lines if a[0, 0] <= col <= a[-1, 0]]
    assert min(abs(float(np.interp(col, a[:, 0], a[:, 1])) - row) for a in near) <= PIXELS
    for east in (-30, -10, 20):
        col, row = angles_to(view, east, 30, 506)
        assert min(abs(float(np.interp(col, a[:, 0], a[:, 1])) - row) for a in lines) <= PIXELS


@given(st.integers(0, 10_000), st.integers(1, 150))
@settings(deadline=None)
def test_points_are_joined_as_the_plain_reading_joins_them(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    drawn = np.column_stack([rng.integers(0, 30, count), rng.integers(0, 12, count), rng.integers(50, 90, count)])
    points: Floats = drawn[np.lexsort((drawn[:, 1], drawn[:, 0]))].astype(np.float64)
    line = joined(points, 3.0, 4.0, 0.2)
    plain = joined_plain(points, 3.0, 4.0, 0.2)
    assert [np.flatnonzero(line == k).tolist() for k in range(line.max() + 1)] == plain


@pytest.mark.parametrize("turn", range(0, 360, 45))
def test_the_skyline_of_a_cone_in_eight_directions(turn: int) -> None:
    """From beside a round hill its skyline is the tangent cone: closed form, in eight directions around it."""
    top, fall, far = 40.0, 0.5, 60.0
    away = math.radians(turn)
    x0, y0 = far * math.sin(away), far * math.cos(away)

    def land(x: Floats, y: Floats) -> Floats:
        return 500 + np.maximum(0.0, top - fall * np.hypot(x, y))

    field = box_field(min(0, x0) - 9, min(0, y0) - 9, max(0, x0) + 9, max(0, y0) + 9)
    view = seen_from(scene_of(land), field, x0, y0)
    lens = view.lens
    eye = 500 + top - fall * far + EYE_M
    assert lens.z == pytest.approx(eye, abs=0.01)
    for aside in (-20.0, -8.0, 0.0, 8.0, 20.0):
        azimuth = away + math.pi + math.radians(aside)
        d = np.arange(0.01, 600, 0.01)
        z = land(x0 + d * math.sin(azimuth), y0 + d * math.cos(azimuth))
        best = math.degrees(math.atan(float(((z - eye) / d).max())))
        if aside == 0.0:  # over the tip
            assert best == pytest.approx(math.degrees(math.atan2(500 + top - eye, far)), abs=0.01)
        turned = (math.degrees(azimuth) - lens.middle_deg + 540.0) % 360.0 - 180.0
        col = lens.cols / 2 + turned / lens.step_deg
        row = float(np.interp(col, np.arange(lens.cols) + 0.5, view.horizon_row))
        assert abs(row - (lens.top_deg - best) / lens.step_deg) <= PIXELS


@pytest.mark.parametrize("seed", [1, 2])
def test_the_kernels_are_their_plain_readings(seed: int) -> None:
    draw = np.random.default_rng(seed)
    scene = scene_of(waves, 40, 80, 160)
    near = scene.near.z + draw.normal(0, 0.2, scene.near.z.shape)
    near[draw.integers(0, 80, 30), draw.integers(0, 80, 30)] = np.nan
    near[20:26, 30:44] = np.nan
    scene = Scene(Heights(scene.near.grid, near), scene.middle, scene.far)
    lens = Lens(WEST + 3.3, NORTH - 8.1, 505.0, 20.0, 1.5, 50.0, 60, 80)
    field = field_cells(scene, box_field(-20, -12, 25, 30))
    step, g = math.radians(lens.step_deg), field.grid
    inputs = (
        *scene.arrays, lens.eye, lens.azimuths, distances(scene, lens), math.radians(lens.top_deg), step,
        lens.rows, (field.covered > 0).astype(np.uint8), np.array([g.west, g.north, g.cell_x, g.cell_y]),
    )  # fmt: skip
    fast, plain = cast_kernel.cast(*inputs), cast_kernel.cast_plain(*inputs)
    for a, b in zip(fast[:5], plain[:5], strict=True):
        np.testing.assert_allclose(np.asarray(a), np.asarray(b), rtol=1e-12)
    assert set(zip(fast[5].tolist(), fast[6].tolist(), strict=True)) == plain[5]
    assert {cast_kernel.GROUND, cast_kernel.GAP, cast_kernel.BEYOND} <= set(np.unique(fast[1]).tolist())
    targets = np.column_stack(
        [WEST + draw.uniform(-70, 70, 300), NORTH + draw.uniform(-70, 70, 300), np.zeros(300)]
    )
    targets[:, 2] = scene.heights(targets[:, 0], targets[:, 1])
    every = (*scene.arrays, lens.eye, targets, 0.5, 0.001)
    np.testing.assert_array_equal(kernel.sight(*every), kernel.sight_plain(*every))
    assert len(np.unique(kernel.sight(*every))) == 3


@settings(max_examples=25, deadline=None)
@given(north=st.floats(8, 45), more=st.floats(0.05, 15), wide=st.floats(2, 8), middle=st.floats(-20, 20))
def test_a_higher_ridge_in_front_never_shows_more_ground(
    north: float, more: float, wide: float, middle: float
) -> None:
    """Raising ground may show itself, never more of anything behind it."""

    def raised(x: Floats, y: Floats) -> Floats:
        return waves(x, y) + more * np.exp(-(((y - north) / wide) ** 2) - ((x - middle) / 30) ** 2)

    before, after = (_shown_behind(land, north + 3 * wide) for land in (waves, raised))
    assert not (after & ~before).any()


def _shown_behind(land: Land, north: float) -> Mask:
    """Which of many places further north than this are seen, from an eye that stays where it is."""
    scene = scene_of(land, 100, 110, 120)
    lens = Lens(WEST, NORTH, float(waves(np.array(0.0), np.array(0.0))) + EYE_M, 0.0, 0.25, 60.0, 400)
    x, y = np.meshgrid(np.arange(-50, 50, 4.3), np.arange(north, 98, 3.7))
    flat = waves(x, y)
    targets = np.column_stack([WEST + x.ravel(), NORTH + y.ravel(), flat.ravel()])
    found: Mask = kernel.sight(*scene.arrays, lens.eye, targets, 0.5, 0.0) == kernel.SEEN
    return found


def test_what_is_not_measured_is_never_ground() -> None:
    """A hole in the field, and heights that end: question marks there, and no sky above."""
    scene = scene_of(plane)
    z = scene.near.z.copy()
    rows, cols = scene.near.grid.shape
    z[rows // 2 - 40 : rows // 2 - 30, cols // 2 - 20 : cols // 2 + 20] = np.nan  # 30 to 40 m north
    holed = Scene(Heights(scene.near.grid, z), scene.middle, scene.far)
    whole, view = seen_from(scene, FIELD, 0, 0), seen_from(holed, FIELD, 0, 0)
    middle = view.lens.cols // 2
    assert not ((view.depth_m[:, middle] > 30.5) & (view.depth_m[:, middle] < 39.5)).any()
    assert (view.kind[:, middle] == cast_kernel.GAP).sum() > 3
    assert ((whole.depth_m[:, middle] > 30.5) & (whole.depth_m[:, middle] < 39.5)).any()
    assert np.isnan(view.depth_m[view.kind != cast_kernel.GROUND]).all()
    assert view.known_m[middle] == pytest.approx(30, abs=1.5)
    # heights end 700 m off: above them nobody knows
    assert set(np.unique(whole.kind)) == {cast_kernel.GROUND, cast_kernel.BEYOND}
    assert whole.known_m[middle] == pytest.approx(700, abs=9)


def test_sky_is_known_where_heights_reach_far_enough() -> None:
    view = seen_from(scene_of(lambda x, y: 500 - 0.01 * y + 0 * x, 60, 300, 1700), box_field(-30, 0, 30, 50), 0, 0)
    assert set(np.unique(view.kind)) == {cast_kernel.SKY, cast_kernel.GROUND}
    assert np.isinf(view.known_m).all()


def test_a_crest_and_an_end_of_heights_are_told_apart() -> None:
    """East a crest with lower ground behind it; west heights end while they rise, and make the line."""

    def land(x: Floats, y: Floats) -> Floats:
        return 500 + np.where(x < 0, 0.2 * np.abs(y), np.where(y < 80, 0.3 * y, 24 - 0.3 * (y - 80)))

    view = seen_from(scene_of(land, 100, 120, 200), box_field(-40, 0, 40, 60), 0, 0)
    found = skylines(view)
    crest = [s for s in found if s.known]
    end = [s for s in found if not s.known]
    assert crest
    assert end
    assert all(s.at[:, 0].min() >= view.lens.cols / 2 - 30 for s in crest if len(s.at) > 60)
    assert sum(len(s.at) for s in found) == view.lens.cols


def test_no_height_under_the_eye_is_no_view() -> None:
    scene = scene_of(plane)
    field = field_cells(scene, FIELD)
    assert look(scene, WEST + 900, NORTH, field) is None  # past all heights
    z = scene.near.z.copy()
    z[scene.near.grid.rows // 2 - 2 : scene.near.grid.rows // 2 + 2] = np.nan
    assert look(Scene(Heights(scene.near.grid, z), scene.middle, scene.far), WEST, NORTH, field) is None


def test_a_way_in_on_the_very_edge_of_the_near_window() -> None:
    """The coarser heights carry on where the exact ones end."""
    scene = scene_of(plane)
    view = seen_from(scene, box_field(-60, 40, 60, 100), 0, 100)
    assert view.lens.z == pytest.approx(530 + EYE_M, abs=0.2)
    assert view.field.any()
    corner = seen_from(scene, box_field(60, 60, 100, 100), 100, 100)
    assert corner.field.any()


def test_nothing_of_the_field_ahead_is_no_view() -> None:
    scene = scene_of(plane)
    assert look(scene, WEST, NORTH, field_cells(scene, box_field(-2, -2, 2, 2))) is None


def test_the_picture_holds_all_of_a_field_that_lies_ahead() -> None:
    for field, at in ((FIELD, (0, 0)), (box_field(-90, 0, 90, 20), (-90, 0)), (box_field(-9, 0, 9, 90), (0, 0))):
        view = seen_from(scene_of(plane), field, *at)
        cols = np.flatnonzero(view.field.any(axis=0))
        assert 100 <= view.lens.wide_deg <= 180
        assert cols[0] > 0 or view.lens.wide_deg == 180
        assert cols[-1] < view.lens.cols - 1 or view.lens.wide_deg == 180


def test_a_long_field_does_not_need_more_pixels() -> None:
    scene = scene_of(plane, 700, 800, 1700)
    view: View = seen_from(scene, box_field(-600, 0, 600, 600), 0, 0)
    assert view.depth_m.shape[1] == 720
    assert view.depth_m.shape[0] < 400
    assert np.nanmax(view.depth_m[view.field]) > 500
