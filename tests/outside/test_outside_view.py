"""The view from the ways in of the demo farm, held to a straight reading of its heights.

Sources: projections are two arctangents from first principles; heights between cells by `scipy.ndimage`; hidden or
seen by looking along the straight line every quarter of a metre on the model's own cells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.ndimage import map_coordinates

from atlas.driving.machines import rig
from atlas.driving.views import WayView
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.grid import Floats, Heights
from atlas.settings import settings_for
from atlas.survey import FieldSurvey, survey_field

DEMO = Path(__file__).parents[2] / "demo_gpkg" / "farm.gpkg"
FIELDS = ("krumpa-ruen", "hengslak", "trellveska")  # uphill, with tags that ground hides, and downhill
PIXELS = 2.0


@dataclass(frozen=True)
class Demo:
    farm: Farm
    surveys: dict[str, FieldSurvey]
    whole: Heights

    def heights(self, x: Floats, y: Floats) -> Floats:
        g = self.whole.grid
        at = [(g.north - y) / g.cell_y - 0.5, (x - g.west) / g.cell_x - 0.5]
        return np.asarray(map_coordinates(self.whole.z, at, order=1, mode="constant", cval=np.nan))


@pytest.fixture(scope="module")
def demo() -> Demo:
    settings = settings_for(DEMO, None)
    farm = open_farm(DEMO, settings, datetime(2026, 6, 13, 8, tzinfo=UTC))
    machines = rig(settings)
    surveys = {p.slug: survey_field(farm, p, settings, machines) for p in farm.parcels if p.slug in FIELDS}
    return Demo(farm, surveys, farm.terrain.read(farm.terrain.grid.bounds))


def views(demo: Demo) -> list[tuple[FieldSurvey, WayView]]:
    found = [(s, v) for s in demo.surveys.values() for v in s.views.seen]
    assert len(found) >= 4
    return found


def rises(demo: Demo, seen_: WayView, azimuth_deg: float, upto_m: float) -> Floats:
    """Angles above the level along a direction, every quarter of a metre, degrees."""
    lens = seen_.view.lens
    d = np.arange(0.25, upto_m, 0.25)
    turn = math.radians(azimuth_deg)
    z = demo.heights(lens.x + d * math.sin(turn), lens.y + d * math.cos(turn))
    return np.degrees(np.arctan((z - lens.z) / d))


def pixel_of(demo: Demo, seen_: WayView, x: float, y: float) -> tuple[float, float, float, float]:
    """Column, row, azimuth and distance of a place on the ground, from first principles."""
    lens = seen_.view.lens
    dx, dy = x - lens.x, y - lens.y
    away, azimuth = math.hypot(dx, dy), math.degrees(math.atan2(dx, dy))
    up = math.degrees(math.atan2(float(demo.heights(np.array([x]), np.array([y]))[0]) - lens.z, away))
    pixel = lens.wide_deg / 720
    turn = (azimuth - lens.middle_deg + 540) % 360 - 180
    return 360 + turn / pixel, (lens.top_deg - up) / pixel, azimuth, away


def test_the_eye_is_two_and_a_half_metres_above_the_ground(demo: Demo) -> None:
    for _, v in views(demo):
        lens, gate = v.view.lens, v.way_in.shape
        assert (lens.x, lens.y) == (gate.x, gate.y)
        assert lens.z == pytest.approx(
            float(demo.heights(np.array([gate.x]), np.array([gate.y]))[0]) + 2.5, abs=1e-6
        )


def test_the_skyline_in_eight_directions(demo: Demo) -> None:
    for _, v in views(demo):
        lens = v.view.lens
        for k in range(8):
            col = round((k + 0.5) * 720 / 8)
            azimuth = lens.middle_deg + (col + 0.5 - 360) * lens.wide_deg / 720
            highest = np.nanmax(rises(demo, v, azimuth, min(float(v.view.known_m[col]), 1500)))
            row = (lens.top_deg - highest) / (lens.wide_deg / 720)
            assert abs(row - v.view.horizon_row[col]) <= PIXELS, (v.way_in.way_in_id, k)


def test_tags_are_where_they_are_and_only_those_in_sight_are_seen(demo: Demo) -> None:
    told = []
    for survey, v in views(demo):
        for tag, hazard in zip(v.tags, survey.driving.hazards, strict=True):
            assert tag.tag == hazard.tag
            col, row, azimuth, away = pixel_of(demo, v, hazard.at_x, hazard.at_y)
            assert math.hypot(tag.col - col, tag.row - row) <= PIXELS
            assert tag.away_m == pytest.approx(away, abs=0.01)
            pixel = v.view.lens.step_deg
            up = v.view.lens.top_deg - row * pixel
            before = rises(demo, v, azimuth, away - 1.0)
            over = float(np.nanmax(before, initial=-90)) - up
            if not 0 < over < pixel:  # by less than a pixel, ground is said to hide nothing
                assert tag.seen == (over <= 0), (v.way_in.way_in_id, tag)
                told.append(tag.seen)
    assert told.count(True) >= 5
    assert told.count(False) >= 1


def test_corners_of_the_field_lie_on_its_drawn_edge_where_they_are_in_sight(demo: Demo) -> None:
    told = 0
    for survey, v in views(demo):
        drawn = np.concatenate(v.edge)
        for x, y in shapely.get_coordinates(survey.parcel.shape):
            col, row, azimuth, away = pixel_of(demo, v, x, y)
            if not (2 < col < 718 and 2 < row < v.view.lens.rows - 2) or away < 3:
                continue
            pixel = v.view.lens.wide_deg / 720
            over = float(np.nanmax(rises(demo, v, azimuth, away - 1.0), initial=-90)) - (
                v.view.lens.top_deg - row * pixel
            )
            off = float(np.hypot(drawn[:, 0] - col, drawn[:, 1] - row).min())
            if over < -pixel:
                assert off <= PIXELS, (v.way_in.way_in_id, x, y)
                told += 1
    assert told >= 20


def test_ground_in_a_pixel_is_in_sight_and_lies_there(demo: Demo) -> None:
    """What a pixel is said to show projects back into it, and nothing before it stands higher."""
    draw = np.random.default_rng(5)
    for _, v in views(demo):
        view, lens = v.view, v.view.lens
        pixel = lens.wide_deg / 720
        rows, cols = np.nonzero(~np.isnan(view.depth_m) & (view.depth_m < 90))  # within the model's own cells
        for i in draw.integers(0, rows.size, 60):
            away = float(view.depth_m[rows[i], cols[i]])
            azimuth = lens.middle_deg + (cols[i] + 0.5 - 360) * pixel
            up = lens.top_deg - (rows[i] + 0.5) * pixel
            before, there = rises(demo, v, azimuth, away - 1.0), rises(demo, v, azimuth, away + 0.3)
            assert np.nanmax(before, initial=-90) <= up + pixel
            assert there[-4:].max() >= up - pixel
