"""The one function that moves shapes from CRS to CRS, against worked examples as they were printed."""

from __future__ import annotations

import pytest
from pyproj import CRS
from shapely.geometry import LineString, Point, Polygon

from atlas.farm.reprojecting import bring

# EPSG Guidance Note 7-2, Transverse Mercator (method 9807), the worked example on the Airy ellipsoid: the rounded
# parameters as printed there (the register's longer ones give a place 5 mm off).
AIRY = "+a=6377563.396 +rf=299.32496 +no_defs"
DEGREES = CRS.from_proj4(f"+proj=longlat {AIRY}")
GRID = CRS.from_proj4(f"+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996013 +x_0=400000 +y_0=-100000 {AIRY}")


def test_transverse_mercator_as_printed_in_epsg_guidance_note_7_2() -> None:
    """50°30′00″ N, 0°30′00″ E is E 577274.99, N 69740.50, to the printed centimetre."""
    place = bring(Point(0.5, 50.5), DEGREES, GRID)
    assert place.coords[0] == pytest.approx((577274.99, 69740.50), abs=0.005)


def test_and_back_as_printed_there() -> None:
    place = bring(Point(577274.99, 69740.50), GRID, DEGREES)
    assert place.coords[0] == pytest.approx((0.5, 50.5), abs=0.0005 / 3600 * 2)  # a thousandth of a second


def test_swiss_grid_within_a_metre_of_the_printed_example() -> None:
    """46°02′38.87″ N, 8°43′49.79″ E is E 2 699 999.76, N 1 099 999.97 by swisstopo's approximate formulas.

    From memory; the formulas are good to a metre, PROJ's three-parameter shift lies 0.3 m from them.
    """
    lat, lon = 46 + 2 / 60 + 38.87 / 3600, 8 + 43 / 60 + 49.79 / 3600
    place = bring(Point(lon, lat), CRS.from_epsg(4326), CRS.from_epsg(2056))
    assert place.coords[0] == pytest.approx((2_699_999.76, 1_099_999.97), abs=1.0)


@pytest.mark.parametrize(("zone", "middle"), [(31, 3.0), (32, 9.0), (60, 177.0)])
def test_utm_is_half_a_million_on_its_central_meridian(zone: int, middle: float) -> None:
    """By the definition of UTM; the equator is its zero (common knowledge)."""
    place = bring(Point(middle, 0.0), CRS.from_epsg(4326), CRS.from_epsg(32600 + zone))
    assert place.coords[0] == pytest.approx((500_000.0, 0.0), abs=1e-6)


@pytest.mark.parametrize("epsg", [3044, 2193, 31256])
def test_x_stays_east_where_the_authority_puts_north_first(epsg: int) -> None:
    """In these CRSs the register names north first; a point moved north must move in y alone, nearly."""
    lon, lat = {3044: (9.0, 47.0), 2193: (173.0, -41.0), 31256: (16.3, 48.0)}[epsg]
    line = bring(LineString([(lon, lat), (lon, lat + 0.01)]), CRS.from_epsg(4326), CRS.from_epsg(epsg))
    (x0, y0), (x1, y1) = line.coords
    assert y1 - y0 == pytest.approx(1111, abs=5)
    assert abs(x1 - x0) < 5


def test_every_corner_moves_and_heights_are_dropped() -> None:
    shell = [(0.5, 50.5, 7.0), (0.6, 50.5, 7.0), (0.6, 50.6, 7.0)]
    moved = bring(Polygon(shell, [[(0.55, 50.51), (0.57, 50.51), (0.57, 50.53)]]), DEGREES, GRID)
    assert isinstance(moved, Polygon)
    assert not moved.has_z
    assert moved.exterior.coords[0] == pytest.approx((577274.99, 69740.50), abs=0.005)
    assert len(moved.interiors) == 1
    assert moved.interiors[0].coords[0] == pytest.approx(
        bring(Point(0.55, 50.51), DEGREES, GRID).coords[0], abs=1e-6
    )
