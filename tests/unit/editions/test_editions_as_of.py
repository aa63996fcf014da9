"""A month of random changes: the atlas as of a day, built from the file as it is now, is that day's atlas."""

from __future__ import annotations

import json
import random
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import quick_farm
import small_farm
from made import METRIC
from pyproj import Transformer
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from atlas import engine
from atlas.farm import change
from atlas.farm.opening import open_farm
from atlas.farm.takein import take_in

FIRST = datetime(2026, 6, 1, 4, 0, tzinfo=UTC)
DAYS = 30
SETTINGS = quick_farm.settings()
TO_DEGREES = Transformer.from_crs(METRIC.to_wkt(), 4326, always_xy=True)


def evening(day: int) -> datetime:
    return FIRST + timedelta(days=day, hours=14)


def files(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


def spot(chance: random.Random, bounds: tuple[float, float, float, float]) -> BaseGeometry:
    """A point, a line or an area somewhere in a field."""
    west, south, east, north = bounds
    x, y = chance.uniform(west + 6, east - 6), chance.uniform(south + 6, north - 6)
    size = chance.uniform(2, 6)
    return chance.choice(
        [
            Point(x, y),
            LineString([(x - size, y), (x, y + 1), (x + size, y)]),
            Polygon([(x - size, y - size), (x + size, y - size), (x, y + size)]),
        ]
    )


def some_changes(farm: Path, chance: random.Random, day: int) -> None:
    """What a day brings, each change with its own time between morning and evening."""
    morning = FIRST + timedelta(days=day)
    opened = open_farm(farm, SETTINGS, morning)
    live, parcel = opened.hazards, chance.choice(opened.parcels)
    for hour in range(chance.choice([0, 1, 2])):
        kind = chance.choice(["wet_spot", "slip", "unstable_bank", "obstacle", "no_go"])
        change.mark(
            farm, kind, spot(chance, parcel.shape.bounds), severity=chance.choice([1, 2, 3]), reach_m=2.0,
            depth_m=1.0 if kind == "unstable_bank" else None, by="Runa", seen_at=morning + timedelta(hours=hour),
            settings=SETTINGS,
        )  # fmt: skip
    if live and chance.random() < 0.4:
        change.retire(farm, chance.choice(live).hazard_id, "Runa", morning + timedelta(hours=3), settings=SETTINGS)
    if chance.random() < 0.12:
        change.storm(farm, morning + timedelta(hours=4), "hail", settings=SETTINGS)
    if chance.random() < 0.5:
        until = morning + timedelta(days=chance.choice([1, 2, 5]), hours=chance.choice([0, 9, 16]))
        ground = chance.choice(["firm", "damp"])
        change.release(
            farm, [parcel.field_id], ground, until, "Runa", morning + timedelta(hours=5), settings=SETTINGS
        )
    wet = [h.hazard_id for h in live if h.kind == "wet_spot"]
    if wet and chance.random() < 0.5:
        bring_marks(farm, chance, wet, morning + timedelta(hours=6))


def bring_marks(farm: Path, chance: random.Random, wet: list[str], now: datetime) -> None:
    """A tablet's marks are taken in: one spot is still there and worse or milder, another may be gone."""
    seen = (now - timedelta(hours=2)).isoformat()
    told: list[dict[str, Any]] = [{"seen_again": chance.choice(wet), "severity": chance.choice([1, 2, 3])}]
    told += [{"gone": chance.choice(wet)}] if chance.random() < 0.3 else []
    rows = [{"type": "Feature", "geometry": None, "properties": {**t, "seen_at": seen}} for t in told]
    content = {
        "type": "FeatureCollection",
        "format": "field-atlas-marks/1",
        "edition": 1,
        "farm": "",
        "features": rows,
    }
    marks = farm.with_suffix(".geojson")
    marks.write_text(json.dumps(content))
    take_in(farm, [marks], skip_refused=True, now=now, settings=SETTINGS)


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[dict[str, bytes]]]:
    """The farm file after the month, and the files of each evening's atlas, built that evening."""
    folder = tmp_path_factory.mktemp("month")
    farm = small_farm.write(folder / "farm.gpkg", fields=2)
    chance = random.Random(26)
    built = []
    for day in range(DAYS):
        some_changes(farm, chance, day)
        out = folder / "that_day"
        engine.build(farm, out, settings=SETTINGS, now=evening(day), jobs=1)
        built.append(files(out))
        shutil.rmtree(out)
    return farm, built


def test_the_month_is_no_quiet_one(month: tuple[Path, list[dict[str, bytes]]]) -> None:
    """Or the comparison below would show little."""
    told = [json.loads(atlas["data/atlas.json"])["fields"] for atlas in month[1]]
    assert len({json.dumps(fields) for fields in told}) > 20
    assert {bool(f["released"]) for fields in told for f in fields} == {True, False}
    assert {h["unconfirmed"] for fields in told for f in fields for h in f["hazards"]} == {True, False}
    kinds = {h["kind"] for fields in told for f in fields for h in f["hazards"]}
    assert kinds >= {"wet_spot", "slip", "unstable_bank", "obstacle"}


def test_the_atlas_as_of_each_day_is_the_atlas_built_that_day(
    month: tuple[Path, list[dict[str, bytes]]], tmp_path: Path
) -> None:
    """With the same moment of issue, byte for byte in every file."""
    farm, built = month
    for day, that_day in enumerate(built):
        out = tmp_path / f"day{day}"
        engine.build(farm, out, settings=SETTINGS, as_of=evening(day), now=evening(day), jobs=1)
        now = files(out)
        different = [name for name in sorted({*now, *that_day}) if now.get(name) != that_day.get(name)]
        assert different == [], f"day {day}"
        shutil.rmtree(out)


def test_issued_later_only_the_stamps_differ(month: tuple[Path, list[dict[str, bytes]]], tmp_path: Path) -> None:
    farm, built = month
    later = evening(DAYS) + timedelta(days=300)
    engine.build(farm, tmp_path / "late", settings=SETTINGS, as_of=evening(11), now=later, jobs=1)
    late = files(tmp_path / "late")
    assert late["data/hazards.geojson"] == built[11]["data/hazards.geojson"]
    told, then = (json.loads(atlas["data/atlas.json"]) for atlas in (late, built[11]))
    assert told.pop("edition") == {**then["edition"], "issued_at": "2027-04-27T18:00:00Z"}
    then.pop("edition")
    assert told == then
