"""The sums behind the warnings, evaluated in the page: way of travel, near distance, and when a warning sounds."""

from __future__ import annotations

from typing import Any

import pytest
import watched_farm as farm
from playwright.sync_api import Page
from walking import WET

from atlas.errors import SettingsError
from atlas.settings import parse

WET_CLOSED_M = 8.45  # what test_browser_watch.py works out: radius, reach, accuracy, half the machine


@pytest.fixture
def page(walking_page: Page) -> Page:
    return walking_page


def way(page: Page, fixes: list[dict[str, Any]]) -> float | None:
    full = [{"accuracy": 3, "heading": None, "speed": None, **f} for f in fixes]
    found: float | None = page.evaluate("fixes => fieldAtlas.watching.wayOf(fixes)", full)
    return found


def test_the_way_of_travel_comes_from_fixes_far_enough_apart(page: Page) -> None:
    start = {"x": 0, "y": 0, "at": 0}
    assert way(page, [start]) is None
    assert way(page, [start, {"x": 2, "y": 0, "at": 1000}]) is None  # less than what the position jitters by
    assert way(page, [start, {"x": 4, "y": 0, "at": 1000}]) == pytest.approx(90)
    assert way(page, [start, {"x": 0, "y": -4, "at": 1000}]) == pytest.approx(180)
    assert way(page, [start, {"x": 4, "y": 0, "at": 40_000}]) is None  # too long ago to say how it got here
    assert way(page, [start, {"x": 4, "y": 0, "at": 1000}, {"x": 4, "y": 5, "at": 3000}]) == pytest.approx(0)
    assert way(page, [start, {"x": 6, "y": 0, "at": 1000, "accuracy": 9}]) is None
    assert way(page, [start, {"x": 9, "y": 0, "at": 1000, "accuracy": 30}]) == pytest.approx(90)


def test_the_devices_own_heading_counts_while_it_moves(page: Page) -> None:
    moved: list[dict[str, Any]] = [
        {"x": 0, "y": 0, "at": 0},
        {"x": 5, "y": 0, "at": 1000, "heading": 45, "speed": 1.5},
    ]
    assert way(page, moved) == 45
    moved[1]["speed"] = 0.2
    assert way(page, moved) == pytest.approx(90)
    moved[1]["speed"] = None
    assert way(page, moved) == pytest.approx(90)


def judged(page: Page, metres: float, accuracy: float, near: float) -> str:
    """The state on the way to the wet spot with so much left before it, accuracy taken off."""
    x = WET[0] + WET_CLOSED_M + accuracy + metres
    found: dict[str, Any] = page.evaluate(
        """([x, y, accuracy, near]) => {
          const s = fieldAtlas.state, choice = fieldAtlas.choice(s.machine, s.ground, s.driver);
          return fieldAtlas.watching.judge(choice, { x: x, y: y, accuracy: accuracy }, 270, near);
        }""",
        [x, WET[1], accuracy, near],
    )
    return str(found["state"])


def test_the_near_distance_is_the_farms(page: Page) -> None:
    assert page.evaluate("fieldAtlas.data.watch.near_m") == 15
    assert [judged(page, m, 3, 15) for m in (17, 13)] == ["following", "near"]
    assert [judged(page, m, 3, 30) for m in (32, 28)] == ["following", "near"]
    assert [judged(page, m, 3, 5) for m in (7, 3)] == ["following", "near"]


def test_weak_is_worse_than_the_larger_of_ten_metres_and_near(page: Page) -> None:
    assert [judged(page, 40, a, 5) for a in (9.9, 10.1)] == ["following", "weak"]
    assert [judged(page, 40, a, 30) for a in (29.9, 30.1)] == ["following", "weak"]
    assert (
        page.evaluate(
            "() => [NaN, Infinity, undefined, -1].map(a => "
            "fieldAtlas.watching.judge(0, { x: 0, y: 0, accuracy: a }, null, 15).state)"
        )
        == ["weak"] * 4
    )


def test_a_near_distance_out_of_range_is_refused() -> None:
    assert farm.settings(40).watch.near_m == 40
    with pytest.raises(SettingsError, match=r"'watch\.near_m' is 0: "):
        parse({"watch": {"near_m": 0}})


def sounded(page: Page, story: list[tuple[str, int, int]]) -> list[bool]:
    found: list[bool] = page.evaluate(
        "story => { const m = fieldAtlas.watching.memory(); return story.map(s => m(s[0], s[1], s[2])); }", story
    )
    return found


def test_a_state_is_sounded_when_entered_and_when_it_gets_worse(page: Page) -> None:
    story = [
        ("following", 1, 0), ("near", 1, 1000), ("near", 1, 30_000), ("near", 2, 31_000), ("near", 1, 32_000),
        ("near", 2, 33_000), ("inside", 1, 34_000), ("inside", 2, 35_000), ("near", 1, 36_000),
        ("following", 1, 40_000), ("near", 1, 41_500), ("weak", 1, 42_000), ("inside", 1, 43_000),
    ]  # fmt: skip
    assert sounded(page, story) == [
        False, True, False, True, False, False, True, True, False, False, True, True, True,
    ]  # fmt: skip
