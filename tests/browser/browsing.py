"""What browser tests share: a page opened from disk, and everything it asked for or complained about."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser, Locator, Page

# The second morning after the demo's storm: some fields are released.
DEMO_NOW = datetime(2026, 6, 12, 8, 0, tzinfo=UTC)
INSIDE = ("file", "data", "blob", "about")
WIDTHS = (360, 800, 1280)


def chromium_path() -> str:
    """What starts Chromium. A machine without it cannot run these tests, and must not pass them by."""
    if not (shutil.which("chromium") or shutil.which("chromium-browser")):
        raise RuntimeError("Chromium is missing: install Debian's package 'chromium' (apt-get install chromium).")
    return str(Path(__file__).with_name("chromium.sh"))


@dataclass
class Visit:
    """An open page and what was wrong with it."""

    page: Page
    outside: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def open(self, path: Path, part: str = "") -> Page:
        self.page.goto(path.resolve().as_uri() + part, wait_until="load")
        return self.page

    def check_quiet(self) -> None:
        """Nothing was asked of the network and nothing went wrong."""
        assert self.outside == [], "asked for something outside the atlas"
        assert self.errors == [], "the browser complained"


@contextmanager
def visiting(browser: Browser, width: int = 800, height: int = 1000, **context: Any) -> Iterator[Visit]:
    """A page without network. `context` are Playwright's own switches (java_script_enabled, bypass_csp)."""
    with_rules = browser.new_context(viewport={"width": width, "height": height}, offline=True, **context)
    page = with_rules.new_page()
    visit = Visit(page)
    page.on("request", lambda r: _note_request(visit, r.url))
    page.on("websocket", lambda w: visit.outside.append(w.url))
    page.on("pageerror", lambda e: visit.errors.append(str(e)))
    page.on("console", lambda m: visit.errors.append(m.text) if m.type == "error" else None)
    page.on("requestfailed", lambda r: visit.errors.append(f"not loaded: {r.url}"))
    page.on("dialog", lambda d: _note_dialog(visit, d))
    try:
        yield visit
    finally:
        with_rules.close()


def follow(page: Page, link: Locator | str, to: str) -> None:
    """Press a link and wait until the page it leads to is there, whole; `to` is how its address ends.

    A click alone comes back before the next page is read, and what is then counted may be nothing yet.
    """
    with page.expect_navigation(url=re.compile(to + "$"), wait_until="load"):
        (page.locator(link) if isinstance(link, str) else link).click()


def pages_of(atlas: Path) -> list[Path]:
    """Every page of an atlas."""
    return sorted(atlas.rglob("*.html"))


def violations(page: Page) -> list[str]:
    """What axe finds, one line each. Its stylesheet preload fails on a page from disk, so it runs without."""
    found = Axe().run(page, options={"preload": False, "resultTypes": ["violations"]})
    return [
        f"{v['id']}: {v['help']}: {[n['target'] for n in v['nodes']][:5]}" for v in found.response["violations"]
    ]


def too_wide(page: Page) -> list[str]:
    """Elements that make the page wider than the screen; [] when nothing does."""
    found: list[str] = page.evaluate(
        """() => {
          const root = document.documentElement;
          const screen = root.clientWidth;
          if (root.scrollWidth <= screen && document.body.scrollWidth <= screen) { return []; }
          const all = [...document.body.querySelectorAll("*")];
          const wide = all.filter(e => e.getBoundingClientRect().right > screen + 1).slice(0, 8);
          return wide.map(e => e.tagName + "." + e.getAttribute("class")).concat(["" + root.scrollWidth]);
        }"""
    )
    return found


@dataclass(frozen=True)
class Ink:
    """What a piece of the page shows: share of nearly black pixels, and how many greys there are."""

    dark: float
    greys: int


def ink(piece: Locator) -> Ink:
    grey = np.asarray(Image.open(io.BytesIO(piece.screenshot())).convert("L"))
    return Ink(float((grey < 80).mean()), len(np.unique(grey)))


def _note_request(visit: Visit, url: str) -> None:
    if url.split(":", 1)[0] not in INSIDE:
        visit.outside.append(url)


def _note_dialog(visit: Visit, dialog: Any) -> None:
    visit.errors.append(f"a dialog opened: {dialog.message}")
    dialog.dismiss()
