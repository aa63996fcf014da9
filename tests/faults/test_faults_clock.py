"""A clock that was set back, or ran ahead where a row was written: no release comes back to life, nothing that
closes ground is left out, and the build says it."""

from __future__ import annotations

import json
import pickle
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import quick_farm
import small_farm
from shapely.geometry import Point

from atlas import engine
from atlas.editions.clock import issue_moment
from atlas.farm import change
from atlas.farm.holding import Now
from atlas.farm.opening import open_farm

SETTINGS = quick_farm.settings()
MAY_3, MAY_5, MAY_10 = (datetime(2026, 5, day, 6, 0, tzinfo=UTC) for day in (3, 5, 10))
# The small farm: F01 was released on 2 May, until 9 May.


@pytest.fixture(scope="module")
def two_fields(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_farm.write(tmp_path_factory.mktemp("clock") / "farm.gpkg", fields=2)


@pytest.fixture
def farm(two_fields: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(two_fields, tmp_path / "farm.gpkg"))


def mark(farm: Path, seen_at: datetime, kind: str = "no_go") -> str:
    west, south, east, north = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.bounds
    place = Point((west + east) / 2, (south + north) / 2)
    return change.mark(farm, kind, place, seen_at=seen_at, settings=SETTINGS)


def build(farm: Path, now: datetime, **more: Any) -> engine.BuildReport:
    return engine.build(farm, farm.parent / "build", settings=SETTINGS, now=now, jobs=1, **more)


def told(farm: Path) -> dict[str, Any]:
    raw: dict[str, Any] = json.loads((farm.parent / "build" / "data" / "atlas.json").read_bytes())
    return raw


def released(farm: Path) -> list[bool]:
    return [bool(field["released"]) for field in told(farm)["fields"]]


def markings(farm: Path) -> set[str]:
    return {h["hazard_id"] for field in told(farm)["fields"] for h in field["hazards"]}


def test_a_release_that_had_ended_when_the_map_before_was_made_stays_ended(farm: Path) -> None:
    assert build(farm, MAY_3).edition.number == 1
    assert released(farm)[0], "or nothing could come back to life"
    assert build(farm, MAY_10).edition.number == 2
    assert not any(released(farm))
    mark(farm, MAY_3)
    report = build(farm, MAY_5)
    assert not any(released(farm))
    assert report.edition.number == 3
    assert told(farm)["edition"]["issued_at"] == "2026-05-10T06:00:00Z", (
        "a map is dated before the one it replaces"
    )
    (said,) = [r for r in report.remarks if "clock" in r]
    assert said.startswith("this computer's clock says 2026-05-05 06:00 UTC, but map 2 in ")
    assert "was made at 2026-05-10 06:00 UTC: that moment counts until the clock is set right" in said


def test_nothing_changed_and_the_clock_set_back_leaves_the_map(farm: Path) -> None:
    build(farm, MAY_10)
    report = build(farm, MAY_5)
    assert report.unchanged
    assert report.edition.number == 1
    assert any("but map 1 in" in r for r in report.remarks)


def test_a_row_that_is_still_to_come_closes_ground_and_ends_releases(farm: Path) -> None:
    """A first build, so no map before tells of the clock."""
    hazard_id = mark(farm, MAY_10)
    report = build(farm, MAY_5)
    assert hazard_id in markings(farm)
    assert not any(released(farm)), "it ended on 9 May, and the file knows of 10 May"
    (said,) = [r for r in report.remarks if "clock" in r]
    assert said.startswith(
        "layer 'hazards' row 6: is of 2026-05-10 06:00 UTC, still to come by this computer's clock"
    )
    assert "it counts where it closes ground, and no release that ends before it counts" in said
    assert told(farm)["edition"]["issued_at"] == "2026-05-05T06:00:00Z"


def test_a_storm_that_is_still_to_come_ends_releases(farm: Path) -> None:
    change.storm(farm, MAY_5 + timedelta(days=1), settings=SETTINGS)
    report = build(farm, MAY_5)
    assert not any(released(farm))
    assert any(r.startswith("layer 'storms' row") for r in report.remarks)
    assert all(h["unconfirmed"] for f in told(farm)["fields"] for h in f["hazards"] if h["kind"] == "wet_spot")


def test_a_release_or_a_farewell_that_is_still_to_come_opens_nothing(farm: Path) -> None:
    change.retire(farm, "00000000-0000-4000-8000-000000000004", "Runa", MAY_10, settings=SETTINGS)
    change.release(farm, ["F02"], "firm", MAY_10 + timedelta(days=3), "Runa", MAY_10, settings=SETTINGS)
    build(farm, MAY_5)
    assert "00000000-0000-4000-8000-000000000004" in markings(farm)
    assert not any(released(farm))
    build(farm, MAY_10)
    assert "00000000-0000-4000-8000-000000000004" not in markings(farm)
    assert released(farm)[1]


def test_clocks_a_few_minutes_apart_are_not_spoken_of(farm: Path) -> None:
    hazard_id = mark(farm, MAY_5 + timedelta(minutes=9))
    report = build(farm, MAY_5)
    assert hazard_id in markings(farm)
    assert released(farm)[0]
    assert not [r for r in report.remarks if "clock" in r]


def test_an_earlier_day_that_is_asked_for_leaves_out_what_came_later(farm: Path) -> None:
    hazard_id = mark(farm, MAY_10)
    report = build(farm, MAY_10, as_of=MAY_5)
    assert hazard_id not in markings(farm)
    assert released(farm)[0]
    assert not [r for r in report.remarks if "clock" in r]


def test_a_map_before_with_an_odd_date_is_no_fault_of_ours(farm: Path) -> None:
    build(farm, MAY_3)
    out = farm.parent / "build"
    state = out / "data" / "state" / "edition.json"
    whole = state.read_text()
    for date in ("no date", "9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+12:00", "2026-05-01T06:00:00", ""):
        state.write_text(whole.replace("2026-05-03T06:00:00Z", date))
        assert issue_moment(out, MAY_5) == (MAY_5, ()), date


def test_now_is_handed_to_other_processes_as_it_is() -> None:
    now = Now.at(MAY_5.astimezone())
    again = pickle.loads(pickle.dumps(now))
    assert (type(again), again) == (Now, MAY_5)
