"""A worker's tablet for browser tests: a browser profile on disk that outlives its page, touch, no network."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from browsing import INSIDE, chromium_path
from playwright.sync_api import Browser, Page
from sheets import until

Spot = tuple[float, float]


@contextmanager
def tablet(
    browser: Browser, profile: Path, page_file: Path, at: datetime, script: str = "", **more: Any
) -> Iterator[Page]:
    """A sheet open on a tablet; whatever the page complains of or asks of the network fails the test on closing.

    The same `profile` is the same tablet: what was kept there is there again. `script` runs before the page's own.
    """
    settings: dict[str, Any] = {
        "viewport": {"width": 820, "height": 1180}, "has_touch": True, "offline": True,
        "permissions": ["geolocation"], "accept_downloads": True,
        "executable_path": chromium_path(), "args": ["--no-sandbox"], **more,
    }  # fmt: skip
    context = browser.browser_type.launch_persistent_context(profile, **settings)
    wrong: list[str] = []
    try:
        page = context.pages[0]
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
        page.on("request", lambda r: wrong.append(r.url) if r.url.split(":", 1)[0] not in INSIDE else None)
        page.clock.install(time=at)
        if script:
            page.add_init_script(script)
        page.goto(page_file.resolve().as_uri())
        until(page, "document.documentElement.classList.contains('ready') && fieldAtlas.marks.how !== ''")
        yield page
        assert wrong == []
    finally:
        context.close()


def on_screen(page: Page, at: Spot) -> Spot:
    """Where a place of the terrain's grid is on the screen just now."""
    x, y = page.evaluate(
        """([x, y]) => {
          const p = fieldAtlas.map.latLngToContainerPoint([y, x]), frame = fieldAtlas.map.getContainer();
          const box = frame.getBoundingClientRect();
          return [box.x + frame.clientLeft + p.x, box.y + frame.clientTop + p.y];
        }""",
        list(at),
    )
    return x, y


def touch(page: Page, at: Spot) -> Spot:
    """Touch the map at a place of the terrain's grid; the place under the whole pixel that was touched."""
    x, y = (round(v) for v in on_screen(page, at))
    found = page.evaluate(
        """([x, y]) => {
          const frame = fieldAtlas.map.getContainer(), box = frame.getBoundingClientRect();
          const at = [x - box.x - frame.clientLeft, y - box.y - frame.clientTop];
          const p = fieldAtlas.map.containerPointToLatLng(at);
          return [p.lng, p.lat];
        }""",
        [x, y],
    )
    page.touchscreen.tap(x, y)
    page.clock.run_for(1000)
    return found[0], found[1]


def until_said(page: Page, part: str, words: str) -> None:
    """Wait until a part of the form says these words."""
    until(page, f"document.querySelector('[data-mark={part}]').textContent.includes({json.dumps(words)})")


def begin(page: Page, kind: str, how: str, severity: int | None = None) -> None:
    """From the map's own button to where the place is given."""
    page.tap(".map-buttons [data-do=mark]")
    page.tap(f"#mark-dock [data-kind={kind}]")
    if severity:
        page.tap(f"#mark-dock [data-severity='{severity}']")
    page.tap(f"#mark-dock [data-place={how}]")


def kept(page: Page, note: str = "", by: str = "") -> None:
    """Wait until the form says that the mark is kept, write into it, and put it away."""
    until_said(page, "kept", "Kept on this device")
    if note or by:
        page.fill("[data-mark=note]", note)
        page.fill("[data-mark=by]", by)
    page.tap("[data-do=mark-finish]")
    page.evaluate("fieldAtlas.marks.ready")


def mark_by_taps(
    page: Page, kind: str, how: str, spots: list[Spot], severity: int | None = None, **words: str
) -> list[Spot]:
    begin(page, kind, how, severity)
    places = [touch(page, spot) for spot in spots]
    if not (kind == "slip" and how == "tap"):
        page.tap("[data-do=mark-done]")
    kept(page, **words)
    return places


def stand_at(page: Page, at: Spot, accuracy: float) -> None:
    """Put the device at a place of the terrain's grid."""
    where = page.evaluate("([x, y]) => fieldAtlas.lonLat(x, y)", list(at))
    page.context.set_geolocation({"longitude": where["lon"], "latitude": where["lat"], "accuracy": accuracy})


def save_file(page: Page, folder: Path, button: str = "mark-save") -> Path:
    """Press the button that saves; the file as the browser downloaded it."""
    with page.expect_download() as waiting:
        page.tap(f"[data-do={button}]")
    path = folder / waiting.value.suggested_filename
    waiting.value.save_as(path)
    return path


def marks_of(page: Page) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = page.evaluate("fieldAtlas.marks.list")
    return found


def corner(page: Page, east: float, north: float) -> Spot:
    """A place by metres from the field's south-west."""
    x, y = page.evaluate("(() => { const c = fieldAtlas.data.cells; return [c.west, c.north - c.rows * c.y]; })()")
    return x + east, y + north
