"""The device's position on a sheet: from longitude and latitude to terrain metres, and all it can lack."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import visiting
from made_sheet import made_context, made_survey
from playwright.sync_api import Browser, Page
from sheets import open_sheet, until, write_sheet

ALLOWED: dict[str, Any] = {"permissions": ["geolocation"]}
FOLLOW = """() => {
  window.heard = [];
  window.stop = fieldAtlas.position.follow(f => heard.push(f), r => heard.push(r));
}"""


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    ctx = made_context()
    return write_sheet(tmp_path_factory.mktemp("sheet"), made_survey(ctx, east_m=150, north_m=110), ctx)


@pytest.fixture
def page(sheet: Path, browser: Browser) -> Iterator[Page]:
    with visiting(browser, **ALLOWED) as visit:
        yield open_sheet(visit, sheet)
        visit.check_quiet()


def stand_at(page: Page, x: float, y: float, accuracy: float = 3.0) -> dict[str, float]:
    """Put the device at a place of the terrain's grid."""
    at: dict[str, float] = page.evaluate("([x, y]) => fieldAtlas.lonLat(x, y)", [x, y])
    page.context.set_geolocation({"longitude": at["lon"], "latitude": at["lat"], "accuracy": accuracy})
    return at


def middle(page: Page) -> tuple[float, float]:
    x, y = page.evaluate("(() => { const c = fieldAtlas.data.cells; return [c.west + 60.25, c.north - 40.5]; })()")
    return x, y


def test_a_fix_is_where_it_was_set(page: Page) -> None:
    x, y = middle(page)
    at = stand_at(page, x, y, accuracy=4.5)
    page.evaluate(FOLLOW)
    until(page, "heard.length === 1")
    stand_at(page, x + 3, y)
    until(page, "heard.length === 2")
    first, second = page.evaluate("heard")
    assert (first["x"], first["y"]) == pytest.approx((x, y), abs=0.01)
    assert (second["x"], second["y"]) == pytest.approx((x + 3, y), abs=0.01)
    assert (first["lon"], first["lat"], first["accuracy"]) == pytest.approx((at["lon"], at["lat"], 4.5))
    page.evaluate("stop()")
    stand_at(page, x, y)
    page.clock.run_for(20_000)
    assert page.evaluate("heard.length") == 2


def test_one_fix_on_asking(page: Page) -> None:
    x, y = middle(page)
    stand_at(page, x, y)
    page.evaluate("() => { window.heard = []; fieldAtlas.position.once(f => heard.push(f), r => heard.push(r)); }")
    until(page, "heard.length === 1")
    assert page.evaluate("[heard[0].x, heard[0].y]") == pytest.approx([x, y], abs=0.01)


def test_a_fix_that_stays_away_is_said_once(page: Page) -> None:
    x, y = middle(page)
    stand_at(page, x, y)
    page.evaluate(FOLLOW)
    until(page, "heard.length === 1")
    page.clock.run_for(6_000)
    assert page.evaluate("heard.length") == 1
    page.clock.run_for(10_000)
    assert page.evaluate("heard.slice(1)") == ["stale"]
    stand_at(page, x + 1, y)
    until(page, "heard.length === 3")
    assert page.evaluate("heard[2].x") == pytest.approx(x + 1, abs=0.01)


@pytest.mark.parametrize(
    ("spoilt", "reason"),
    [
        ("Object.defineProperty(Navigator.prototype, 'geolocation', { value: undefined })", "none"),
        ("Object.defineProperty(window, 'isSecureContext', { value: false })", "insecure"),
        ("", "denied"),
    ],
)
def test_where_no_position_is_to_be_had_the_reason_has_a_sentence(
    sheet: Path, browser: Browser, spoilt: str, reason: str
) -> None:
    with visiting(browser, permissions=[]) as visit:
        visit.page.add_init_script(spoilt)
        page = open_sheet(visit, sheet)
        page.evaluate(FOLLOW)
        until(page, "heard.length === 1")
        assert page.evaluate("heard") == [reason]
        assert len(page.evaluate("fieldAtlas.position.why(heard[0])")) > 20
        visit.check_quiet()


def test_a_true_heading_turns_with_the_grid(page: Page) -> None:
    """The grid of the made sheet is square to the meridian up to its fit: east stays east, north stays north."""
    found = page.evaluate(
        """() => {
          const coords = { longitude: 10.3, latitude: 46.9, accuracy: 3, speed: 1.5 }, out = [];
          const watch = Geolocation.prototype.watchPosition;
          Geolocation.prototype.watchPosition = function (ok) {
            [0, 90, 180, 270, NaN, null].forEach(function (heading, k) {
              ok({ timestamp: k, coords: Object.assign({ heading: heading }, coords) });
            });
            return 1;
          };
          fieldAtlas.position.follow(f => out.push(f.heading), r => out.push(r))();
          Geolocation.prototype.watchPosition = watch;
          return out;
        }"""
    )
    assert found[:4] == pytest.approx([0, 90, 180, 270], abs=0.01)
    assert found[4:] == [None, None]
