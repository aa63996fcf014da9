"""The demo farm as a file: same bytes, the promised variety, every kind of marking, words that fit the land."""

from __future__ import annotations

import datetime
import re
import sqlite3
from contextlib import closing
from importlib.metadata import version
from itertools import combinations
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from rasterio.features import geometry_mask
from scipy import ndimage
from shapely import force_2d
from shapely.geometry import MultiPolygon

from atlas.errors import OutputError
from atlas.farm.demo import demo_springs, make_demo
from atlas.farm.records import GROUNDS, HAZARD_KINDS
from atlas.settings import load

COMMITTED = Path(__file__).parents[3] / "demo_gpkg"
MADE_WITH = {"rasterio": "1.4.4", "fiona": "1.10.1", "numpy": "2.4.6", "pillow": "13.0.0"}
STORM = datetime.datetime(2026, 6, 10, 21, 30, tzinfo=datetime.UTC)


class Made:
    """The demo read back with general readers, slope by central differences."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.parcels = gpd.read_file(path, layer="parcels").set_index("field_id")
        self.hazards = gpd.read_file(path, layer="hazards")
        self.ways_in = gpd.read_file(path, layer="ways_in")
        with rasterio.open(f"GPKG:{path}:dem") as dem:
            self.z: Any = dem.read(1, masked=True).astype(np.float64).filled(np.nan)
            self.transform = dem.transform
            self.crs = dem.crs
            self.cell = dem.res[0]
        self.gy, self.gx = np.gradient(self.z, self.cell)
        self.gy = -self.gy  # rows run south
        self.slope = np.hypot(self.gx, self.gy)

    def inside(self, shape: Any) -> Any:
        return geometry_mask([shape], self.z.shape, self.transform, invert=True)

    def rows(self, table: str) -> list[dict[str, Any]]:
        with closing(sqlite3.connect(self.path)) as db:
            db.row_factory = sqlite3.Row
            return [dict(r) for r in db.execute(f"SELECT * FROM {table}")]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    path = tmp_path_factory.mktemp("demo") / "farm.gpkg"
    make_demo(path)
    return Made(path)


def test_same_seed_same_bytes_another_seed_another_land(made: Made, tmp_path: Path) -> None:
    make_demo(tmp_path / "again.gpkg")
    make_demo(tmp_path / "other.gpkg", seed=2)
    assert (tmp_path / "again.gpkg").read_bytes() == made.path.read_bytes()
    other = Made(tmp_path / "other.gpkg")
    assert np.abs(other.z - made.z).max() > 5.0
    assert not other.parcels.geometry.iloc[0].equals(made.parcels.geometry.iloc[0])


def test_committed_farm_is_what_the_command_makes_now(made: Made) -> None:
    """To the byte where the libraries that write the file are the same; else every height and every row."""
    committed = COMMITTED / "farm.gpkg"
    assert committed.stat().st_size < 8_000_000
    if all(version(name) == number for name, number in MADE_WITH.items()):
        assert committed.read_bytes() == made.path.read_bytes()
    old = Made(committed)
    assert np.array_equal(old.z, made.z)
    for table in ("parcels", "hazards", "ways_in", "storms", "releases"):
        assert old.rows(table) == made.rows(table)


def test_settings_beside_the_committed_farm_are_read() -> None:
    settings = load(COMMITTED / "atlas.toml")
    assert settings.farm.lead_name == "Ansa Vrelling"
    assert settings.farm.lead_phone.startswith("+00 ")  # no country has this code
    assert "made by field-atlas demo" in settings.terrain.source


def test_sixteen_fields_of_every_size_and_steepness(made: Made) -> None:
    areas = made.parcels.area / 10_000
    assert len(areas) == 16
    assert areas.min() >= 0.28
    assert areas.max() <= 4.0
    assert areas.min() < 0.5
    assert areas.max() > 3.0
    mean = {i: np.nanmean(made.slope[made.inside(s)]) for i, s in made.parcels.geometry.items()}
    steepest = {i: np.nanmean(made.slope[made.inside(s)] > 0.60) for i, s in made.parcels.geometry.items()}
    assert min(mean.values()) < 0.08
    assert sum(0.15 <= m < 0.35 for m in mean.values()) >= 4
    assert sum(0.35 <= m < 0.55 for m in mean.values()) >= 4
    assert sum(share > 0.05 for share in steepest.values()) >= 2
    assert set(made.parcels["use"]) == {"meadow", "pasture"}


def test_outlines_are_valid_apart_and_follow_the_land(made: Made) -> None:
    shapes = made.parcels.geometry
    assert shapes.is_valid.all()
    assert all(a.intersection(b).area < 1e-6 for a, b in combinations(shapes, 2))
    shared = [a.intersection(b).length for a, b in combinations(shapes, 2) if a.touches(b)]
    assert len(shared) >= 3
    assert min(shared) > 20.0
    for shape in shapes:
        largest = max(shape.geoms, key=lambda part: part.area) if isinstance(shape, MultiPolygon) else shape
        assert largest.area < 0.94 * largest.minimum_rotated_rectangle.area
        assert len(largest.exterior.coords) > 30


def test_a_hole_two_parts_and_an_end_without_heights(made: Made) -> None:
    parts = {i: list(getattr(s, "geoms", [s])) for i, s in made.parcels.geometry.items()}
    assert sum(len(p) == 2 for p in parts.values()) == 1
    assert sum(len(part.interiors) for p in parts.values() for part in p) == 1
    east = made.transform.c + made.cell * made.z.shape[1]
    beyond = [s.bounds[2] - east for s in made.parcels.geometry if s.bounds[2] > east]
    assert len(beyond) == 1
    assert 10 < beyond[0] < 60


def test_every_kind_geometry_and_severity(made: Made) -> None:
    h = made.hazards
    assert set(h.kind) == set(HAZARD_KINDS)
    assert set(h.severity) == {1, 2, 3}
    assert set(h.geom_type) == {"Point", "LineString", "Polygon"}
    assert h.geometry.is_valid.all()
    assert h.hazard_id.is_unique
    assert (h[h.kind == "wet_spot"].geom_type.nunique(), set(h[h.kind == "wet_spot"].severity)) == (2, {1, 2, 3})
    assert (h[h.kind == "unstable_bank"].depth_m > 0.5).all()
    assert h.retired_at.notna().sum() == 1
    assert h.seen_at.isna().sum() == 1
    live = h[h.retired_at.isna()]
    assert (live.seen_at < STORM).sum() >= 5
    assert (live.seen_at > STORM).sum() >= 4
    assert h.photo.notna().sum() == 2
    in_reach = [made.parcels.geometry.distance(g).min() for g in h.geometry]
    assert (np.array(in_reach) <= h.reach_m.fillna(5.0) + h.accuracy_m.fillna(2.0) + 1.5).all()


def test_forest_edges_run_on_a_fields_outline(made: Made) -> None:
    edges = made.hazards[made.hazards.kind == "forest_edge"].geometry
    assert len(edges) == 3
    for edge in edges:
        gap = min(max(s.boundary.distance(g) for g in _points(edge)) for s in made.parcels.geometry)
        assert gap < 0.02
        assert edge.length > 100


def _points(line: Any) -> list[Any]:
    return [line.interpolate(d) for d in np.linspace(0, line.length, 40)]


def test_pictures_can_be_opened(made: Made, tmp_path: Path) -> None:
    from PIL import Image

    for n, photo in enumerate(r["photo"] for r in made.rows("hazards") if r["photo"]):
        file = tmp_path / f"{n}.png"
        file.write_bytes(photo)
        with Image.open(file) as image:
            assert (image.format, image.size) == ("PNG", (160, 120))


def test_ways_in_stand_on_the_edge_on_ground_a_machine_can_stand_on(made: Made) -> None:
    fields = {w.split("-")[0] for w in made.ways_in.way_in_id}
    assert fields == set(made.parcels.index)
    assert made.ways_in.ambulance.sum() >= 1
    for row in made.ways_in.itertuples():
        shape = made.parcels.geometry[row.way_in_id.split("-")[0]]
        assert shape.boundary.distance(row.geometry) < 0.1
        assert np.nanmean(made.slope[made.inside(row.geometry.buffer(3.0))]) < 0.28, row.way_in_id
        assert 2.0 <= row.width_m <= 6.0
        assert 3.0 <= row.max_load_t <= 40.0


def test_releases_before_and_after_the_storm(made: Made) -> None:
    assert [r["passed_at"] for r in made.rows("storms")] == ["2026-06-10T21:30:00.000Z"]
    releases = made.rows("releases")
    assert {r["ground"] for r in releases} <= set(GROUNDS)
    assert len({r["ground"] for r in releases}) >= 3
    assert {r["field_id"] for r in releases} <= set(made.parcels.index)
    assert all(r["released_at"] < r["until"] < "2026-06-14" for r in releases)
    before = [r for r in releases if r["released_at"] < "2026-06-10T21:30"]
    assert 0 < len(before) < len(releases)
    assert any(r["until"] > "2026-06-10T21:30" for r in before)  # ended by the storm, not by the clock


def test_what_is_said_fits_the_land(made: Made) -> None:
    gates = made.ways_in.set_index("way_in_id").geometry
    for field_id, row in made.parcels.iterrows():
        said = f"{row['note']} {row['first_pass']}"
        assert len(row["note"]) > 30
        assert len(row["first_pass"]) > 120
        assert "{" not in said
        assert not re.search(r"\b(safe\w*|clear\w*|ok|okay)\b", said, re.IGNORECASE)
        named = re.findall(r"(?:at the (west|east) end|(in the middle)) of the (north|south) edge", said)
        ids = [i for i in gates.index if i.startswith(f"{field_id}-")]
        assert len(named) == len(ids)
        for (end, middle, edge), gate in zip(named, (gates[i] for i in sorted(ids)), strict=True):
            part = min(getattr(row.geometry, "geoms", [row.geometry]), key=gate.distance)
            assert (gate.y > part.centroid.y) == (edge == "north")
            if not middle:
                assert (gate.x > part.centroid.x) == (end == "east")
        fall = re.search(r"[Ff]alls to the (north|south)", said)
        if fall:
            northward = np.nanmean(made.gy[made.inside(row.geometry)])
            assert (northward < 0) == (fall[1] == "north")


def test_names_are_our_own_and_apart(made: Made) -> None:
    assert made.parcels.name.is_unique
    assert made.parcels.farm.isna().all()  # one farm needs no word for it


def test_a_wall_inside_a_field_and_a_fall_past_an_edge(made: Made) -> None:
    walls = made.parcels.geometry["F10"]
    rise = np.abs(made.z[2:, :] - made.z[:-2, :])[made.inside(walls)[1:-1, :]]
    assert 1.8 < np.quantile(rise, 0.995) < 3.5  # over 2 m, wall and slope together
    quarry = made.parcels.geometry["F16"]
    ring = quarry.buffer(20.0).difference(quarry)
    assert (made.slope[made.inside(ring)] > 1.5).sum() > 80
    near = ndimage.minimum_filter(made.z, size=17)
    assert (made.z - near)[made.inside(quarry)].max() > 7.0  # within 8 m


def test_a_bank_cuts_one_field_in_two(made: Made) -> None:
    ledge = made.inside(made.parcels.geometry["F08"])
    labels, _ = ndimage.label(ledge & (made.slope < 0.75))
    sizes = np.sort(np.bincount(labels.ravel())[1:])[::-1] / ledge.sum()
    assert sizes[1] > 0.3


def test_springs_are_unmarked(made: Made) -> None:
    springs = demo_springs()
    assert len(springs) >= 4
    points = gpd.points_from_xy([s.x for s in springs], [s.y for s in springs])
    for spring, point in zip(springs, points, strict=True):
        assert made.parcels.geometry[spring.field_id].contains(point)
        assert made.hazards.geometry.distance(point).min() >= 15.0


def test_refuses_what_makes_no_farm(tmp_path: Path) -> None:
    there = tmp_path / "there.gpkg"
    there.write_bytes(b"mine")
    with pytest.raises(OutputError, match="exists already"):
        make_demo(there)
    with pytest.raises(OutputError, match="at least 1 field"):
        make_demo(tmp_path / "none.gpkg", fields=0)
    with pytest.raises(OutputError, match="50 m"):
        make_demo(tmp_path / "fine.gpkg", cell_m=0.001)
    with pytest.raises(OutputError, match="cannot be written"):
        make_demo(tmp_path / "no" / "folder.gpkg")
    assert there.read_bytes() == b"mine"
    assert [p.name for p in tmp_path.iterdir()] == ["there.gpkg"]


def test_geometry_is_flat(made: Made) -> None:
    assert all(force_2d(g).equals_exact(g, 0) and not g.has_z for g in made.parcels.geometry)
