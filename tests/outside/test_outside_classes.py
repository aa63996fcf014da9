"""Class areas of irregular parcels on real terrain against independent tools, and the published class rules."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import exactextract
import geopandas as gpd
import numpy as np
import open_terrain
import pytest
import rasterio
import shapely
import xarray as xr
from made import irregular, make_grid, middle_xy, plane, rectangle
from shapely.geometry import MultiPolygon, Polygon
from xrspatial import slope as xrspatial_slope

from atlas.grid import Bytes, Floats, Heights
from atlas.settings import Settings
from atlas.terrain.classes import UNKNOWN, ClassTable
from atlas.terrain.figures import SlopeFigures
from atlas.terrain.surveying import terrain_figures

PARCELS = 36
BREAKS = [18.0, 35.0, 50.0]


@dataclass(frozen=True)
class RealGround:
    """A real terrain model on a metric grid, parcels upon it, and our figures of each."""

    dem: Path
    heights: Heights
    parcels: list[Polygon | MultiPolygon]
    figures: list[SlopeFigures]

    def areas(self, parcel: int) -> Floats:
        """Square metres per class, unsurveyed last."""
        figures = self.figures[parcel]
        return np.array([*(c.area_m2 for c in figures.classes), figures.unsurveyed_m2])


@pytest.fixture(scope="module", params=[(30.0, 30.0), (60.0, 90.0)], ids=["30 m", "60 by 90 m"])
def ground(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> RealGround:
    """36 parcels of 20 to 120 ha (the model's cells are coarse), some in several parts, some with holes, three of
    them reaching over the edge of the measured ground."""
    cell_x, cell_y = request.param
    dem = open_terrain.write_metric(tmp_path_factory.mktemp("real") / "utm.tif", cell_x, cell_y)
    heights = open_terrain.read_heights(dem)
    draw = np.random.default_rng(1981)
    parcels = []
    for k in range(PARCELS):
        at = (draw.uniform(0.1, 0.85), draw.uniform(0.1, 0.9)) if k >= 3 else (0.02 * k, 0.4)
        size = draw.uniform(20, 120)
        parcels.append(irregular(k, heights.grid, size, holes=k % 4, parts=1 + k % 3, at=at))
    assert sum(isinstance(p, MultiPolygon) for p in parcels) >= 20
    assert sum(any(part.interiors for part in shapely.get_parts(p)) for p in parcels) >= 20
    return RealGround(dem, heights, parcels, [terrain_figures(p, heights, Settings()) for p in parcels])


def test_parcels_hold_every_class_and_some_unmeasured_ground(ground: RealGround) -> None:
    """Otherwise the comparisons below would show little."""
    total = np.sum([ground.areas(k) for k in range(PARCELS)], axis=0)
    assert total.min() > 0.005 * sum(p.area for p in ground.parcels)


def test_classes_and_unsurveyed_add_up_to_the_parcel(ground: RealGround) -> None:
    for k, parcel in enumerate(ground.parcels):
        figures = ground.figures[k]
        assert ground.areas(k).sum() == pytest.approx(parcel.area, rel=1e-6)
        assert sum(c.merged_m2 for c in figures.classes) + figures.unsurveyed_m2 == pytest.approx(
            parcel.area, rel=1e-6
        )


def test_areas_agree_with_gdaldem_and_exactextract(ground: RealGround, tmp_path: Path) -> None:
    """`gdaldem slope -p -alg Horn` on the same file, classed, then summed per parcel by exactextract: within 0.1 %
    of the parcel's area. exactextract gives what lies off the raster to no class; it is the rest."""
    slope = tmp_path / "slope.tif"
    open_terrain.gdal("gdaldem", "slope", "-q", "-p", "-alg", "Horn", ground.dem, slope)
    classes = tmp_path / "classes.tif"
    with rasterio.open(slope) as source:
        pct = source.read(1, masked=True)
        found = np.where(np.ma.getmaskarray(pct), UNKNOWN, np.digitize(pct.filled(0), BREAKS, right=True))
        with rasterio.open(classes, "w", **{**source.profile, "dtype": "uint8", "nodata": None}) as sink:
            sink.write(found.astype(np.uint8), 1)
    frame = gpd.GeoDataFrame({"k": range(PARCELS)}, geometry=ground.parcels, crs=ground.heights.grid.crs)
    table = exactextract.exact_extract(str(classes), frame, ["unique", "frac", "count"], output="pandas")
    for k, parcel in enumerate(ground.parcels):
        area = dict(zip(table["unique"][k], table["frac"][k] * table["count"][k], strict=True))
        theirs = np.array([area.get(c, 0.0) for c in (0, 1, 2, 3)]) * ground.heights.grid.cell_area
        theirs = np.append(theirs, parcel.area - theirs.sum())
        np.testing.assert_allclose(
            ground.areas(k), theirs, rtol=0, atol=0.001 * parcel.area, err_msg=f"parcel {k}"
        )


def test_areas_agree_with_a_second_library_and_cut_squares(ground: RealGround) -> None:
    """xarray-spatial's slope, and coverage by cutting each cell's square with shapely: within 0.1 %."""
    classes = _classes_by_xrspatial(ground.heights)
    for k, parcel in enumerate(ground.parcels):
        theirs = _areas_by_cutting(classes, ground.heights, parcel)
        np.testing.assert_allclose(
            ground.areas(k), theirs, rtol=0, atol=0.001 * parcel.area, err_msg=f"parcel {k}"
        )


def _classes_by_xrspatial(heights: Heights) -> Bytes:
    grid = heights.grid
    array = xr.DataArray(heights.z, dims=["y", "x"], coords={"y": grid.ys, "x": grid.xs})
    array.attrs["res"] = (grid.cell_x, grid.cell_y)
    pct = 100 * np.tan(np.radians(xrspatial_slope(array).values.astype(np.float64)))
    known = np.isfinite(pct) & np.isfinite(heights.z)
    return np.where(known, np.digitize(np.nan_to_num(pct), BREAKS, right=True), UNKNOWN).astype(np.uint8)


def _areas_by_cutting(classes: Bytes, heights: Heights, parcel: Polygon | MultiPolygon) -> Floats:
    grid = heights.grid
    west, south, east, north = parcel.bounds
    col0, col1 = (np.clip(int((x - grid.west) // grid.cell_x), 0, grid.cols - 1) for x in (west, east))
    row0, row1 = (np.clip(int((grid.north - y) // grid.cell_y), 0, grid.rows - 1) for y in (north, south))
    cc, rr = np.meshgrid(np.arange(col0, col1 + 1), np.arange(row0, row1 + 1))
    x, y = grid.west + cc * grid.cell_x, grid.north - rr * grid.cell_y
    cut = shapely.area(shapely.intersection(shapely.box(x, y - grid.cell_y, x + grid.cell_x, y), parcel))
    per_class = np.bincount(classes[rr, cc].ravel(), cut.ravel(), minlength=256)[:4]
    return np.append(per_class, parcel.area - per_class.sum())


# Swiss hillside classes: 18 to 35 %, more than 35 to 50 %, more than 50 %. Source: Direktzahlungsverordnung,
# SR 910.13, Art. 43 para 1 (state of 5 July 2021). 18.0 % itself counts as hillside there; the upper edges belong
# to the lower class.
HILLSIDE = [(17.99, 0), (18.0, 1), (35.0, 1), (35.01, 2), (50.0, 2), (50.01, 3)]


@pytest.mark.parametrize(("pct", "expected"), HILLSIDE)
def test_a_table_can_hold_the_hillside_classes_to_the_letter(pct: float, expected: int) -> None:
    table = ClassTable((18.0, 35.0, 50.0), edge=("upper", "lower", "lower"))
    assert table.sort(np.array([pct / 100]))[0] == expected


@pytest.mark.parametrize(("pct", "expected"), [(18.0, 0) if pct == 18.0 else (pct, k) for pct, k in HILLSIDE])
def test_a_field_gives_every_edge_to_the_lower_class(pct: float, expected: int) -> None:
    """Our one rule for all breaks, settable ones too; it differs from the text only at exactly 18 %."""
    heights = plane(pct / 100, 200.0)
    figures = terrain_figures(rectangle(heights.grid, 20, 20, 80, 60), heights, Settings())
    assert [round(c.area_m2) for c in figures.classes] == [2400 if k == expected else 0 for k in range(4)]


# Iowa soil judging: A 0–2, B 2–5, C 5–9, D 9–14, E over 14 %; a value on an edge goes to the steeper class.
# Source: Iowa State University, Soil Judging in Iowa, chapter "Slope" (2023).
@pytest.mark.parametrize(
    ("pct", "letter"), [(1.9, "A"), (2.0, "B"), (5.0, "C"), (9.0, "D"), (14.0, "E"), (13.9, "D")]
)
def test_a_published_table_with_the_opposite_edge_rule(pct: float, letter: str) -> None:
    table = ClassTable((2.0, 5.0, 9.0, 14.0), edge="upper")
    assert "ABCDE"[table.sort(np.array([pct / 100]))[0]] == letter


@pytest.mark.parametrize(("deep_m", "kept_m2"), [(9.9, 0), (10.0, 100)])
def test_patches_count_from_one_are_on(deep_m: float, kept_m2: int) -> None:
    """Areas count where they are contiguous for at least one are (100 m²). Source: the same, Art. 43 para 2.

    Ground of 36 % lies above ground of 34 %; a tongue of the field 10 m wide reaches into it.
    """
    grid = make_grid(80, 100)
    _, y = middle_xy(grid)
    heights = Heights(grid, 500 + np.where(y > 0, 0.36, 0.34) * y)
    field = rectangle(grid, 20, 20, 80, 40).union(rectangle(grid, 20, 40, 30, 40 + deep_m))
    assert isinstance(field, Polygon)
    figures = terrain_figures(field, heights, Settings())
    assert [c.area_m2 for c in figures.classes] == pytest.approx([0, 1200, 10 * deep_m, 0])
    assert [c.merged_m2 for c in figures.classes] == pytest.approx([0, 1200 + 10 * deep_m - kept_m2, kept_m2, 0])
