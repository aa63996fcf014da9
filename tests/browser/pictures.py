"""Screenshots for README, taken from a built atlas: python tests/browser/pictures.py BUILD_DIR OUT_DIR

The clock stands a quarter of an hour after the map was made, so that releases show as they did that morning.
Pictures are cut to palettes of greys: the pages are black on white, and the repository stays small.
"""

from __future__ import annotations

import io
import json
import sys
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from browsing import chromium_path
from PIL import Image
from playwright.sync_api import Browser, sync_playwright

GREYS = 16


@dataclass(frozen=True)
class Shot:
    """One picture: a page of the atlas on a screen of this size, in CSS pixels."""

    name: str
    page: str
    width: int
    height: int


def take(atlas: Path, out: Path) -> list[Path]:
    """Write the overview, two sheets and a machine card as PNG files into `out`."""
    data = json.loads((atlas / "data" / "atlas.json").read_bytes())
    made = datetime.fromisoformat(data["edition"]["issued_at"])
    out.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
        written = [_shoot(browser, atlas, out, shot, made + timedelta(minutes=15)) for shot in shots(data)]
        browser.close()
    return written


def shots(data: dict[str, Any]) -> list[Shot]:
    """Of the released fields the one with most hazards, and of all others the largest."""
    fields = data["fields"]
    released = max((f for f in fields if f["released"]), key=lambda f: len(f["hazards"]), default=fields[0])
    closed = max((f for f in fields if not f["released"]), key=lambda f: f["area_m2"], default=fields[-1])
    return [
        Shot("overview", "index.html", 1000, 1000),
        Shot("sheet", released["page"], 800, 1280),
        Shot("sheet-phone", closed["page"], 390, 844),
        Shot("machine", "machines.html", 800, 900),
    ]


def _shoot(browser: Browser, atlas: Path, out: Path, shot: Shot, at: datetime) -> Path:
    context = browser.new_context(
        viewport={"width": shot.width, "height": shot.height}, offline=True, timezone_id="UTC", locale="en-GB"
    )
    page = context.new_page()
    page.clock.install(time=at)
    page.goto((atlas / shot.page).resolve().as_uri(), wait_until="load")
    page.clock.run_for(2000)
    page.wait_for_timeout(500)
    raw = page.screenshot(animations="disabled")
    context.close()
    file = out / f"{shot.name}.png"
    picture = Image.open(io.BytesIO(raw)).convert("L").quantize(GREYS, dither=Image.Dither.NONE)
    picture.save(file, optimize=True)
    return file


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("usage: python tests/browser/pictures.py BUILD_DIR OUT_DIR")
    for path in take(Path(sys.argv[1]), Path(sys.argv[2])):
        print(f"{path} ({path.stat().st_size // 1024} KB)")
