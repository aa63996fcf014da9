"""What a mark closes on the device at once, held against the farm's own distances; none opens anything."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
from made_sheet import NOW, made_context, made_survey
from mark_fixtures import MAY_3
from playwright.sync_api import Browser, Page
from sheets import until, write_sheet
from tablets import begin, corner, kept, mark_by_taps, marks_of, stand_at, tablet, touch


def test_a_slip_closes_its_place_at_once(marking: Page) -> None:
    """From the finger on, without another press: as far as the farm's sums would close it, whatever machine."""
    spot = mark_by_taps(marking, "slip", "tap", [corner(marking, 22, 24)])[0]
    (mark,) = marks_of(marking)
    machine = next(iter(marking.evaluate("fieldAtlas.data.machines")))
    reach = 5.0 + mark["accuracy"] + machine["half_extent"]
    rng = np.random.default_rng(5)
    inside, outside = 0, 0
    for east, north in rng.uniform(-14, 14, (200, 2)):
        away = float(np.hypot(east, north))
        if abs(away - reach) < 0.02:
            continue  # longitude and latitude are rounded to a centimetre
        closed = marking.evaluate("p => fieldAtlas.closedHere(p[0], p[1])", [spot[0] + east, spot[1] + north])
        assert (closed is not None) == (away < reach)
        inside, outside = inside + (away < reach), outside + (away > reach)
    assert min(inside, outside) > 30
    touch(marking, (spot[0] + 3, spot[1] + 3))
    told = marking.locator("#told [data-told] p").all_text_contents()
    assert told[0] == "keep out"
    assert "a machine slipped here" in told[1]
    assert "mark A" in marking.locator("[data-mark=banner]").inner_text()


def test_closed_cells_are_hatched_and_none_too_few(marking: Page) -> None:
    """Every page cell any part of which lies within the distance, and no cell further off than its own size."""
    spot = mark_by_taps(marking, "slip", "tap", [corner(marking, 22, 24)])[0]
    (mark,) = marks_of(marking)
    data = marking.evaluate("(({ cells, machines }) => ({ cells, machines }))(fieldAtlas.data)")
    cells, reach = data["cells"], 5.0 + mark["accuracy"] + data["machines"][0]["half_extent"]
    path = marking.evaluate("fieldAtlas.picture.querySelector('.own-closed').getAttribute('d')")
    hatched = filled(path, cells["rows"], cells["cols"])
    cols, rows = np.meshgrid(np.arange(cells["cols"]), np.arange(cells["rows"]))
    west, north = cells["west"] + cols * cells["x"], cells["north"] - rows * cells["y"]
    near_x = np.clip(spot[0], west, west + cells["x"]) - spot[0]
    near_y = np.clip(spot[1], north - cells["y"], north) - spot[1]
    nearest = np.hypot(near_x, near_y)
    assert hatched[nearest < reach - 0.02].all()
    assert not hatched[nearest > reach + max(cells["x"], cells["y"])].any()
    assert 100 < hatched.sum() < hatched.size / 2


def filled(path: str, rows: int, cols: int) -> np.ndarray:
    """Cells inside rings of unit steps ("M3 4h2v5h-2z…"), by counting edges to the left of each."""
    edges = np.zeros((rows, cols + 1), dtype=int)
    for x0, y0, steps in re.findall(r"M(\d+) (\d+)([^Mz]*)z", path):
        x, y = int(x0), int(y0)
        for letter, step in [*re.findall(r"([hv])(-?\d+)", steps), ("", "0")]:
            if letter == "h":
                x += int(step)
            elif letter == "v":
                low, high = sorted((y, y + int(step)))
                edges[low:high, x] += 1
                y += int(step)
        low, high = sorted((y, int(y0)))
        edges[low:high, x] += 1  # the side that closes the ring
    return np.asarray(np.cumsum(edges, axis=1)[:, :-1] % 2 == 1)


def test_a_mark_never_opens_ground(marking: Page) -> None:
    """A wet spot that a boot only prints closes nothing, and what the map says there stays word for word."""
    at = corner(marking, 30, 12)
    before = marking.evaluate("p => fieldAtlas.tellAt(0, p[0], p[1])", list(at))
    mark_by_taps(marking, "wet_spot", "tap", [at], 1)
    assert marking.evaluate("p => fieldAtlas.closedHere(p[0], p[1])", list(at)) is None
    after = marking.evaluate("p => fieldAtlas.tellAt(0, p[0], p[1])", list(at))
    assert after[: len(before)] == before
    assert "wet spot, boot prints stay" in after[-1]


def test_following_warns_of_a_place_closed_on_the_device(
    browser: Browser, mark_sheet: Path, tmp_path: Path
) -> None:
    """On ground that the map leaves open and a slip closes: inside, named by the mark; taken back, no longer."""
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        spot = page.evaluate(
            """() => {
              const c = fieldAtlas.data.cells, s = fieldAtlas.state;
              const zones = fieldAtlas.gridOf(fieldAtlas.choice(s.machine, s.ground, s.driver), 0);
              const open = (r, k) => zones[r * c.cols + k] < 2;
              for (let r = 3; r < c.rows - 3; r += 1) {
                for (let k = 3; k < c.cols - 3; k += 1) {
                  if ([-2, 0, 2].every(i => [-2, 0, 2].every(j => open(r + i, k + j)))) {
                    return [c.west + (k + 0.5) * c.x, c.north - (r + 0.5) * c.y];
                  }
                }
              }
            }"""
        )
        stand_at(page, (spot[0], spot[1]), 1)
        page.tap("button[data-do=watch]")
        until(page, "!['off', 'none', 'inside'].includes(document.documentElement.dataset.watch)")
        begin(page, "slip", "here")
        stand_at(page, (spot[0] + 0.1, spot[1]), 1)  # a device goes on giving positions
        kept(page)
        until(page, "document.documentElement.dataset.watch === 'inside'")
        assert "mark A, a machine slipped here" in page.locator("[data-watch-head]").inner_text()
        page.get_by_text("Take back").tap()
        page.get_by_text("Take it back for good").tap()
        until(page, "document.documentElement.dataset.watch !== 'inside'")


def test_a_field_without_driving_zones_can_be_marked(browser: Browser, tmp_path: Path) -> None:
    """Where the terrain is too coarse for verdicts the map shows slope classes; a slip is hatched there too."""
    ctx = made_context()
    survey = made_survey(ctx, east_m=110, north_m=90)
    coarse = replace(survey, driving=replace(survey.driving, drives=(), tilts=(), why_none="too coarse"))
    with tablet(browser, tmp_path / "profile", write_sheet(tmp_path, coarse, ctx), NOW) as page:
        spot = mark_by_taps(page, "slip", "tap", [corner(page, 50, 45)])[0]
        assert page.evaluate("p => fieldAtlas.closedHere(p[0], p[1]) !== null", list(spot))
        assert page.evaluate("fieldAtlas.picture.querySelector('.own-closed').getAttribute('d').length") > 50
        assert "mark A" in page.locator("[data-mark=banner]").inner_text()


def test_a_wet_spot_said_to_be_worse_is_closed_and_a_better_one_is_not_opened(marking: Page) -> None:
    """The small farm's spot (boot sinks), 20 m into the field: over the ankle now; the last word counts."""
    spot = corner(marking, 20, 20)
    item = marking.locator(".answers").filter(has=marking.locator("[data-do=still]")).nth(0)
    assert marking.evaluate("p => fieldAtlas.closedHere(p[0], p[1])", list(spot)) is None
    painted = marking.evaluate("fieldAtlas.picture.querySelector('.zone.keep_out').getAttribute('d')")
    for severity, closed in (("3", True), ("1", False)):
        item.locator("[data-do=still]").tap()
        marking.tap(f"#mark-dock [data-severity='{severity}']")
        kept(marking)
        found = marking.evaluate("p => fieldAtlas.closedHere(p[0], p[1])", list(spot))
        assert (found is not None) == closed
        if closed:
            assert "wet spot, over the ankle" in found["why"]
            assert marking.locator(".own-closed").count() == 1
    assert marking.evaluate("fieldAtlas.picture.querySelector('.zone.keep_out').getAttribute('d')") == painted
