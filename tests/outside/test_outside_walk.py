"""Walks against the world: the GPX schema and GDAL's reader, and the published walking rule."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import pytest
from made_walk import at, field, gate, likely, marked
from test_outside_exchange import validate

from atlas.driving.walk import minutes_between, plan
from atlas.driving.walk_records import FieldStops, WalkPlace
from atlas.editions.exchange import GPX, walks_gpx

HOSTILE = "</name><rte>&\x00\x0b]]>"


def fields(name: str = "Lower meadow", farm: str = "") -> list[FieldStops]:
    one = field(
        "A", [marked("h", 40, 60, note=name), likely("A 1", 80, 20)], [gate(0, 0, name)], name=name, farm=farm
    )
    return [one, field("B", [likely("B 1", 160, 50)], [gate(200, 0)], farm=farm)]


def write(folder: Path, of: list[FieldStops]) -> Path:
    path = folder / "walk.gpx"
    path.write_bytes(walks_gpx(plan(of)))
    return path


def test_walks_are_valid_against_the_gpx_schema(tmp_path: Path, small_atlas: Path) -> None:
    for path in (write(tmp_path, fields()), small_atlas / "data" / "walk.gpx"):
        checked = validate(path)
        assert checked.returncode == 0, checked.stderr


def test_no_walk_at_all_is_valid_too(tmp_path: Path) -> None:
    assert validate(write(tmp_path, [field("A", [])])).returncode == 0


def test_gdal_reads_the_route_in_walking_order(tmp_path: Path) -> None:
    """GDAL's GPX driver: layers waypoints, routes and route_points."""
    made = fields()
    (farm,) = plan(made)
    (walk,) = farm.walks
    path = write(tmp_path, made)
    points = gpd.read_file(path, layer="route_points").sort_values("route_point_id")
    assert len(points) == len(walk.places)
    for read, place in zip(points.itertuples(), walk.places, strict=True):
        assert (read.geometry.x, read.geometry.y) == pytest.approx((place.at.lon, place.at.lat), abs=1e-7)
    said = [_name(p) for p in walk.places]
    assert points["name"].tolist() == said
    assert gpd.read_file(path, layer="routes")["name"].tolist() == ["Walk 1"]
    assert len(gpd.read_file(path, layer="waypoints")) == len(walk.places)


def _name(place: WalkPlace) -> str:
    if place.stop is None:
        return place.gate
    return f"{place.number} {'wet spot' if place.stop.unconfirmed else 'likely wet'}"


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    path = write(tmp_path, fields(HOSTILE, farm=HOSTILE))
    assert validate(path).returncode == 0
    root = ET.parse(path).getroot()
    names = [e.text for e in root.iter(f"{{{GPX}}}name")]
    assert "</name><rte>&]]>" in names
    assert "</name><rte>&]]>: Walk 1" in names
    assert len(root.findall(f"{{{GPX}}}rte")) == 1


@pytest.mark.parametrize(
    ("metres", "published"), [(1000, 15), (800, 12), (600, 9), (400, 6), (200, 3), (100, 1.5)]
)
def test_time_on_the_level(metres: float, published: float) -> None:
    """A walkers' card, column of 4 km an hour (docsbay.net/naismiths-rule, figure 1; Aitken's pace off paths)."""
    assert minutes_between(at(0, 0), at(metres, 0)) == pytest.approx(published)


@pytest.mark.parametrize(("climbed", "published"), [(600, 60), (300, 30), (100, 10), (-300, 0)])
def test_time_for_climbing(climbed: float, published: float) -> None:
    """Naismith 1892: an hour for every 2,000 feet; in metres 60 min for 600, 30 for 300, 10 for 100
    (geographyfieldwork.com/Naismith.htm); going down he adds nothing."""
    on_the_level = minutes_between(at(0, 0), at(1000, 0))
    assert minutes_between(at(0, 0, 500), at(1000, 0, 500 + climbed)) - on_the_level == pytest.approx(published)
