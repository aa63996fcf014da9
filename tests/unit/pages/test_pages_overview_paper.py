"""The overview's sheet: round scales, frames that hold the farm, bars of round lengths."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from atlas.grid import Bounds
from atlas.pages.overview_paper import (
    EDGE_MM,
    PAPERS,
    SCALES,
    Sheet,
    frame_for,
    grid_step,
    round_up,
    scale_bar,
    sheet_for,
)

SHEETS = [sheet_for(paper, turned) for paper in PAPERS for turned in ("upright", "sideways")]
sizes = st.floats(5.0, 200_000.0)


@pytest.mark.parametrize("sheet", SHEETS)
def test_map_and_words_stay_inside_the_paper(sheet: Sheet) -> None:
    across = sheet.map_width_mm + (sheet.words_mm if sheet.turned == "sideways" else 0)
    assert across == pytest.approx(sheet.width_mm - 2 * EDGE_MM)
    assert 0.4 < sheet.map_height_mm / sheet.height_mm < 1


def test_paper_sizes_of_iso_216() -> None:
    """ISO 216, from memory: A4 210 × 297, A3 297 × 420 mm; a sideways sheet is the same sheet turned."""
    assert (sheet_for("A4", "upright").width_mm, sheet_for("A4", "upright").height_mm) == (210, 297)
    assert (sheet_for("A3", "sideways").width_mm, sheet_for("A3", "sideways").height_mm) == (420, 297)


@given(sizes, sizes, st.sampled_from(SHEETS))
def test_the_farm_fits_its_frame_at_the_largest_round_scale(width: float, height: float, sheet: Sheet) -> None:
    farm = Bounds(1000.0, 5000.0, 1000.0 + width, 5000.0 + height)
    frame = frame_for(farm, sheet)
    assert frame.x_mm(farm.west) >= 0
    assert frame.x_mm(farm.east) <= sheet.map_width_mm
    assert frame.y_mm(farm.north) >= 0
    assert frame.y_mm(farm.south) <= sheet.map_height_mm
    assert frame.scale in SCALES or frame.scale > SCALES[-1]
    larger = [s for s in SCALES if s < frame.scale]
    if larger:
        mm = 1000.0 / larger[-1]
        assert width * mm > sheet.map_width_mm - 8.1 or height * mm > sheet.map_height_mm - 8.1


def test_places_on_paper_are_true_to_scale() -> None:
    frame = frame_for(Bounds(0, 0, 900, 600), sheet_for("A4", "sideways"))
    assert frame.x_mm(700) - frame.x_mm(200) == pytest.approx(500 * 1000 / frame.scale)
    assert frame.y_mm(100) - frame.y_mm(500) == pytest.approx(400 * 1000 / frame.scale)
    assert frame.bounds.width == pytest.approx(frame.sheet.map_width_mm * frame.scale / 1000)


@pytest.mark.parametrize("scale", [*SCALES, 400_000])
def test_bars_are_round_and_fit(scale: int) -> None:
    bar = scale_bar(scale)
    assert 24 <= bar.length_mm <= 60
    assert bar.length_mm * scale / 1000 == pytest.approx(bar.length_m)
    digits = f"{bar.part_m:.0f}".rstrip("0") if bar.part_m >= 1 else f"{bar.part_m:g}"
    assert digits in ("1", "2", "5", "0.5")


def test_known_bar() -> None:
    """1:5000: 250 m are 50 mm, 300 m would be the full 60 but cannot be cut into round pieces."""
    bar = scale_bar(5000)
    assert (bar.length_m, bar.length_mm) == (250, 50)


@pytest.mark.parametrize(("scale", "step"), [(500, 20), (1000, 50), (5000, 200), (10_000, 500), (25_000, 1000)])
def test_grid_steps(scale: int, step: int) -> None:
    assert grid_step(scale) == step


def test_round_up() -> None:
    assert [round_up(v) for v in (1.0, 99_001, 312_000, 400_000)] == [1, 100_000, 400_000, 400_000]
