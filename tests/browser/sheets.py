"""Sheets for browser tests: fields of the demo with their surveys, and made fields written as a small atlas."""

from __future__ import annotations

from base64 import b64decode
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from browsing import DEMO_NOW, Visit
from playwright.sync_api import Page

from atlas.driving.machines import rig
from atlas.farm.opening import open_farm
from atlas.grid import Bytes, Floats
from atlas.pages.assets import asset_files, edition_script
from atlas.pages.context import PageContext, page_context
from atlas.pages.sheet import field_sheet
from atlas.settings import Settings
from atlas.survey import FieldSurvey, survey_field


def surveys(farm_file: Path, settings: Settings, slugs: set[str]) -> dict[str, FieldSurvey]:
    """The named fields, surveyed as the build did. Raises KeyError for a field that is not there."""
    farm = open_farm(farm_file, settings, DEMO_NOW)
    try:
        of_slug = {p.slug: p for p in farm.parcels}
        machines = rig(settings)
        return {slug: survey_field(farm, of_slug[slug], settings, machines) for slug in slugs}
    finally:
        farm.terrain.close()  # type: ignore[attr-defined]  # the opened terrain has it, the protocol need not


def context(farm_file: Path, settings: Settings) -> PageContext:
    farm = open_farm(farm_file, settings, DEMO_NOW)
    try:
        return page_context(farm, settings, rig(settings), 1, DEMO_NOW)
    finally:
        farm.terrain.close()  # type: ignore[attr-defined]  # as above


def write_sheet(folder: Path, survey: FieldSurvey, ctx: PageContext) -> Path:
    """One sheet with its assets in a folder of its own; its page."""
    files = {
        **field_sheet(survey, ctx),
        **asset_files(),
        "assets/edition.js": edition_script(ctx.number, ctx.issued_at),
    }
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder / next(n for n in files if n.startswith("fields/") and n.endswith(".html"))


def open_sheet(visit: Visit, page_file: Path, at: str = "2026-06-12T08:00:00Z") -> Page:
    """A sheet at a set time, ready to be used."""
    visit.page.clock.install(time=at)
    page = visit.open(page_file)
    page.wait_for_function("document.documentElement.classList.contains('ready')")
    return page


def until(page: Page, truth: str, patience: int = 1200) -> None:
    """Wait for an expression to hold. The page's policy forbids Playwright's own way, which evaluates text in it.

    Raises AssertionError where it never does.
    """
    for _ in range(patience):
        if page.evaluate(truth):
            return
        page.wait_for_timeout(25)
    raise AssertionError(f"never came true: {truth}")


def choose(page: Page, machine: str, ground: str, driver: str) -> None:
    page.evaluate("c => fieldAtlas.choose(c[0], c[1], c[2])", [machine, ground, driver])


# Whole grids travel as base 64: a list of numbers would take the browser's wire a hundred times longer.
_BYTES = """array => {
  const raw = new Uint8Array(array.buffer, array.byteOffset, array.byteLength);
  let text = "";
  for (let k = 0; k < raw.length; k += 8192) { text += String.fromCharCode(...raw.subarray(k, k + 8192)); }
  return btoa(text);
}"""


@dataclass(frozen=True)
class Repainted:
    """What the page holds for the chosen machine, ground and driver: (rows, cols) each, and what it painted."""

    zone: Bytes
    reason: Bytes
    flags: Bytes
    painted: dict[str, str]
    strokes: str


def repainted(page: Page) -> Repainted:
    found = page.evaluate(
        f"""() => {{
          const bytes = {_BYTES}, atlas = fieldAtlas, s = atlas.state, painted = {{}};
          const choice = atlas.choice(s.machine, s.ground, s.driver);
          atlas.picture.querySelectorAll("[data-zone]").forEach(p => {{
            painted[p.dataset.zone] = p.getAttribute("d");
          }});
          return {{ rows: atlas.data.cells.rows, painted: painted,
            parts: [0, 1, 2].map(part => bytes(atlas.gridOf(choice, part))),
            strokes: atlas.picture.querySelector(".zones > .plumb").getAttribute("d") }};
        }}"""
    )
    grids = [np.frombuffer(b64decode(part), np.uint8).reshape(found["rows"], -1) for part in found["parts"]]
    return Repainted(grids[0], grids[1], grids[2], found["painted"], found["strokes"])


def stances(page: Page, machine: str) -> Floats:
    """Steepness, roll, pitch and stance gradient that the page tells at each of its cells, (rows, cols, 4)."""
    found = page.evaluate(
        f"""key => {{
          const bytes = {_BYTES}, cells = fieldAtlas.data.cells, out = [];
          const machine = fieldAtlas.data.machines.find(one => one.key === key);
          for (let r = 0; r < cells.rows; r += 1) {{
            for (let c = 0; c < cells.cols; c += 1) {{
              const s = fieldAtlas.standAt(machine, r, c);
              out.push(s.steep, s.anyRoll, s.anyPitch, s.anyStance);
            }}
          }}
          return [cells.rows, cells.cols, bytes(new Float64Array(out))];
        }}""",
        machine,
    )
    return np.frombuffer(b64decode(found[2]), np.float64).reshape(found[0], found[1], 4)


def unpacked(page: Page, text: str) -> bytes:
    """What the page's own unpacking makes of a text."""
    return b64decode(page.evaluate(f"text => ({_BYTES})(fieldAtlas.unpack(text))", text))
