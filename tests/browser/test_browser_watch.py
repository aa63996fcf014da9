"""Following the position over a field: every state where it belongs, each warned of once, and every lack said.

The sheet is one handed on by itself: one file alone in an empty folder, opened from disk with the network off.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import watched_farm as farm
from playwright.sync_api import Page
from shapely import box, points, union_all
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry
from sheets import choose
from walking import EVEN, NEAR_M, WET, Walked, bar, begin, go, heard, place, state, walk

from atlas.driving.records import Drive, Zone
from atlas.survey import FieldSurvey

WET_CLOSED_M = 4 + 2 + 1 + math.hypot(1.9, 2.2) / 2  # its own radius, reach, accuracy, half the machine
PRACTISED = ("mower", "firm", "practised")


@pytest.fixture
def page(walking_page: Page) -> Page:
    return walking_page


def drive_of(survey: FieldSurvey, key: tuple[str, str, str] = PRACTISED) -> Drive:
    return next(d for d in survey.driving.drives if (d.machine, d.ground, d.driver) == key)


def closed_ground(survey: FieldSurvey, drive: Drive) -> BaseGeometry:
    """All closed cells as one shape, from Python's own verdicts."""
    grid, inside = survey.terrain.grid, survey.terrain.covered > 0
    rows, cols = np.nonzero(inside & (drive.zone >= Zone.ON_FOOT))
    west, north = grid.west + cols * grid.cell_x, grid.north - rows * grid.cell_y
    return union_all(box(west, north - grid.cell_y, west + grid.cell_x, north))


def test_walking_into_a_wet_spot(page: Page, walked: Walked) -> None:
    """From the east on gentle ground: following, then near, then inside; each warned of once; the distance said is
    the one Python measures, accuracy taken off."""
    closed = closed_ground(walked.survey, drive_of(walked.survey))
    place(page, WET[0] + 40, WET[1])
    begin(page)
    found: list[str] = []
    for metres in np.arange(40.3, -1, -2).tolist():
        now = go(page, WET[0] + metres, WET[1])
        found += [now] if not found or now != found[-1] else []
        left = points(WET[0] + metres, WET[1]).distance(closed) - 3.0
        if now == "near":
            assert f"marking 1, wet spot: {math.floor(left)} m ahead" in bar(page).lower()
            lengths = math.floor(left / math.hypot(1.9, 2.2))
            said = {0: "less than a machine length", 1: "one machine length"}.get(lengths, f"{lengths} machine")
            assert said in bar(page)
            assert "The 3 m the position may be off are taken off." in bar(page)
        assert (now == "inside") == (left <= 0), metres
        assert (now in ("near", "inside")) == (left <= NEAR_M), metres
    assert found == ["following", "near", "inside"]
    tones, shakes = heard(page)
    assert shakes == 4  # near, near within a machine length, may be inside, inside
    assert tones > shakes


def test_walking_along_its_edge(page: Page) -> None:
    """Past the wet spot with 5 m to spare beyond the accuracy: it is neither ahead nor underfoot. Nearer than the
    accuracy the machine may be on it."""
    aside = WET_CLOSED_M + 3 + 5
    place(page, WET[0] + 24, WET[1] - aside + 14)
    begin(page)
    y = WET[1] - aside
    go(page, WET[0] + 30, y)
    past = walk(page, (WET[0] + 26, y), (WET[0] - 8, y), 17)
    assert set(past[1:]) == {"following"}
    y = WET[1] - WET_CLOSED_M - 1.5
    go(page, WET[0] + 22, y)
    along = walk(page, (WET[0] + 18, y), (WET[0] - 6, y), 12)
    assert [s for k, s in enumerate(along) if k == 0 or s != along[k - 1]] == ["near", "inside"]
    assert "You may be on closed ground: marking 1, wet spot" in bar(page)


def test_towards_a_drop(page: Page) -> None:
    """Down the steep band above the terrace wall: near, then inside, and the words say drop."""
    start = farm.at(45.0, 5.0)
    place(page, *start)
    begin(page)
    found = walk(page, start, farm.at(45.0, -36.0), 20)
    assert [s for k, s in enumerate(found) if k == 0 or s != found[k - 1]] == ["following", "near", "inside"]
    assert "You are on closed ground: drop" in bar(page)


def test_across_a_slope_that_is_only_for_straight_up_or_down(page: Page) -> None:
    """On the 26 % band: along the slope warns, 10° off straight down does not, 20° off does."""
    middle = farm.at(-30.0, -15.0)
    place(page, middle[0] + 30, middle[1])
    begin(page)
    assert walk(page, (middle[0] + 26, middle[1]), middle, 8)[1:] == ["across"] * 8
    assert "Across the slope by 90°" in bar(page)
    for off, wanted in ((10.0, "following"), (20.0, "across")):
        turn = math.radians(180 + off)
        ends = [(middle[0] + k * math.sin(turn), middle[1] + 20 + k * math.cos(turn)) for k in (0, 20)]
        assert walk(page, ends[0], ends[1], 8)[2:] == [wanted] * 7, off


def test_a_machine_that_may_cross_is_not_told_that_it_crosses(page: Page) -> None:
    """The verdict is the chosen machine's, and changing the machine changes the state where it stands."""
    place(page, *farm.at(-20.0, -15.0))
    begin(page)
    assert walk(page, farm.at(-22.0, -15.0), farm.at(-34.0, -15.0), 6)[-1] == "across"
    choose(page, "wide", "firm", "practised")
    assert state(page) == "following"
    choose(page, "mower", "firm", "new")
    assert state(page) == "inside"


def test_off_the_farm(page: Page) -> None:
    """Westwards out of the gentle band: the words say how far the field goes, and beyond it nothing is known."""
    start = farm.at(-45.0, 45.0)
    place(page, *start)
    begin(page)
    assert set(walk(page, (start[0] - 3, start[1]), (start[0] - 21, start[1]), 6)) == {"following"}
    assert "The field ends 1 m ahead, less than a machine length. Beyond it nothing is known." in bar(page)
    assert walk(page, farm.at(-71.0, 45.0), farm.at(-120.0, 45.0), 4) == ["outside"] * 5
    assert "Outside the field: nothing is known here" in bar(page)
    assert go(page, *farm.at(-45_000.0, 45.0)) == "outside"


@pytest.mark.parametrize(("accuracy", "wanted"), [(NEAR_M, "following"), (NEAR_M + 0.5, "weak"), (400.0, "weak")])
def test_a_position_too_weak_warns_of_nothing_else(page: Page, accuracy: float, wanted: str) -> None:
    """Weak goes before everything: on closed ground, too, only the weakness is said. The bound is the larger of
    10 m and the near distance."""
    place(page, *EVEN)
    begin(page)
    assert go(page, EVEN[0] + 5, EVEN[1], accuracy) == wanted
    assert go(page, *WET, accuracy) == ("weak" if wanted == "weak" else "inside")
    assert ("too weak to warn" in bar(page)) == (wanted == "weak")
    assert heard(page)[1] >= 1


def test_a_position_that_stops_coming_is_said(page: Page) -> None:
    place(page, *EVEN)
    begin(page)
    go(page, EVEN[0] + 3, EVEN[1])
    before = heard(page)[1]
    page.clock.run_for(15_000)
    assert state(page) == "weak"
    assert "stopped coming" in bar(page)
    assert heard(page)[1] == before + 1
    assert page.locator("#map_field .machine").count() == 0
    assert go(page, EVEN[0] + 6, EVEN[1]) != "weak"


def test_a_warning_sounds_once_per_entry_and_again_when_worse(page: Page) -> None:
    place(page, *EVEN)
    begin(page)
    closed_at = WET_CLOSED_M + 3
    counts = []
    for metres in (14, 12, 10, 12, 10, 2, 6, 1.9):  # left before closed ground
        go(page, WET[0] + closed_at + metres, WET[1] + 0.01 * metres)
        counts.append(heard(page)[1])
    steps = np.diff(counts)
    assert counts[0] >= 1
    assert steps[:4].tolist() == [0, 0, 0, 0]
    assert steps[4] == 1  # closer than a machine length
    assert steps[5:].tolist() == [0, 0]
    page.clock.run_for(6_000)
    go(page, *farm.at(30.0, 40.0))
    go(page, *farm.at(33.0, 40.0))
    quiet = heard(page)[1]
    page.clock.run_for(6_000)
    go(page, *farm.at(36.0, 40.0))
    assert (state(page), heard(page)[1]) == ("following", quiet)
    go(page, WET[0] + closed_at + 16, WET[1])
    go(page, WET[0] + closed_at + 13, WET[1])
    assert heard(page)[1] == quiet + 1  # entered anew


def test_the_verdict_at_200_random_positions_is_pythons(page: Page, walked: Walked) -> None:
    """In and around the field, with accuracies up to 9 m and ways of travel of all directions: the cell's verdict,
    and the state worked out anew from Python's verdicts with shapes instead of cells.

    Less than 0.3 m or 2° from a bound the state is left open.
    """
    survey, drive = walked.survey, drive_of(walked.survey)
    grid, shape = survey.terrain.grid, survey.parcel.shape
    closed = closed_ground(survey, drive)
    rng = np.random.default_rng(20_260_612)
    west, south, east, north = shape.bounds
    place(page, *EVEN)
    begin(page)
    compared: dict[str, int] = {}
    for _ in range(200):
        x, y = rng.uniform(west - 8, east + 8), rng.uniform(south - 8, north + 8)
        accuracy, turn = float(rng.choice([0.5, 3.0, 9.0])), float(rng.uniform(0, 2 * math.pi))
        found = page.evaluate(
            """([x, y, accuracy, way]) => {
              const s = fieldAtlas.state, choice = fieldAtlas.choice(s.machine, s.ground, s.driver);
              return fieldAtlas.watching.judge(choice, { x: x, y: y, accuracy: accuracy }, way, 15);
            }""",
            [x, y, accuracy, math.degrees(turn)],
        )
        state_here = go(page, x, y, accuracy)
        row, col = math.floor((grid.north - y) / grid.cell_y), math.floor((x - grid.west) / grid.cell_x)
        inside = survey.terrain.covered[row, col] > 0
        zone = int(drive.zone[row, col]) if inside else 255
        assert found["zone"] == zone
        assert page.evaluate("fieldAtlas.watchNow().found.zone") == zone
        assert (state_here == "outside") == (zone == 255)
        wanted = expected(zone, closed, (x, y), accuracy, turn)
        if wanted:
            assert found["state"] == wanted, (x, y, accuracy, math.degrees(turn))
            compared[wanted] = compared.get(wanted, 0) + 1
    assert sum(compared.values()) > 170
    assert set(compared) == {"following", "near", "inside", "across", "outside"}


def expected(zone: int, closed: BaseGeometry, at: tuple[float, float], accuracy: float, turn: float) -> str | None:
    """The state by shapes; None too near a bound to tell. The bands fall due south, straight down is south."""
    if zone == 255:
        return "outside"
    off = points(*at).distance(closed) - accuracy
    if abs(off) < 0.01:
        return None
    if off < 0:
        return "inside"
    if zone == Zone.UP_DOWN:
        across = math.degrees(math.acos(abs(math.cos(turn))))
        if abs(across - 15) < 2:
            return None
        if across > 15:
            return "across"
    far = 300.0
    way = LineString([at, (at[0] + far * math.sin(turn), at[1] + far * math.cos(turn))])
    bands = [way.buffer(max(accuracy, 1.15) + k, cap_style="flat") for k in (-0.3, 0.0, 0.3)]
    left = [points(*at).distance(part.intersection(closed)) - accuracy for part in bands]
    near = {bool(m <= NEAR_M) for m in left} | {bool(m - 0.3 <= NEAR_M) for m in left}
    return None if len(near) > 1 else "near" if near == {True} else "following"
