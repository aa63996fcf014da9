"""Outline, pictures and ground lie where they should, measured on the pixels of the browser's map."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browsing import visiting
from made import make_grid, middle_xy
from made_sheet import made_context, made_survey
from PIL import Image
from playwright.sync_api import Browser, Page
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry
from sheets import open_sheet, write_sheet

from atlas.grid import Heights, Mask
from atlas.settings import Settings
from atlas.survey import FieldSurvey
from atlas.terrain.surveying import survey_terrain

CELL_M = 1.0
WALL_NORTH_M, WALL_HIGH_M = 21.0, 4.0  # a wall across the field, so far north of the grid's middle


@pytest.fixture(scope="module")
def walled() -> FieldSurvey:
    """A nearly level field with a wall across it: one known feature of its heights."""
    ctx = made_context()
    survey = made_survey(ctx, east_m=110, north_m=90)
    grid = make_grid(*survey.terrain.grid.shape)
    x, y = middle_xy(grid)
    z = 500.0 + 0.03 * y + np.where(y > WALL_NORTH_M, WALL_HIGH_M, 0.0) + 0.0 * x
    terrain = survey_terrain(survey.parcel.shape, Heights(grid, z), Settings())
    return replace(survey, terrain=terrain, ways_in=(), neighbours=())


@pytest.fixture(scope="module")
def wall_north(walled: FieldSurvey) -> float:
    """The wall's northing in the terrain's CRS."""
    grid = walled.terrain.grid
    return grid.north - grid.rows * grid.cell_y / 2 + WALL_NORTH_M


@pytest.fixture(scope="module")
def page(walled: FieldSurvey, browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    file = write_sheet(tmp_path_factory.mktemp("walled"), walled, made_context())
    with visiting(browser, 1600, 1400) as visit:
        yield open_sheet(visit, file)
        visit.check_quiet()


def ink_alone(page: Page, picture: str, layer: str) -> tuple[Mask, dict[str, float]]:
    """Inked pixels of one layer of a picture with everything else hidden, and where the picture's map lies:
    terrain metres of its upper left pixel and metres per pixel, as the page itself says."""
    place = page.evaluate(
        """([picture, layer]) => {
          const svg = picture === "live" ? fieldAtlas.picture : document.getElementById(picture);
          const wrap = svg.closest(".map-frame") || svg;
          wrap.scrollIntoView({ block: "start" });
          svg.querySelectorAll("path, image, text, rect, circle, use").forEach(
            e => { e.style.visibility = "hidden"; });
          svg.querySelectorAll(layer).forEach(e => { e.style.visibility = "visible"; });
          document.querySelectorAll(".leaflet-control, .map-buttons, .north-corner, .first-ring").forEach(
            e => { e.style.visibility = "hidden"; });
          const box = svg.getBoundingClientRect(), all = document.getElementById("zone-map").dataset;
          const tall = svg.viewBox.baseVal.height;
          return { x: box.x, y: box.y, width: box.width, height: box.height * all.height / tall,
            west: Number(all.west), north: Number(all.north), metres: all.width / box.width };
        }""",
        [picture, layer],
    )
    page.wait_for_timeout(50)
    x, y, width, height = (float(place[k]) for k in ("x", "y", "width", "height"))
    taken = page.screenshot(clip={"x": x, "y": y, "width": width, "height": height})
    shot = Image.open(io.BytesIO(taken)).convert("L")
    page.evaluate("document.querySelectorAll('[style*=visibility]').forEach(e => { e.style.visibility = ''; })")
    west = place["west"] + (np.floor(x) - x) * place["metres"]
    north = place["north"] - (np.floor(y) - y) * place["metres"]
    return np.asarray(shot) < 170, {"west": west, "north": north, "metres": place["metres"]}


def extent(ink: Mask, at: dict[str, float]) -> dict[str, float]:
    """West, east, south and north end of what is inked, terrain CRS."""
    rows, cols = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    return {
        "west": at["west"] + cols[0] * at["metres"],
        "east": at["west"] + (cols[-1] + 1) * at["metres"],
        "north": at["north"] - rows[0] * at["metres"],
        "south": at["north"] - (rows[-1] + 1) * at["metres"],
    }


def ends(shape: BaseGeometry) -> dict[str, float]:
    west, south, east, north = shape.bounds
    return {"west": west, "east": east, "south": south, "north": north}


def test_the_outline_lies_where_the_parcel_does(page: Page, walled: FieldSurvey) -> None:
    found = extent(*ink_alone(page, "live", ".outline"))
    for side, value in ends(walled.parcel.shape).items():
        assert found[side] == pytest.approx(value, abs=CELL_M / 2), side


def test_the_wall_lies_where_its_heights_do(page: Page, walled: FieldSurvey, wall_north: float) -> None:
    """Horn spreads a step over the two rows of cells that touch it: a band two cells high about the wall."""
    ink, at = ink_alone(page, "class-map", '.slope-class[data-class="class-3"]')
    found = extent(ink, at)
    assert found["north"] == pytest.approx(wall_north + CELL_M, abs=CELL_M / 2)
    assert found["south"] == pytest.approx(wall_north - CELL_M, abs=CELL_M / 2)
    field = walled.parcel.shape
    west, _, east, _ = field.bounds
    band = ends(field.intersection(box(west, wall_north - CELL_M, east, wall_north + CELL_M)))
    assert found["west"] == pytest.approx(band["west"], abs=CELL_M / 2)
    assert found["east"] == pytest.approx(band["east"], abs=CELL_M / 2)


def test_contour_lines_crowd_at_the_wall(page: Page, wall_north: float) -> None:
    """The metre with the most ink is the wall's: its four metres of height are crossed by every line between."""
    ink, at = ink_alone(page, "live", ".contour")
    metre = round(CELL_M / at["metres"])
    crowd = np.convolve(ink.mean(axis=1), np.ones(metre), mode="valid")
    assert crowd.max() > 2 * np.percentile(crowd, 90)
    middle = at["north"] - (float(np.mean(np.flatnonzero(crowd == crowd.max()))) + metre / 2) * at["metres"]
    assert middle == pytest.approx(wall_north, abs=CELL_M / 2)


def test_the_maps_own_coordinates_agree_with_the_picture(page: Page, walled: FieldSurvey) -> None:
    """What a tap reads and what is drawn: a corner of the parcel, put on the screen by Leaflet and by the SVG."""
    assert isinstance(walled.parcel.shape, Polygon)
    x, y = walled.parcel.shape.exterior.coords[2]
    off = page.evaluate(
        """([x, y]) => {
          const map = fieldAtlas.map, p = map.latLngToContainerPoint([y, x]);
          const box = map.getContainer().getBoundingClientRect(), svg = fieldAtlas.picture;
          const all = document.getElementById("zone-map").dataset;
          const corner = new DOMPoint(x - all.west, all.north - y).matrixTransform(svg.getScreenCTM());
          const metre = Math.pow(2, map.getZoom());
          return [(box.x + map.getContainer().clientLeft + p.x - corner.x) / metre,
                  (box.y + map.getContainer().clientTop + p.y - corner.y) / metre];
        }""",
        [x, y],
    )
    assert max(abs(v) for v in off) <= CELL_M / 2


def test_it_still_agrees_after_zooming(page: Page, walled: FieldSurvey) -> None:
    page.evaluate("fieldAtlas.map.setZoom(fieldAtlas.map.getZoom() + 0.7, { animate: false })")
    try:
        test_the_maps_own_coordinates_agree_with_the_picture(page, walled)
    finally:
        page.evaluate("fieldAtlas.fit()")


def test_paths_are_written_beside_each_other(tmp_path: Path) -> None:
    """The page and its script have the same name: that is how they find each other."""
    ctx = made_context()
    file = write_sheet(tmp_path, made_survey(ctx, east_m=60, north_m=50), ctx)
    assert file.with_suffix(".js").is_file()
