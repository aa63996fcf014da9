"""A sheet in a worker's hand: the first screen, the tap, what stands when something is missing, and paper."""

from __future__ import annotations

import io
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browsing import too_wide, violations, visiting
from made_sheet import made_context, made_survey
from PIL import Image
from playwright.sync_api import Browser, Page
from shapely.geometry import Polygon
from sheets import choose, open_sheet, write_sheet

from atlas import words
from atlas.driving.records import ZONE_KEYS
from atlas.farm.backdrop import AerialPicture
from atlas.grid import Bounds
from atlas.pages.context import PageContext
from atlas.survey import FieldSurvey

SCREENS = {"tablet upright": (800, 1280), "tablet flat": (1280, 800), "phone": (360, 740)}
DPI = 400


@pytest.fixture(scope="module")
def ctx() -> PageContext:
    return made_context()


@pytest.fixture(scope="module")
def survey(ctx: PageContext) -> FieldSurvey:
    return made_survey(ctx, east_m=150, north_m=110)


@pytest.fixture(scope="module")
def sheet(survey: FieldSurvey, ctx: PageContext, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sheet(tmp_path_factory.mktemp("sheet"), survey, ctx)


@pytest.fixture
def page(sheet: Path, browser: Browser) -> Iterator[Page]:
    with visiting(browser, 800, 1280, has_touch=True) as visit:
        yield open_sheet(visit, sheet)
        visit.check_quiet()


@pytest.mark.parametrize("screen", SCREENS)
def test_the_first_screen_says_where_not_to_drive(sheet: Path, browser: Browser, screen: str) -> None:
    """Without a touch: release, choice, sentences, the map's beginning, whom to ring; in this order on upright
    screens."""
    width, height = SCREENS[screen]
    with visiting(browser, width, height) as visit:
        page = open_sheet(visit, sheet)
        parts = ["h1", ".release", ".choose", ".where-not.moving", "#map_field", ".first-ring"]
        boxes = {p: page.locator(p).bounding_box() for p in parts}
        for part, box in boxes.items():
            assert box is not None, part
            assert box["y"] < height, part
            if part != "#map_field":
                assert box["y"] + box["height"] <= height, part
        tops = [boxes[p]["y"] for p in parts[:4]]  # type: ignore[index]  # none is None, checked above
        assert tops == sorted(tops)
        assert page.locator('a[href="tel:112"]').is_visible()
        visit.check_quiet()


@pytest.mark.parametrize("screen", [*SCREENS.values(), (390, 844), (320, 568)])
def test_what_is_chosen_can_be_read_whole(sheet: Path, browser: Browser, screen: tuple[int, int]) -> None:
    """Every machine, ground and driver, by words that wrap; the select that takes the touch lies over them."""
    with visiting(browser, *screen, has_touch=True) as visit:
        page = open_sheet(visit, sheet)
        for pick in ("machine", "ground", "driver"):
            select = page.locator(f"[data-pick={pick}]")
            options = select.evaluate("select => [...select.options].map(o => [o.value, o.label])")
            assert len(options) >= 2
            for value, label in options:
                select.select_option(value)
                shown = select.evaluate(
                    """select => {
                      const word = select.previousElementSibling, of = word.parentElement.getBoundingClientRect();
                      const words = document.createRange();
                      words.selectNodeContents(word);
                      const inked = words.getBoundingClientRect(), over = select.getBoundingClientRect();
                      const holds = (a, b) => a.left <= b.left && a.top <= b.top && a.right >= b.right
                        && a.bottom >= b.bottom;
                      return [word.innerText, holds(of, inked), holds(over, inked), of.right <= innerWidth];
                    }"""
                )
                assert shown == [label, True, True, True], pick
        assert too_wide(page) == []
        visit.check_quiet()


def test_a_strip_s_slope_map_is_seen_at_once_and_a_note_without_end_keeps_to_the_page(
    ctx: PageContext, tmp_path: Path, browser: Browser
) -> None:
    strip = write_sheet(tmp_path, made_survey(ctx, east_m=12, north_m=110), ctx)
    with visiting(browser, 800, 1280) as visit:
        page = open_sheet(visit, strip)
        box = page.locator("#class-map").bounding_box()
        assert box is not None
        assert box["height"] <= 1280
        page.locator(".keep-off q, .tags q").first.evaluate("q => { q.textContent = 'x'.repeat(3000); }")
        assert page.evaluate("document.documentElement.scrollWidth") == 800
        visit.check_quiet()


def test_what_one_presses_is_large_enough(page: Page) -> None:
    """44 by 44 px, for a thumb in a moving cab."""
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, select, .leaflet-control-zoom a, .tel")]
          .map(e => [e.outerHTML.slice(0, 60), e.getBoundingClientRect()])
          .filter(([, b]) => b.width > 0 && (b.height < 44 || b.width < 30)).map(([html]) => html)"""
    )
    assert small == []


def test_a_tap_tells_the_verdict_of_that_place(page: Page) -> None:
    """A real touch on the screen, at places of every zone the map shows."""
    choose(page, "slope_tractor", "damp", "practised")
    places = page.evaluate(
        """() => {
          const c = fieldAtlas.data.cells, found = {};
          for (let row = 3; row < c.rows - 3; row += 1) {
            for (let col = 3; col < c.cols - 3; col += 1) {
              const zone = fieldAtlas.verdictAt(row, col).zone;
              if (zone !== 255 && !found[zone]) {
                found[zone] = [c.west + (col + 0.5) * c.x, c.north - (row + 0.5) * c.y];
              }
            }
          }
          return found;
        }"""
    )
    assert len(places) >= 3
    for zone, at in places.items():
        page.touchscreen.tap(*on_screen(page, at))
        page.clock.run_for(1000)
        told = page.locator("#told [data-told] p").all_text_contents()
        assert told[0] == words.ZONES[ZONE_KEYS[int(zone)]]
        assert any(re.fullmatch(r"Steepness \d+ % \(\d+°\)\.", line) for line in told)
        assert any(re.fullmatch(r"Largest sideways tilt here \d+ % \(\d+°\)\.", line) for line in told)
        if int(zone):
            assert any(line.startswith("What decided: ") for line in told)
        page.click("[data-do=hush]")
        assert not page.locator("#told").is_visible()


def on_screen(page: Page, at: list[float]) -> tuple[float, float]:
    """Where a place of the terrain's grid is on the screen just now; the map is brought into view."""
    page.locator("#map_field").scroll_into_view_if_needed()
    x, y = page.evaluate(
        """([x, y]) => {
          const p = fieldAtlas.map.latLngToContainerPoint([y, x]), frame = fieldAtlas.map.getContainer();
          const box = frame.getBoundingClientRect();
          return [box.x + frame.clientLeft + p.x, box.y + frame.clientTop + p.y];
        }""",
        at,
    )
    return x, y


def test_a_tap_beside_the_field_knows_nothing(page: Page) -> None:
    corner = page.evaluate("(({ west, north }) => [west + 1, north - 1])(fieldAtlas.data.picture)")
    page.evaluate("at => fieldAtlas.tell(at[0], at[1])", corner)
    told = page.locator("#told [data-told] p").all_inner_texts()
    assert told[0] == "Outside the field: nothing is known of this place."
    assert not any("teepness" in line for line in told)


def test_what_was_told_follows_the_choice(page: Page) -> None:
    page.evaluate("() => { const c = fieldAtlas.data.cells; fieldAtlas.tell(c.west + 60, c.north - 50); }")
    first = page.locator("#told").inner_text()
    choose(page, "bar_mower", "damp", "practised")
    assert page.locator("#told").inner_text() != first


def test_the_middle_can_be_read_by_keyboard(page: Page) -> None:
    page.locator("#map_field").focus()
    page.keyboard.press("Enter")
    assert page.locator("#told .told-verdict").inner_text() != ""


def test_coordinates_told_are_the_places(page: Page, survey: FieldSurvey) -> None:
    """The field's own fit turned round: within a centimetre (10⁻⁷ degree)."""
    assert isinstance(survey.parcel.shape, Polygon)
    x, y = survey.parcel.shape.exterior.coords[3]
    where = page.evaluate("at => fieldAtlas.lonLat(at[0], at[1])", [x, y])
    u, v = where["lon"] - survey.place.lon, where["lat"] - survey.place.lat
    terms = (1.0, u, v, u * u, u * v, v * v)
    fits = (survey.place.fit_x, survey.place.fit_y)
    back = [sum(a * t for a, t in zip(fit, terms, strict=True)) for fit in fits]
    assert back == pytest.approx([x, y], abs=0.01)


def test_every_ground_offered_is_no_better_than_the_released_one(page: Page) -> None:
    offered = page.locator('select[data-pick="ground"] option').evaluate_all("all => all.map(o => o.value)")
    assert offered == ["damp", "wet"]


def test_axe_finds_nothing_while_a_place_is_told(page: Page) -> None:
    page.evaluate("() => { const c = fieldAtlas.data.cells; fieldAtlas.tell(c.west + 60, c.north - 50); }")
    assert violations(page) == []


def test_without_its_data_the_sheet_stands(sheet: Path, browser: Browser, tmp_path: Path) -> None:
    """A script file that did not come along: picture, sentences and numbers are there all the same."""
    alone = tmp_path / "fields" / sheet.name
    alone.parent.mkdir()
    alone.write_bytes(sheet.read_bytes())
    (tmp_path / "assets").symlink_to(sheet.parents[1] / "assets")
    with visiting(browser) as visit:
        page = visit.open(alone)
        assert page.locator("#zone-map").is_visible()
        assert page.locator(".where-not.standing").is_visible()
        assert not page.locator("#map_field").is_visible()
        assert page.locator('a[href="tel:112"]').is_visible()
        assert all("hintere-leitn.js" in e or "ERR_FILE_NOT_FOUND" in e for e in visit.errors)


def test_paper_shows_the_farms_set_whatever_was_chosen(page: Page) -> None:
    choose(page, "bar_mower", "wet", "practised")
    standing = page.locator(".where-not.standing p").all_text_contents()
    page.emulate_media(media="print")
    assert page.locator("#zone-map").is_visible()
    assert not page.locator("#map_field").is_visible()
    assert not page.locator(".choose").is_visible()
    assert page.locator(".where-not.standing p").all_inner_texts() == standing
    shown = page.locator(".choice").inner_text()
    assert shown == "Slope tractor, twin tyres, front mower (example), ground damp, new driver"


def test_the_printed_scale_is_true(page: Page, tmp_path: Path) -> None:
    """Chromium prints to A4; the bar is measured in the pixels of the printed page, within 1 %."""
    pdf = tmp_path / "sheet.pdf"
    page.pdf(path=pdf, prefer_css_page_size=True, print_background=False)
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    scale = int(re.sub(r"\D", "", re.findall(r"1 : ([\d\s\u202f]+) on A4", text)[0]))
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", "-f", "1", "-l", "1", pdf, tmp_path / "p"], check=True)
    paper = np.asarray(Image.open(next(tmp_path.glob("p-*.pgm"))))
    assert paper.shape == pytest.approx((297 / 25.4 * DPI, 210 / 25.4 * DPI), abs=2)
    metres = int(page.locator("#zone-map .scale-bar").get_attribute("data-metres") or 0)
    assert bar_mm(paper, pdf) * scale / 1000 == pytest.approx(metres, rel=0.01)


def bar_mm(paper: np.ndarray, pdf: Path) -> float:
    """Width on paper of the scale bar, edge to edge; it stands left of the line that names the terrain."""
    boxes = subprocess.run(["pdftotext", "-bbox", pdf, "-"], capture_output=True, text=True, check=True).stdout
    found = re.search(r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">Terrain:', boxes)
    assert found is not None
    right, top, bottom = (float(v) / 72 * DPI for v in found.groups())
    part = paper[round(top) : round(bottom), : round(right - 15 / 25.4 * DPI)]  # north arrow left out
    columns = np.flatnonzero((part < 100).mean(axis=0) > 0.5)
    return float(columns[-1] + 1 - columns[0]) / DPI * 25.4


def test_the_aerial_picture_takes_the_place_of_the_shading(
    survey: FieldSurvey, ctx: PageContext, browser: Browser, tmp_path: Path
) -> None:
    """Pressed and pressed again; the verdicts lie over either, and paper keeps the shading."""
    jpeg = io.BytesIO()
    Image.new("L", (40, 30), 20).save(jpeg, "JPEG")
    box = Bounds(*survey.parcel.shape.bounds).grown(30)
    with visiting(browser) as visit:
        seen = replace(survey, aerial=AerialPicture(box, jpeg.getvalue()))
        page = open_sheet(visit, write_sheet(tmp_path, seen, ctx))
        painted = page.evaluate("fieldAtlas.picture.querySelector('.zone.keep_out').getAttribute('d')")
        bright = np.asarray(Image.open(io.BytesIO(page.locator("#map_field").screenshot()))).mean()
        page.click("[data-do=aerial]")
        dark = np.asarray(Image.open(io.BytesIO(page.locator("#map_field").screenshot()))).mean()
        assert dark < bright - 20
        assert page.locator("[data-do=aerial]").get_attribute("aria-pressed") == "true"
        assert page.evaluate("fieldAtlas.picture.querySelector('.zone.keep_out').getAttribute('d')") == painted
        assert page.locator("#zone-map .aerial").count() == 0
        page.click("[data-do=aerial]")
        assert page.locator(".aerial").count() == 0
        visit.check_quiet()
