"""A month of changes: the farm as of any day is the farm as it was read on that day."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from made import METRIC
from pyproj import Transformer
from shapely.geometry import Point

from atlas.farm.change import mark, release, retire, storm
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.farm.takein import take_in
from atlas.settings import Settings

FIRST = datetime(2026, 6, 1, 4, 0, tzinfo=UTC)
TO_DEGREES = Transformer.from_crs(METRIC.to_wkt(), 4326, always_xy=True)


def said(farm: Farm) -> tuple[Any, ...]:
    """All that a survey takes from the file and that a change may touch."""
    return (
        [(h.hazard_id, h.kind, h.severity, h.reach_m, h.accuracy_m, h.note, h.seen_at, h.seen_by, h.photo,
          h.unconfirmed, h.shape.wkt) for h in farm.hazards],
        farm.storms,
        farm.releases,
    )  # fmt: skip


def test_the_farm_as_of_each_day_of_a_month_is_the_farm_of_that_day(small_farm_file: Path, tmp_path: Path) -> None:
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_farm_file, path)
    chance = random.Random(30)
    that_day: list[tuple[datetime, tuple[Any, ...]]] = []
    for day in range(30):
        morning = FIRST + timedelta(days=day)
        _changes(path, chance, morning, day)
        evening = morning + timedelta(hours=14)
        that_day.append((evening, said(open_farm(path, Settings(), evening))))
    assert len({repr(told) for _, told in that_day}) > 25  # the month was no quiet one
    for evening, told in that_day:
        assert said(open_farm(path, Settings(), evening)) == told, evening
    assert set(_kinds_of_change(path)) == {"taken in", "still there", "merged", "gone"}


def _changes(path: Path, chance: random.Random, morning: datetime, day: int) -> None:
    farm = open_farm(path, Settings(), morning)
    live, parcel = farm.hazards, farm.parcels[day % 4]
    west, south, east, north = parcel.shape.bounds
    spot = Point(chance.uniform(west, east), chance.uniform(south, north))
    mark(path, chance.choice(["wet_spot", "slip"]), spot, severity=2, by="Runa", seen_at=morning)
    if day % 3 == 0:
        retire(path, chance.choice(live).hazard_id, "Runa", morning + timedelta(hours=1))
    if day % 9 == 4:
        storm(path, morning + timedelta(hours=2), "hail")
    if day % 2:
        until = morning + timedelta(days=chance.choice([1, 3]))
        release(path, [parcel.field_id], "damp", until, "Runa", morning + timedelta(hours=3))
    features = [_new(Point(spot.x + 1.0, spot.y), morning - timedelta(hours=20))]
    known = [h for h in live if h.kind == "wet_spot"]
    if known:
        again = chance.choice(known).hazard_id
        features.append(_word(morning - timedelta(hours=9), seen_again=again, severity=chance.choice([1, 2, 3])))
        features.append(_word(morning - timedelta(hours=8), gone=chance.choice(known).hazard_id))
    marks = path.with_name(f"day{day}.geojson")
    content = {"type": "FeatureCollection", "format": "field-atlas-marks/1", "edition": day, "farm": ""}
    marks.write_text(json.dumps({**content, "features": features}))
    take_in(path, [marks], merge=day % 2 == 0, skip_refused=True, now=morning + timedelta(hours=4))


def _new(place: Point, seen_at: datetime) -> dict[str, Any]:
    told = {"hazard_id": str(uuid.uuid4()), "kind": "wet_spot", "severity": 3, "seen_at": seen_at.isoformat()}
    where = list(TO_DEGREES.transform(place.x, place.y))
    return {"type": "Feature", "geometry": {"type": "Point", "coordinates": where}, "properties": told}


def _word(seen_at: datetime, **told: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": None, "properties": {**told, "seen_at": seen_at.isoformat()}}


def _kinds_of_change(path: Path) -> list[str]:
    db = sqlite3.connect(path)
    try:
        return [row[0] for row in db.execute("SELECT DISTINCT change FROM hazard_history")]
    finally:
        db.close()
