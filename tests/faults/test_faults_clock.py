"""A clock that was set back, or ran ahead where a row was written: no release comes back to life, nothing that
closes ground is left out, and the build says it."""

from __future__ import annotations

import json
import pickle
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import quick_farm
import small_farm
from click.testing import CliRunner
from shapely.geometry import Point

from atlas import engine
from atlas.cli import main
from atlas.cli_words import PAST
from atlas.editions.clock import issue_moment
from atlas.errors import RowError
from atlas.farm import change
from atlas.farm.holding import Now
from atlas.farm.opening import open_farm
from atlas.farm.takein import take_in

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
    return change.mark(farm, kind, place, seen_at=seen_at, settings=SETTINGS, now=seen_at)


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


def test_what_a_release_still_to_come_replaced_does_not_come_back(farm: Path) -> None:
    change.release(farm, ["F01"], "wet", MAY_5 + timedelta(hours=14), "Runa", MAY_5, settings=SETTINGS)
    build(farm, MAY_3)
    assert not any(released(farm)), "the release of 2 May, on firm ground until 9 May, was taken back on 5 May"


def test_nothing_is_released_by_a_clock_that_was_set_back(farm: Path) -> None:
    mark(farm, MAY_5)
    before = farm.read_bytes()
    with pytest.raises(RowError) as refused:
        change.release(farm, ["F01"], "firm", MAY_10, "Runa", MAY_3, settings=SETTINGS)
    assert str(refused.value) == (
        f"{farm}, layer 'hazards' row 6: is of 2026-05-05 06:00 UTC, still to come by this computer's clock "
        "(2026-05-03 06:00 UTC), so nothing is released; set the clock or the row right, then release again."
    )
    with pytest.raises(
        RowError, match=r"so the marking stays; set the clock or the row right, then retire it again"
    ):
        change.retire(farm, "00000000-0000-4000-8000-000000000004", "Runa", MAY_3, settings=SETTINGS)
    assert farm.read_bytes() == before


def test_a_release_before_the_last_storm_is_refused_since_it_would_not_count(farm: Path) -> None:
    change.storm(farm, MAY_5, settings=SETTINGS, now=MAY_5)
    with pytest.raises(
        RowError, match=r"a storm is of 2026-05-05 06:00 UTC, still to come .*\(2026-05-05 05:55 UTC\)"
    ):
        change.release(farm, ["F01"], "firm", MAY_10, "Runa", MAY_5 - timedelta(minutes=5), settings=SETTINGS)


def test_a_newer_release_replaces_one_written_by_a_clock_a_few_minutes_ahead(farm: Path) -> None:
    change.release(farm, ["F01"], "firm", MAY_10, "Runa", MAY_5, settings=SETTINGS)
    earlier = MAY_5 - timedelta(minutes=5)
    change.release(farm, ["F01"], "wet", MAY_10, "Runa", earlier, settings=SETTINGS)
    (held,) = open_farm(farm, SETTINGS, MAY_5).releases
    assert (held.ground, held.released_at) == ("wet", MAY_5)


def test_a_marking_is_gone_no_earlier_than_it_was_seen(farm: Path) -> None:
    hazard_id = mark(farm, MAY_5)
    change.retire(farm, hazard_id, "Runa", MAY_5 - timedelta(minutes=5), settings=SETTINGS)
    with closing(sqlite3.connect(farm)) as db:
        rows = db.execute("SELECT retired_at FROM hazards WHERE hazard_id = ?", (hazard_id,)).fetchall()
    assert rows == [("2026-05-05T06:00:00.000Z",)]


def test_a_mark_under_a_clock_that_was_set_back_is_kept_and_looks_no_older(farm: Path) -> None:
    mark(farm, MAY_5)
    said: list[str] = []
    place = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.representative_point()
    hazard_id = change.mark(farm, "wet_spot", place, settings=SETTINGS, now=MAY_3, tell=said.append)
    assert said == [
        f"{farm}, layer 'hazards' row 6: is of 2026-05-05 06:00 UTC, still to come by this computer's clock "
        "(2026-05-03 06:00 UTC); what is written down gets the last marking's moment; set the clock or the row "
        "right"
    ]
    (marked,) = [h for h in open_farm(farm, SETTINGS, MAY_5).hazards if h.hazard_id == hazard_id]
    assert marked.seen_at == MAY_5


def test_a_marking_made_before_a_storm_that_is_still_to_come_is_unconfirmed_after_it(farm: Path) -> None:
    change.storm(farm, MAY_5, settings=SETTINGS, now=MAY_5)
    place = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.representative_point()
    said: list[str] = []
    hazard_id = change.mark(farm, "wet_spot", place, settings=SETTINGS, now=MAY_3, tell=said.append)
    assert said[0].endswith("(2026-05-03 06:00 UTC); set the clock or the row right")
    (marked,) = [h for h in open_farm(farm, SETTINGS, MAY_5).hazards if h.hazard_id == hazard_id]
    assert (marked.seen_at, marked.unconfirmed) == (MAY_3, True)


def test_a_bare_date_of_today_is_no_moment_still_to_come(farm: Path) -> None:
    today = datetime.now().astimezone()
    assert PAST.convert(today.date().isoformat(), None, None) <= datetime.now(UTC)
    earlier = PAST.convert((today - timedelta(days=2)).date().isoformat(), None, None).astimezone()
    assert (earlier.hour, earlier.minute) == (23, 59)
    x, y = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.representative_point().coords[0]
    date = today.date().isoformat()
    run = CliRunner().invoke(main, ["mark", str(farm), "no_go", "--at", f"{x},{y}", "--seen-at", date])
    assert (run.exit_code, run.stderr) == (0, "")


@pytest.mark.parametrize("told", ["mark", "storm"])
def test_what_is_told_to_be_still_to_come_gets_a_sentence(farm: Path, told: str) -> None:
    """Only where the file knows of as late a moment: then the clock was set back."""
    said: list[str] = []
    mark(farm, MAY_10)
    if told == "storm":
        change.storm(farm, MAY_10, settings=SETTINGS, now=MAY_5, tell=said.append)
    else:
        place = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.representative_point()
        change.mark(farm, "no_go", place, seen_at=MAY_10, settings=SETTINGS, now=MAY_5, tell=said.append)
    (sentence,) = said
    assert sentence == (
        "what is written down is of 2026-05-10 06:00 UTC, still to come by this computer's clock "
        "(2026-05-05 06:00 UTC), and counts already; set the clock if it is wrong"
    )


@pytest.mark.parametrize("known", [False, True])
def test_a_storm_later_than_the_clock_and_all_the_file_knows_is_refused(farm: Path, known: bool) -> None:
    if known:
        mark(farm, MAY_5)
    before, now = farm.read_bytes(), MAY_3 if known else MAY_5
    with pytest.raises(RowError) as refused:
        change.storm(farm, MAY_5 + timedelta(minutes=11), settings=SETTINGS, now=now)
    assert str(refused.value) == (
        f"storm: is of 2026-05-05 06:11 UTC, still to come by this computer's clock ({now:%Y-%m-%d} 06:00 UTC), "
        "so it is not written down; give the moment when it had passed, or set the clock right."
    )
    assert farm.read_bytes() == before
    change.storm(farm, MAY_5 + timedelta(minutes=9), settings=SETTINGS, now=MAY_5)
    assert open_farm(farm, SETTINGS, MAY_10).storms[-1].passed_at == MAY_5 + timedelta(minutes=9)


@pytest.mark.parametrize("known", [False, True])
def test_a_marking_seen_later_than_the_clock_and_all_the_file_knows_is_refused(farm: Path, known: bool) -> None:
    """With a slip of the pen in the year it would count as looked at after every storm of that year."""
    if known:
        mark(farm, MAY_5)
    before, now = farm.read_bytes(), MAY_3 if known else MAY_5
    place = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.representative_point()
    with pytest.raises(RowError) as refused:
        change.mark(farm, "wet_spot", place, seen_at=MAY_5 + timedelta(minutes=11), settings=SETTINGS, now=now)
    assert str(refused.value) == (
        f"mark: is of 2026-05-05 06:11 UTC, still to come by this computer's clock ({now:%Y-%m-%d} 06:00 UTC), "
        "so it is not written down; give the moment when it was seen, or set the clock right."
    )
    assert farm.read_bytes() == before
    change.mark(farm, "wet_spot", place, seen_at=MAY_5 + timedelta(minutes=9), settings=SETTINGS, now=MAY_5)


def test_a_storm_row_still_to_come_that_stands_in_the_file_counts_as_before(farm: Path) -> None:
    """Written by another program, or by a clock that ran ahead: nothing is released until it is set right."""
    with closing(sqlite3.connect(farm)) as db:
        db.execute("INSERT INTO storms (storm_id, passed_at, note) VALUES ('s2', '2099-06-01T10:00:00Z', '')")
        db.commit()
    build(farm, MAY_5)
    assert not any(released(farm))
    with pytest.raises(RowError, match=r"is of 2099-06-01 10:00 UTC, .*so nothing is released; set the clock"):
        change.release(farm, ["F01"], "firm", MAY_10, "Runa", MAY_5, settings=SETTINGS)
    said: list[str] = []
    change.storm(farm, MAY_5, settings=SETTINGS, now=MAY_5, tell=said.append)
    assert "is of 2099-06-01 10:00 UTC, still to come" in said[0]


def test_taking_in_says_that_the_clock_was_set_back(farm: Path) -> None:
    there = mark(farm, MAY_5)
    gone = {"type": "Feature", "geometry": None, "properties": {"gone": there}}
    told = {"type": "FeatureCollection", "format": "field-atlas-marks/1", "features": [gone]}
    marks = farm.parent / "marks.geojson"
    marks.write_text(json.dumps(told))
    report = take_in(farm, [marks], now=MAY_3, settings=SETTINGS)
    assert [row.status for row in report.rows] == ["already here"], (
        "a newer marking was taken away by an older word"
    )
    (note,) = report.notes
    assert note.endswith("; marks without a time count as older than that; set the clock or the row right")


def test_the_commands_say_it(farm: Path) -> None:
    ahead = datetime.now(UTC) + timedelta(days=2)
    before = farm.read_bytes()
    for passed_at in (ahead.isoformat(), "2099-06-01", "2099-06-01T10:00"):
        run = CliRunner().invoke(main, ["storm", str(farm), "--passed-at", passed_at])
        assert (run.exit_code, run.stdout, run.stderr.count("\n")) == (2, "", 1)
        assert run.stderr.startswith("storm: is of 20")
    x, y = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.representative_point().coords[0]
    there = ["mark", str(farm), "no_go", "--at", f"{x},{y}"]
    run = CliRunner().invoke(main, [*there, "--seen-at", ahead.isoformat()])
    assert (run.exit_code, run.stdout, run.stderr.count("\n")) == (2, "", 1)
    assert run.stderr.startswith("mark: is of 20")
    assert farm.read_bytes() == before
    mark(farm, ahead)
    run = CliRunner().invoke(main, [*there, "--seen-at", ahead.isoformat()])
    assert run.exit_code == 0
    assert "note: what is written down is of " in run.stderr
    run = CliRunner().invoke(main, there)
    assert run.exit_code == 0
    assert "still to come by this computer's clock" in run.stderr
    until = (ahead + timedelta(days=2)).isoformat()
    given = ["--all", "--ground", "firm", "--until", until, "--by", "Runa"]
    run = CliRunner().invoke(main, ["release", str(farm), *given])
    assert run.exit_code == 2
    assert "so nothing is released" in run.stderr


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
