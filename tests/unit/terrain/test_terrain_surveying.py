"""One field's terrain end to end on ground whose figures are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st
from made import bank, irregular, make_grid, plane, rectangle, rough, terrace_above_wall, with_hole
from shapely import affinity

from atlas.grid import Heights
from atlas.settings import Settings, parse
from atlas.terrain.surveying import survey_terrain, terrain_figures

GRID = make_grid(80, 100)
FIELD = rectangle(GRID, 20, 20, 80, 60)


def test_a_field_on_a_plane() -> None:
    figures = survey_terrain(FIELD, plane(0.4, 180.0), Settings()).figures
    assert figures.area_m2 == 2400
    assert [c.area_m2 for c in figures.classes] == pytest.approx([0, 0, 2400, 0])
    assert [c.merged_m2 for c in figures.classes] == pytest.approx([0, 0, 2400, 0])
    assert (figures.mean_pct, figures.p95_pct, figures.max_pct) == pytest.approx((40, 40, 40))
    assert figures.surface_m2 == pytest.approx(2400 * math.sqrt(1.16))
    assert figures.unsurveyed_m2 == 0
    assert figures.faces_deg == pytest.approx(180)
    assert (figures.min_m, figures.max_m) == pytest.approx((500 - 0.4 * 19.5, 500 + 0.4 * 19.5))


def test_a_bank_across_a_level_field_has_its_own_ground_plan() -> None:
    figures = terrain_figures(FIELD, bank(6.0, 0.6), Settings())
    # 6 m at 60 % are ten rows; Horn sees the edge in the outermost two (3/4 of 60 %) and beside them (1/4)
    assert [c.area_m2 for c in figures.classes] == pytest.approx([30 * 60, 0, 2 * 60, 8 * 60])


def test_a_wall_between_terraces_is_steep_in_two_rows_only() -> None:
    figures = terrain_figures(FIELD, terrace_above_wall(0.1, 2.0), Settings())
    assert figures.classes[3].area_m2 == pytest.approx(2 * 60)
    assert figures.max_pct == pytest.approx(100 * (0.1 + 2.0 / 2))


def test_breaks_can_be_set() -> None:
    figures = terrain_figures(FIELD, plane(0.4), parse({"terrain": {"breaks_pct": [25, 45]}}))
    assert [(c.over_pct, c.upto_pct, round(c.area_m2)) for c in figures.classes] == [
        (0, 25, 0),
        (25, 45, 2400),
        (45, None, 0),
    ]


def test_a_gap_in_the_heights_is_unsurveyed_and_in_no_class() -> None:
    survey = survey_terrain(FIELD, with_hole(plane(0.2), 30, 40, 4, 6), Settings())
    assert survey.figures.unsurveyed_m2 == pytest.approx(6 * 8)
    assert survey.figures.classes[1].area_m2 == pytest.approx(2400 - 48)
    assert survey.figures.surface_m2 == pytest.approx((2400 - 48) * math.sqrt(1.04))
    assert (survey.slope_class[29:35, 39:47] == 255).all()


def test_ground_off_the_grid_is_unsurveyed() -> None:
    field = rectangle(GRID, 90, 20, 110, 60)
    figures = terrain_figures(field, plane(0.2), Settings())
    assert figures.unsurveyed_m2 == pytest.approx(400 + 40)  # beyond the edge, and the outer ring of cells
    assert sum(c.area_m2 for c in figures.classes) + figures.unsurveyed_m2 == pytest.approx(800)


def test_a_field_without_heights_has_areas_but_no_steepness() -> None:
    survey = survey_terrain(FIELD, Heights(GRID, np.full(GRID.shape, np.nan)), Settings())
    figures = survey.figures
    assert figures.unsurveyed_m2 == pytest.approx(2400)
    assert figures.surface_m2 == 0
    assert {figures.min_m, figures.max_m, figures.mean_pct, figures.p95_pct, figures.max_pct} == {None}
    assert figures.faces_deg is None
    assert survey.profile is None
    assert survey.contours.lines == ()


def test_a_field_without_a_single_cell_is_all_unsurveyed() -> None:
    grid = make_grid(0, 0)
    survey = survey_terrain(FIELD, Heights(grid, np.empty((0, 0))), Settings())
    assert survey.figures.unsurveyed_m2 == pytest.approx(2400)
    assert survey.shade.shape == (0, 0)


@runs(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), parts=st.integers(1, 3), holes=st.integers(0, 3), east=st.floats(0, 1))
def test_classes_and_unsurveyed_add_up_to_the_field(seed: int, parts: int, holes: int, east: float) -> None:
    field = irregular(seed, GRID, 0.3, holes=holes, parts=parts, at=(east, 0.5))
    heights = with_hole(rough(seed, GRID), seed % 70, seed % 90, 5, 5)
    for figures in (
        survey_terrain(field, heights, Settings()).figures,
        terrain_figures(field, heights, Settings()),
    ):
        for areas in ([c.area_m2 for c in figures.classes], [c.merged_m2 for c in figures.classes]):
            assert sum(areas) + figures.unsurveyed_m2 == pytest.approx(field.area, rel=1e-9)
    assert figures.unsurveyed_m2 <= field.area


def test_the_lean_figures_are_the_same_figures() -> None:
    field, heights = irregular(3, GRID, 0.4, holes=1), rough(3, GRID)
    assert terrain_figures(field, heights, Settings()) == survey_terrain(field, heights, Settings()).figures


def test_arrays_lie_on_the_heights_grid_and_exact_fractions_survive_32_bits() -> None:
    heights = rough(3, GRID)
    field = irregular(3, GRID, 0.2)
    survey = survey_terrain(field, heights, Settings())
    arrays = (survey.z, survey.gradient.gx, survey.covered, survey.slope_class, survey.shade)
    assert {a.shape for a in arrays} == {GRID.shape}
    assert survey.covered.astype(np.float64).sum() == pytest.approx(field.area, rel=1e-6)


@runs(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_turning_field_and_ground_by_a_right_angle_turns_only_the_direction(seed: int) -> None:
    grid = make_grid(80, 80)
    heights, field = rough(seed, grid), irregular(seed, grid, 0.25)
    middle = (grid.west + 40, grid.north - 40)
    turned_field = affinity.rotate(field, 90, origin=middle)  # anticlockwise, as rot90 turns the rows
    straight = terrain_figures(field, heights, Settings())
    turned = terrain_figures(turned_field, Heights(grid, np.rot90(heights.z)), Settings())
    for a, b in zip(straight.classes, turned.classes, strict=True):
        assert a.area_m2 == pytest.approx(b.area_m2, abs=1e-3)
    assert straight.mean_pct == pytest.approx(turned.mean_pct, rel=1e-6)
    if straight.faces_deg is not None and turned.faces_deg is not None:
        assert (straight.faces_deg - turned.faces_deg) % 360 == pytest.approx(90, abs=1e-4)
    else:
        assert straight.faces_deg is turned.faces_deg
