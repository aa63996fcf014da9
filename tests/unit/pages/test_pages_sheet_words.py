"""Words of the sheet: lists by tag, slope classes, lengths, dates."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from made_sheet import made_context, made_survey

from atlas.driving.records import Zone
from atlas.languages import templates_folder
from atlas.pages.context import page_context
from atlas.pages.render import area, day, environment, metres, number, stamp, when
from atlas.pages.sheet_drives import drive_words, frame_of, said_of
from atlas.pages.sheet_lead import class_rows, percent_of, wind
from atlas.pages.sheet_lists import hours, keep_off
from atlas.pages.sheet_set import SheetSet
from atlas.terrain.figures import SlopeClass, SlopeFigures


@pytest.mark.parametrize(
    ("length", "words"),
    [(0, "0 m"), (0.4, "0.4 m"), (5.0, "5 m"), (9.94, "9.9 m"), (9.96, "10 m"), (1234.4, "1\u202f234 m")],
)
def test_lengths(length: float, words: str) -> None:
    assert metres(length) == words


@pytest.mark.parametrize(
    ("m2", "words"), [(0, "0 m²"), (12.4, "12 m²"), (999.4, "999 m²"), (1000, "0.10 ha"), (36890, "3.69 ha")]
)
def test_areas(m2: float, words: str) -> None:
    assert area(m2) == words


def test_dates_say_their_zone() -> None:
    utc = datetime(2026, 6, 2, 4, 5, tzinfo=UTC)
    assert (day(utc), when(utc), stamp(utc)) == ("2 June 2026", "2 June 2026, 04:05 UTC", "2026-06-02T04:05:00Z")
    there = utc.astimezone(timezone(timedelta(hours=2)))
    assert when(there) == "2 June 2026, 06:05 UTC+02:00"
    assert stamp(there) == "2026-06-02T04:05:00Z"


def test_thousands_are_set_apart() -> None:
    assert number(1234567.891, 1) == "1\u202f234\u202f567.9"


def test_time_for_hand_work_is_never_rounded_to_nothing() -> None:
    assert [hours(h) for h in (0.01, 0.9, 1.0, 3.1)] == ["0.25 h", "1 h", "1 h", "3 h"]


@pytest.mark.parametrize(
    ("degrees", "word"),
    [(0, "north"), (22, "north"), (23, "north-east"), (180, "south"), (338, "north"), (None, "")],
)
def test_the_way_a_field_faces(degrees: float | None, word: str) -> None:
    assert wind(degrees) == word


def test_slope_classes_name_their_limits_in_percent_and_degrees() -> None:
    """18, 35 and 50 % are 10.2, 19.3 and 26.6 degrees (arctangent)."""
    breaks = (0.0, 18.0, 35.0, 50.0, None)
    classes = tuple(SlopeClass(breaks[i] or 0.0, breaks[i + 1], 250.0, 200.0) for i in range(4))
    rows = class_rows(SlopeFigures(1000.0, 1100.0, 1.0, 2.0, 20.0, 40.0, 60.0, 0.0, classes, None))
    assert [r.percent for r in rows] == ["0 to 18 %", "over 18 to 35 %", "over 35 to 50 %", "over 50 %"]
    assert [r.degrees for r in rows] == ["0 to 10.2°", "10.2 to 19.3°", "19.3 to 26.6°", "over 26.6°"]
    assert {r.share for r in rows} == {"25.0 %"}


def test_a_statistic_that_is_not_there_is_a_dash() -> None:
    assert percent_of(None) == "–"
    assert percent_of(40.0) == "40 % (22°)"


def test_the_list_tells_the_distance_to_keep_and_when_it_grows() -> None:
    """A bank 4 m deep keeps 4 m (its depth), on wet ground 8 m (twice that), each with 2 m of accuracy."""
    ctx = made_context()
    survey = made_survey(ctx, east_m=60, north_m=50)
    deep = tuple(
        replace(t, hazard=replace(t.hazard, depth_m=4.0, reach_m=3.0, unconfirmed=False))
        if t.hazard.kind == "unstable_bank"
        else t
        for t in survey.driving.hazards
    )
    rows = keep_off(replace(survey, driving=replace(survey.driving, hazards=deep)), ctx.settings)
    bank = next(r for r in rows if r.kind == "bank that gives way")
    assert (bank.far, bank.reach, bank.accuracy, bank.far_wet) == ("6 m", "4 m", "2 m", "10 m")
    line = next(r for r in rows if r.kind == "overhead line")
    assert (line.far, line.far_wet, line.soft) == ("7 m", "", False)
    spots = [r for r in rows if r.kind == "wet spot"]
    assert [(s.severity, s.soft) for s in spots] == [("over the ankle", False), ("boot prints stay", True)]


def test_areas_of_a_drive_are_those_of_its_figures() -> None:
    ctx = made_context()
    survey = made_survey(ctx, east_m=110, north_m=90)
    frame = frame_of(survey)
    for drive in survey.driving.drives[::9]:
        said = drive_words(frame, drive)
        shown = {line.label: line.value.split(" (")[0] for line in said.figures}
        assert shown["keep out"] == area(drive.keep_out_m2)
        assert shown["drive in any direction"] == area(drive.any_way_m2)
        assert len(said.figures) >= 5
        assert said.sentences


def test_ground_without_a_way_in_is_not_told_as_ground_to_drive_on() -> None:
    """The lines are what the map draws, and add up to the field; what has no room to turn is part of them."""
    ctx = made_context()
    survey = made_survey(ctx, east_m=110, north_m=90)
    frame, grid = frame_of(survey), survey.terrain.grid
    weight = survey.terrain.covered * grid.cell_area
    zone = np.full(grid.shape, Zone.ANY_WAY, dtype=np.uint8)
    zone[:, grid.cols // 2 :] = Zone.UP_DOWN
    cut, stuck = np.zeros_like(zone), np.zeros_like(zone)
    cut[: grid.rows // 2] = 1
    stuck[:, grid.cols * 3 // 4 :] = 1
    any_m2, straight_m2 = (float(weight[zone == one].sum()) for one in (Zone.ANY_WAY, Zone.UP_DOWN))
    drive = replace(
        survey.driving.drives[0], zone=zone, cut_off=cut, no_turn=stuck, any_way_m2=any_m2, up_down_m2=straight_m2,
        on_foot_m2=0.0, keep_out_m2=0.0, unsurveyed_m2=0.0, cut_off_m2=float(weight[cut == 1].sum()),
        no_turn_m2=float(weight[stuck == 1].sum()),
    )  # fmt: skip
    said = drive_words(frame, drive)
    lines = said.figures
    assert [(c.label, c.value) for c in said.causes] == [
        ("no way in for this machine", area(drive.cut_off_m2 or 0.0))
    ]
    shown = {line.label: line.value.split(" (")[0] for line in lines}
    assert shown["drive in any direction"] == area(float(weight[(zone == Zone.ANY_WAY) & (cut == 0)].sum()))
    assert shown["straight up or down, never across"] == area(
        float(weight[(zone == Zone.UP_DOWN) & (cut == 0)].sum())
    )
    assert shown["no way in for this machine"] == area(float(weight[cut == 1].sum()))
    assert shown["part of the open ground, but no room to turn: back out"] == area(
        float(weight[(stuck == 1) & (cut == 0)].sum())
    )
    assert sum(int(re.findall(r"\((\d+) %\)", line.value)[0]) for line in lines[:6]) in (99, 100, 101)


def test_drives_that_agree_in_all_cells_are_told_alike_and_others_by_themselves() -> None:
    ctx = made_context()
    survey = made_survey(ctx, east_m=110, north_m=90)
    first = survey.driving.drives[0]
    changed = np.full_like(first.zone, Zone.KEEP_OUT)  # as where only the areas are the same
    drives = (*survey.driving.drives, replace(first, driver="other"), replace(first, driver="third", zone=changed))
    said = said_of(frame_of(survey), drives)
    assert list(said) == [SheetSet(d.machine, d.ground, d.driver) for d in drives]
    for drive, text in zip(drives, said.values(), strict=True):
        assert text == drive_words(frame_of(survey), drive)
    assert said[SheetSet(first.machine, first.ground, "other")] is said[next(iter(said))]
    assert said[SheetSet(first.machine, first.ground, "third")] != said[next(iter(said))]


def test_templates_are_found_from_anywhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    assert (templates_folder() / "base.html").is_file()
    assert environment().autoescape is True


def test_the_farms_name_in_the_settings_goes_before_the_files() -> None:
    from types import SimpleNamespace

    from made import make_grid

    ctx = made_context()
    terrain = SimpleNamespace(grid=make_grid(), source="flown for tests", date="2024")
    farm = SimpleNamespace(name="the file's", terrain=terrain, groups=())
    made = page_context(farm, ctx.settings, ctx.rig, 3, ctx.issued_at)  # type: ignore[arg-type]  # all it reads
    assert made.farm_name == ctx.settings.farm.name
    assert made.terrain.sigma_assumed
    assert made.terrain.crs == "EPSG:25832"
