"""The form of a mark: text stays text, pictures are made small, buttons suit a glove, paper shows none of it."""

from __future__ import annotations

import base64
import io
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browsing import violations
from made_sheet import NOW, made_context, made_survey
from mark_fixtures import LATER, MAY_3, SETTINGS
from PIL import Image
from playwright.sync_api import Browser, Page
from sheets import until, write_sheet
from tablets import begin, corner, mark_by_taps, marks_of, save_file, tablet, touch, until_said

from atlas.farm.takein import take_in

HOSTILE = "</script><img src=x onerror=\"window.ran = 1\"> & 'half' \u202e`${window.ran = 2}`\u0007"


def test_hostile_text_stays_text_and_is_taken_in(marking: Page, home: Path, tmp_path: Path) -> None:
    """The farm's reader refuses markup and control signs: the device writes neither, and shows what it keeps."""
    mark_by_taps(marking, "obstacle", "tap", [corner(marking, 22, 24)], note=HOSTILE, by=HOSTILE)
    until(marking, "fieldAtlas.marks.list[0].note !== ''")
    assert "onerror" in marking.locator("[data-mark=list] q").inner_text()
    assert marking.locator("[onerror], img[src=x], main script:not([src]):has-text('ran')").count() == 0
    assert marking.evaluate("window.ran") is None
    report = take_in(home, [save_file(marking, tmp_path)], now=LATER, settings=SETTINGS)
    assert [(row.status, row.why) for row in report.rows] == [("new", "")]


def test_the_longest_note_and_name_are_taken_in(marking: Page, home: Path, tmp_path: Path) -> None:
    """Signs that count for two in the browser: no half of one is left at the end."""
    mark_by_taps(
        marking,
        "obstacle",
        "tap",
        [corner(marking, 22, 24)],
        note="a" + "\U0001f69c" * 400,
        by="b" + "\U0001f69c" * 99,
    )
    until(marking, "fieldAtlas.marks.list[0].note !== ''")
    file = save_file(marking, tmp_path)
    told = json.loads(file.read_bytes())["features"][0]["properties"]
    assert len(told["note"]) >= 250
    assert [row.status for row in take_in(home, [file], now=LATER, settings=SETTINGS).rows] == ["new"]


def noisy_picture(path: Path, size: tuple[int, int]) -> Path:
    """A picture that hardly compresses, with a place of its own beside the pixels."""
    pixels = np.random.default_rng(3).integers(0, 255, (size[1] // 4, size[0] // 4, 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[0x010F] = "a camera's name"
    exif.get_ifd(0x8825)[1] = "N"
    Image.fromarray(pixels).resize(size).save(path, "JPEG", quality=95, exif=exif)
    return path


def test_a_picture_is_made_small_on_the_device(
    browser: Browser, mark_sheet: Path, home: Path, tmp_path: Path
) -> None:
    picture = noisy_picture(tmp_path / "camera.jpg", (3200, 2400))
    assert picture.stat().st_size > 1_000_000
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        begin(page, "slip", "tap")
        touch(page, corner(page, 22, 24))
        page.set_input_files("[data-mark=camera]", picture)
        until_said(page, "picture", "kept")
        page.tap("[data-do=mark-finish]")
        assert page.locator("[data-mark=list] img").evaluate("i => i.naturalWidth") > 300
    with tablet(browser, tmp_path / "profile", mark_sheet, LATER) as page:
        assert page.locator("[data-mark=list] img").count() == 1
        file = save_file(page, tmp_path)
    photo = base64.b64decode(json.loads(file.read_bytes())["features"][0]["properties"]["photo"].split(",")[1])
    with Image.open(io.BytesIO(photo)) as small:
        assert small.format == "JPEG"
        assert max(small.size) <= 1280
        assert small.size[0] / small.size[1] == pytest.approx(4 / 3, abs=0.01)
        assert len(photo) <= 300_000
        assert dict(small.getexif()) == {}
    assert take_in(home, [file], now=LATER, settings=SETTINGS).written
    with sqlite3.connect(home) as db:
        stored = db.execute("SELECT photo FROM hazards WHERE kind = 'slip'").fetchone()[0]
    db.close()
    assert stored[:2] == b"\xff\xd8"


def test_what_is_no_picture_is_said(marking: Page, tmp_path: Path) -> None:
    (tmp_path / "no.jpg").write_bytes(b"no picture at all")
    begin(marking, "slip", "tap")
    touch(marking, corner(marking, 22, 24))
    marking.set_input_files("[data-mark=camera]", tmp_path / "no.jpg")
    until_said(marking, "picture", "This picture cannot be read. Take another one.")
    assert marks_of(marking)[0]["picture"] == ""


def test_pictures_are_spread_over_files_as_the_farm_can_unpack_them(marking: Page) -> None:
    """As many as the reader's bound on pixels holds, each as large as the device makes them."""
    data = marking.evaluate("fieldAtlas.data.marking")
    assert 10 <= data["file"]["pictures"] <= 48_000_000 / data["picture"]["side"] ** 2
    assert data["file"]["pictures"] * data["picture"]["characters"] <= 12_000_000


def test_every_step_is_large_enough_for_a_glove_and_passes_axe(
    browser: Browser, mark_sheet: Path, tmp_path: Path
) -> None:
    """56 px high where one is asked, on a tablet and on the narrowest phone, inside the screen."""
    for width, height in ((820, 1180), (360, 740)):
        profile = tmp_path / str(width)
        with tablet(browser, profile, mark_sheet, MAY_3, viewport={"width": width, "height": height}) as page:
            found: list[str] = []
            page.tap(".map-buttons [data-do=mark]")
            found += small_or_outside(page) + violations(page)
            page.tap("[data-kind=wet_spot]")
            found += small_or_outside(page)
            page.tap("[data-severity='2']")
            found += small_or_outside(page)
            page.tap("[data-place=tap-area]")
            for spot in ((10, 10), (20, 10), (20, 20)):
                touch(page, corner(page, *spot))
            found += small_or_outside(page) + violations(page)
            page.tap("[data-do=mark-done]")
            until_said(page, "kept", "Kept on")
            found += small_or_outside(page) + violations(page)
            page.tap("[data-do=mark-finish]")
            save_file(page, tmp_path)
            found += violations(page)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert found == [], width


def small_or_outside(page: Page) -> list[str]:
    """Buttons of the dock under 56 px high or 44 wide, and any not on the screen above whom to ring."""
    found: list[str] = page.evaluate(
        """() => {
          const ring = document.querySelector(".first-ring").getBoundingClientRect();
          return [...document.querySelectorAll("#mark-dock button, #mark-dock label.button")]
            .map(e => [e.textContent.trim() + e.getAttribute("aria-label"), e.getBoundingClientRect()])
            .filter(([, b]) => b.width > 0 && (b.height < 55.9 || b.width < 44 || b.left < 0 ||
              b.right > innerWidth || b.top < 0 || b.bottom > ring.top + 1)).map(([name]) => name);
        }"""
    )
    return found


def test_on_paper_nothing_of_it_shows(marking: Page) -> None:
    mark_by_taps(marking, "slip", "tap", [corner(marking, 22, 24)])
    marking.emulate_media(media="print")
    for part in ("#marking", "#mark-dock", ".answers", "[data-mark=banner]", "[data-mark=sign]"):
        assert marking.locator(part).locator("visible=true").count() == 0, part


@pytest.mark.parametrize("code", ["de", "fr", "it"])
def test_longer_words_stay_on_the_narrowest_phone(browser: Browser, tmp_path: Path, code: str) -> None:
    ctx = replace(made_context(), languages=("en", "de", "fr", "it"))
    page_file = write_sheet(tmp_path, made_survey(ctx, east_m=60, north_m=50), ctx)
    other = page_file.with_name(f"{page_file.stem}.{code}.html")
    narrow = {"width": 360, "height": 740}
    with tablet(browser, tmp_path / "profile", other, NOW, viewport=narrow) as page:
        page.tap(".map-buttons [data-do=mark]")
        found = small_or_outside(page)
        page.tap("[data-kind=slip]")
        found += small_or_outside(page)
        page.tap("[data-place=tap-line]")
        for spot in ((20, 20), (30, 20)):
            touch(page, corner(page, *spot))
        found += small_or_outside(page)
        page.tap("[data-do=mark-done]")
        until(page, "!document.querySelector('[data-step=kept]').hidden")
        found += small_or_outside(page) + violations(page)
        page.tap("[data-do=mark-finish]")
        assert found == []
        assert page.evaluate("document.documentElement.scrollWidth") == narrow["width"]
