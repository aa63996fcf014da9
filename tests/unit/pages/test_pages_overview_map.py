"""What stands where on the overview map: outlines, hatching, labels, true north."""

from __future__ import annotations

import re
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Proj
from shapely.geometry import LineString, Polygon, box

from atlas.grid import Bounds
from atlas.pages.overview_hatch import COMB_MM, Spot, combs, cross_hatch, question_marks
from atlas.pages.overview_labels import LETTER_MM, LINE_MM, Wanted, place_labels
from atlas.pages.overview_map import path_of, true_north_deg
from atlas.pages.overview_paper import frame_for, sheet_for

FRAME = frame_for(Bounds(600_000, 5_200_000, 600_900, 5_200_600), sheet_for("A4", "sideways"))


@pytest.mark.parametrize(
    ("epsg", "x", "y"),
    [(25832, 700_000, 5_200_000), (25832, 320_000, 5_200_000), (32733, 700_000, 6_000_000), (2056, 2.7e6, 1.2e6)],
)
def test_true_north_is_minus_the_meridian_convergence(epsg: int, x: float, y: float) -> None:
    """Against PROJ's own meridian convergence, which counts from true to grid north."""
    projection = Proj(CRS.from_epsg(epsg))
    lon, lat = projection(x, y, inverse=True)
    expected = -projection.get_factors(lon, lat).meridian_convergence
    found = true_north_deg(CRS.from_epsg(epsg).to_wkt(), Bounds(x - 5, y - 5, x + 5, y + 5))
    assert found == pytest.approx(expected, abs=0.06)
    assert abs(found) > 0.5


def test_outlines_come_back_from_their_paths() -> None:
    """Within half a hundredth of a millimetre, holes and all; the sum of relative moves does not drift."""
    rng = np.random.default_rng(4)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 400))
    reach = rng.uniform(120, 250, 400)
    ring = np.column_stack([600_400 + reach * np.cos(turn), 5_200_300 + reach * np.sin(turn)])
    field = Polygon(ring, [np.column_stack([600_400 + 40 * np.cos(turn), 5_200_300 + 40 * np.sin(turn)])])
    rings = _rings(path_of(field, FRAME))
    assert len(rings) == 2
    expected = np.array([(FRAME.x_mm(x), FRAME.y_mm(y)) for x, y in ring])
    outer = Polygon(rings[0])
    assert outer.symmetric_difference(Polygon(expected)).area < 0.01 * outer.length
    furthest = max(outer.exterior.distance(LineString([p, p + 1e-9])) for p in expected)
    assert furthest <= 0.0072


@settings(max_examples=40, deadline=None)
@given(st.floats(1, 60), st.floats(1, 40), st.floats(0, 150), st.floats(0, 100))
def test_cross_hatch_stays_inside_and_leaves_no_room(width: float, height: float, x: float, y: float) -> None:
    area = box(x, y, x + width, y + height)
    lines = [LineString(pair) for pair in _segments(cross_hatch(area))]
    for line in lines:
        assert area.buffer(0.02).covers(line)
    if min(width, height) >= 3:
        hatched = Polygon().union(lines[0].buffer(0.72))
        for line in lines[1:]:
            hatched = hatched.union(line.buffer(0.72))
        assert area.buffer(-0.3).difference(hatched).area == pytest.approx(0, abs=1e-6)


def test_combs_start_on_their_lattice_and_cover_the_area() -> None:
    area = box(10.3, 20.7, 31.1, 33.3)
    found = combs(area)
    bars = _rows(found.bars)
    assert len(bars) == len(_rows(found.teeth))
    for start, y, length in bars:
        row = round(y / 2.2)
        shift = COMB_MM / 2 if row % 2 else 0
        assert (start - shift) % COMB_MM == pytest.approx(0, abs=0.011) or (
            start - shift
        ) % COMB_MM > COMB_MM - 0.011
        assert start <= 10.31
        assert start + length >= 31.09


def test_every_unmeasured_part_with_room_has_a_question_mark() -> None:
    parts = box(0, 0, 2.2, 2.2).union(box(20, 20, 60, 40)).union(box(100, 100, 101, 101))
    marks = question_marks(parts)
    assert any(m.x < 3 for m in marks)
    assert sum(20 <= m.x <= 60 for m in marks) >= 8
    assert not any(m.x > 99 for m in marks)


def test_labels_do_not_cover_each_other_or_the_signs() -> None:
    wanted = [Wanted(i, "Long name of a field", 40 + 9.0 * (i % 12), 20 + 7.0 * (i // 12)) for i in range(60)]
    signs = [Spot(60.0, 30.0), Spot(90.0, 41.0)]
    labels = place_labels(wanted, 190, 150, signs)
    boxes = []
    for want, label in zip(wanted, labels, strict=True):
        if label.named:
            wide = len(f"{want.number} {want.name}") * LETTER_MM
            boxes.append(box(label.x - wide / 2, label.y - LINE_MM, label.x + wide / 2, label.y + LINE_MM))
    assert 5 <= len(boxes) < len(wanted)
    for i, one in enumerate(boxes):
        assert all(one.intersection(other).area < 1e-6 for other in boxes[i + 1 :])
        assert all(one.intersection(box(s.x - 1.7, s.y - 1.7, s.x + 1.7, s.y + 1.7)).area < 1e-6 for s in signs)


def test_thousands_of_labels_are_placed_quickly_and_the_rest_wait() -> None:
    """Where not even the number has room it is left out, not printed over others."""
    rng = np.random.default_rng(2)
    wanted = [Wanted(i, "Name", x, y) for i, (x, y) in enumerate(rng.uniform(0, 150, (3000, 2)))]
    before = time.process_time()
    labels = place_labels(wanted, 150, 150)
    assert time.process_time() - before < 5
    crowded = [lab for lab in labels if lab.crowded]
    assert 1000 < len(crowded) < 3000
    assert not any(lab.named for lab in crowded)


def test_a_label_at_the_edge_stays_on_the_map() -> None:
    [label] = place_labels([Wanted(1, "A rather long name", 1.0, 1.0)], 100, 80)
    half = len("1 A rather long name") * LETTER_MM / 2
    assert label.x - half >= 0
    assert label.y - LINE_MM >= 0


def _rings(path: str) -> list[np.ndarray]:
    rings = []
    for part in path.strip("z").split("z"):
        start, *moves = re.findall(r"[Ml](-?[\d.]+) (-?[\d.]+)", part)
        steps = np.array([start, *moves], dtype=float)
        rings.append(np.cumsum(steps, axis=0))
    return rings


def _segments(path: str) -> list[list[tuple[float, float]]]:
    found = re.findall(r"M(-?[\d.]+) (-?[\d.]+)L(-?[\d.]+) (-?[\d.]+)", path)
    return [[(float(a), float(b)), (float(c), float(d))] for a, b, c, d in found]


def _rows(path: str) -> list[tuple[float, float, float]]:
    found = re.findall(r"M(-?[\d.]+) (-?[\d.]+)h(-?[\d.]+)", path)
    return [(float(a), float(b), float(c)) for a, b, c in found]


def test_a_name_wider_than_the_map_leaves_its_number_alone() -> None:
    long, short = place_labels([Wanted(1, "N" * 300, 50.0, 40.0), Wanted(2, "Short", 50.0, 40.0)], 100, 80)
    assert (long.named, long.crowded) == (False, False)
    assert short.named
