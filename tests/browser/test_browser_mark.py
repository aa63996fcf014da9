"""Marking in the field, by touch and without a network: a mark leaves the tablet as a valid file, is taken in at
the farm and stands on the next map where the finger was."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from geojson_rules import broken_rules
from mark_fixtures import LATER, MAY_3, SETTINGS
from playwright.sync_api import Browser, Page
from shapely.geometry import Point
from sheets import until
from tablets import Spot, begin, corner, kept, mark_by_taps, marks_of, save_file, stand_at, tablet, until_said

from atlas import engine
from atlas.editions.sharing import share
from atlas.farm.takein import take_in


def path_points(path: str) -> list[Spot]:
    """Where a path of the picture goes: "M x y l dx dy …", as `picture_ground.lines` writes it."""
    out: list[Spot] = []
    for start, steps in re.findall(r"M([^lMz]*)(?:l([^Mz]*))?", path):
        at = np.array([float(v) for v in start.split()])
        out.append((at[0], at[1]))
        numbers = [float(v) for v in steps.split()]
        for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
            at = at + np.array([dx, dy])
            out.append((at[0], at[1]))
    return out


def drawn_corners(page: Page) -> list[Spot]:
    """Corners of every line and area that the sheet's printed map draws as a marking, terrain metres."""
    frame = page.evaluate("fieldAtlas.data.picture")
    paths = page.locator("#zone-map .marking").evaluate_all("all => all.map(p => p.getAttribute('d'))")
    of_lines = [path for path in paths if "m" not in path]  # a place's cross has its arms apart
    return [(frame["west"] + x, frame["north"] - y) for path in of_lines for x, y in path_points(path)]


def drawn_numbers(page: Page) -> list[Spot]:
    """Where the sheet's printed map puts the numbers of its markings, terrain metres."""
    frame = page.evaluate("fieldAtlas.data.picture")
    moved = page.locator("#zone-map g:has(> [data-tag])").evaluate_all(
        "all => all.map(g => g.getAttribute('transform'))"
    )
    places = [re.findall(r"translate\(([\d.-]+) ([\d.-]+)\)", text)[0] for text in moved]
    return [(frame["west"] + float(x), frame["north"] - float(y)) for x, y in places]


def test_from_the_tablet_to_the_next_map(browser: Browser, home: Path, mark_sheet: Path, tmp_path: Path) -> None:
    """A place, a line and an area by touch; the page closed and opened; the file; taking in; the next map."""
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        spot = mark_by_taps(page, "wet_spot", "tap", [corner(page, 30, 12)], 2, note="by the ash", by="Ole")
        line = mark_by_taps(page, "unstable_bank", "tap-line", [corner(page, 8, 30), corner(page, 20, 34)])
        clockwise = [corner(page, 25, 25), corner(page, 25, 36), corner(page, 37, 36), corner(page, 36, 26)]
        area = mark_by_taps(page, "no_go", "tap-area", clockwise)
    with tablet(browser, tmp_path / "profile", mark_sheet, LATER) as page:
        assert [m["kind"] for m in marks_of(page)] == ["wet_spot", "unstable_bank", "no_go"]
        assert page.locator("[data-mark=list] li").count() == 3
        assert page.locator("[data-mark=waiting]").inner_text() == "Not handed over yet: 3."
        file = save_file(page, tmp_path)
    assert broken_rules(file.read_bytes()) == []
    first = json.loads(file.read_bytes())["features"][0]["properties"]
    assert (first["note"], first["seen_by"], first["severity"]) == ("by the ash", "Ole", 2)
    report = take_in(home, [file], now=LATER, settings=SETTINGS)
    assert [row.status for row in report.rows] == ["new", "new", "new"]
    assert report.written
    assert {row.field_id for row in report.rows} == {"F01"}
    engine.build(home, tmp_path / "build", settings=SETTINGS, now=LATER, jobs=1)
    share(tmp_path / "build", tmp_path / "hand", fields=["F01"])
    ids = [m["hazard_id"] for m in (f["properties"] for f in json.loads(file.read_bytes())["features"])]
    with tablet(browser, tmp_path / "new", tmp_path / "hand" / "lower-meadow-map-1.html", LATER) as page:
        assert set(ids) <= set(page.evaluate("Object.keys(fieldAtlas.data.marking.tags)"))
        numbers, corners = drawn_numbers(page), drawn_corners(page)
    assert min(Point(spot[0]).distance(Point(n)) for n in numbers) < 0.5
    for touched in (*line, *area):
        assert min(Point(touched).distance(Point(c)) for c in corners) < 0.5


def test_here_takes_the_devices_place_and_its_accuracy(marking: Page) -> None:
    at = corner(marking, 22, 30)
    stand_at(marking, at, 4.5)
    begin(marking, "obstacle", "here")
    kept(marking)
    (mark,) = marks_of(marking)
    assert mark["accuracy"] == 4.5
    where = marking.evaluate("m => fieldAtlas.metres(m.geometry.coordinates[0], m.geometry.coordinates[1])", mark)
    assert Point(where["x"], where["y"]).distance(Point(at)) < 0.05


def test_a_rough_place_is_taken_only_when_asked(marking: Page) -> None:
    stand_at(marking, corner(marking, 22, 30), 60)
    begin(marking, "obstacle", "here")
    until_said(marking, "how", "60 m")
    assert marks_of(marking) == []
    marking.tap("[data-do=mark-done]")
    kept(marking)
    assert marks_of(marking)[0]["accuracy"] == 60


def test_a_place_that_may_be_anywhere_is_not_taken(marking: Page) -> None:
    stand_at(marking, corner(marking, 22, 30), 400)
    begin(marking, "obstacle", "here")
    until_said(marking, "how", "400 m")
    assert not marking.locator("[data-do=mark-done]").is_visible()


def test_without_a_position_it_says_so(browser: Browser, mark_sheet: Path, tmp_path: Path) -> None:
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3, permissions=[]) as page:
        begin(page, "obstacle", "here")
        until(page, "/position/.test(document.querySelector('[data-mark=how]').textContent)")
        assert not page.locator("[data-do=mark-done]").is_visible()


@pytest.mark.parametrize("how", ["walk-line", "walk-area"])
def test_an_edge_is_walked_and_thinned(marking: Page, tmp_path: Path, how: str) -> None:
    """Twelve metres east and nine north in steps of 1.5 m: what stays is its ends and the bend."""
    start = corner(marking, 10, 10)
    way = [(start[0] + 1.5 * k, start[1]) for k in range(9)] + [
        (start[0] + 12, start[1] + 1.5 * k) for k in range(1, 7)
    ]
    stand_at(marking, way[0], 4)
    begin(marking, "unstable_bank", how)
    for number, at in enumerate(way):
        stand_at(marking, at, 4 if number != 4 else 6)
        until_said(marking, "how", f"{6 if number == 4 else 4} m")
        marking.clock.run_for(1000)
    marking.tap("[data-do=mark-done]")
    kept(marking)
    file = save_file(marking, tmp_path)
    assert broken_rules(file.read_bytes()) == []
    feature = json.loads(file.read_bytes())["features"][0]
    assert feature["properties"]["accuracy_m"] == 6
    line = feature["geometry"]["coordinates"] if how == "walk-line" else feature["geometry"]["coordinates"][0]
    points = [marking.evaluate("p => fieldAtlas.metres(p[0], p[1])", p) for p in line]
    assert len(points) == (3 if how == "walk-line" else 4)
    bend = Point(start[0] + 12, start[1])
    assert min(bend.distance(Point(p["x"], p["y"])) for p in points) <= 2.1  # a place is kept every two metres


def test_a_weak_position_keeps_nothing_while_walking(marking: Page) -> None:
    stand_at(marking, corner(marking, 10, 10), 45)
    begin(marking, "unstable_bank", "walk-line")
    until_said(marking, "how", "45 m")
    assert not marking.locator("[data-do=mark-done]").is_visible()


def test_still_there_and_gone_on_the_keep_off_list(marking: Page, home: Path, tmp_path: Path) -> None:
    """Of a wet spot the severity is asked, of anything else it stands; "gone" opens nothing on this device."""
    items = marking.locator(".answers")
    ids = items.evaluate_all("all => all.map(e => e.dataset.hazard)")
    kinds = marking.evaluate("fieldAtlas.data.marking.tags")
    wet = next(k for k, i in enumerate(ids) if kinds[i]["kind"] == "wet_spot")
    bank = next(k for k, i in enumerate(ids) if kinds[i]["kind"] == "unstable_bank")
    painted = marking.evaluate("fieldAtlas.picture.querySelector('.zone.keep_out').getAttribute('d')")
    items.nth(wet).locator("[data-do=still]").tap()
    marking.tap("#mark-dock [data-severity='3']")
    kept(marking, by="Ole")
    items.nth(bank).locator("[data-do=gone]").tap()
    kept(marking)
    assert "still there, over the ankle" in items.nth(wet).inner_text()
    assert "gone" in items.nth(bank).locator("[role=status]").inner_text()
    assert marking.evaluate("fieldAtlas.picture.querySelector('.zone.keep_out').getAttribute('d')") == painted
    file = save_file(marking, tmp_path)
    assert broken_rules(file.read_bytes()) == []
    report = take_in(home, [file], now=LATER, settings=SETTINGS)
    assert [(row.status, row.hazard_id) for row in report.rows] == [("still there", ids[wet]), ("gone", ids[bank])]
    assert report.written


@pytest.mark.parametrize(
    ("geometry", "rule"),
    [
        ({"type": "Point", "coordinates": [47.1, 111.3]}, "4:"),
        ({"type": "Point", "coordinates": ["11", 47]}, "3.1.1:"),
        ({"type": "LineString", "coordinates": [[11, 47]]}, "3.1.4:"),
        ({"type": "Polygon", "coordinates": [[[11, 47], [12, 47], [12, 48]]]}, "3.1.6:"),
        ({"type": "Polygon", "coordinates": [[[11, 47], [12, 48], [12, 47], [11, 47]]]}, "3.1.6:"),
        ({"type": "Point", "coordinates": [11, 47], "properties": {}}, "7.1:"),
        ({"type": "Blob", "coordinates": [11, 47]}, "3.1:"),
    ],
)
def test_the_rules_find_what_is_broken(geometry: dict[str, object], rule: str) -> None:
    """So that a file cannot pass by rules that never find anything."""
    feature = {"type": "Feature", "geometry": geometry, "properties": {}}
    found = broken_rules(json.dumps({"type": "FeatureCollection", "features": [feature]}).encode())
    assert [line for line in found if line.startswith(f"feature 1: {rule}")] != []
