"""Marks stay on the device until the worker says they are handed over; where they cannot, the page says so."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from browsing import chromium_path
from geojson_rules import broken_rules
from mark_fixtures import LATER, MAY_3, SETTINGS
from playwright.sync_api import Browser, Page
from sheets import until
from tablets import (
    begin,
    corner,
    kept,
    mark_by_taps,
    marks_of,
    on_screen,
    save_file,
    stand_at,
    tablet,
    touch,
    until_said,
)

from atlas.farm.takein import take_in

NO_DATABASE = "Object.defineProperty(window, 'indexedDB', { get() { throw new Error('refused'); } });"

NO_STORE = (
    NO_DATABASE + "Object.defineProperty(window, 'localStorage', { get() { throw new Error('refused'); } });"
)

FULL = """IDBObjectStore.prototype.put = new Proxy(IDBObjectStore.prototype.put, { apply(put, table, [record]) {
  if (record.id !== 'probe') { throw new DOMException('full', 'QuotaExceededError'); }
  return put.call(table, record);
} });"""

SHARE = """window.passed = [];
navigator.canShare = d => d.files.every(f => f.name.endsWith('.txt'));
navigator.share = async d => { window.passed.push(d.files[0].name, await d.files[0].text()); };"""

HOSTILE = "</script><img src=x onerror=\"window.ran = 1\"> & 'half' \u202e`${window.ran = 2}`\u0007"


def test_handed_over_only_by_the_workers_word_and_never_lost(marking: Page, home: Path, tmp_path: Path) -> None:
    mark_by_taps(marking, "slip", "tap", [corner(marking, 22, 24)])
    first = save_file(marking, tmp_path)
    assert marking.locator("[data-mark=asked]").is_visible()
    marking.tap("[data-do=mark-not-handed]")
    assert marking.locator("[data-mark=waiting]").inner_text() == "Not handed over yet: 1."
    save_file(marking, tmp_path)
    marking.tap("[data-do=mark-handed]")
    row = marking.locator("[data-mark=list] li")
    until_said(marking, "list", "handed over 3 May")
    assert row.get_by_text("Take back").count() == 0
    assert marking.evaluate("p => fieldAtlas.closedHere(p[0], p[1]) !== null", list(corner(marking, 22, 24)))
    again = save_file(marking, tmp_path / "again", "mark-again")
    assert json.loads(again.read_bytes())["features"] == json.loads(first.read_bytes())["features"]
    statuses = [take_in(home, [f], now=LATER, settings=SETTINGS).rows[0].status for f in (first, again)]
    assert statuses == ["new", "already here"]
    marking.tap("[data-do=mark-handed]")
    row.get_by_text("Put away").tap()
    assert marks_of(marking)[0]["away"] is False  # a slip is put away only at the second press
    row.get_by_text("The farm lead has judged it").tap()
    until_said(marking, "away", "Put away: 1.")
    marking.tap("[data-do=mark-fetch]")
    assert row.count() == 1


def test_a_mark_is_taken_back_at_the_second_press_alone(
    browser: Browser, mark_sheet: Path, tmp_path: Path
) -> None:
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        mark_by_taps(page, "slip", "tap", [corner(page, 22, 24)])
        page.get_by_text("Take back").tap()
        assert len(marks_of(page)) == 1
        page.get_by_text("Take it back for good").tap()
        until(page, "fieldAtlas.marks.list.length === 0")
        assert page.evaluate("p => fieldAtlas.closedHere(p[0], p[1])", list(corner(page, 22, 24))) is None
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        assert marks_of(page) == []


def test_without_a_database_the_small_store_keeps_it_and_that_is_said(
    browser: Browser, mark_sheet: Path, tmp_path: Path
) -> None:
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3, NO_DATABASE) as page:
        mark_by_taps(page, "slip", "tap", [corner(page, 22, 24)])
        assert "little room" in page.locator("#marking .mark-trouble").inner_text()
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        assert [m["kind"] for m in marks_of(page)] == ["slip"]  # moved into the database
        assert page.evaluate("Object.keys(localStorage).length") == 0
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        assert [m["kind"] for m in marks_of(page)] == ["slip"]


@pytest.mark.parametrize(
    ("refusal", "words"), [(NO_STORE, "This browser keeps nothing"), (FULL, "there is no room left")]
)
def test_a_mark_that_is_not_kept_is_said_and_can_still_be_saved(
    browser: Browser, mark_sheet: Path, home: Path, tmp_path: Path, refusal: str, words: str
) -> None:
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3, refusal) as page:
        begin(page, "slip", "tap")
        touch(page, corner(page, 22, 24))
        until_said(page, "kept", f"{words}")
        assert words in page.locator("#mark-dock .mark-trouble").inner_text()
        assert page.evaluate("p => fieldAtlas.closedHere(p[0], p[1]) !== null", list(corner(page, 22, 24)))
        page.tap("[data-do=mark-finish]")
        assert "not kept on this device" in page.locator("[data-mark=list] li").inner_text()
        assert page.evaluate("!window.dispatchEvent(new Event('beforeunload', { cancelable: true }))")
        file = save_file(page, tmp_path)
    assert [row.status for row in take_in(home, [file], now=LATER, settings=SETTINGS).rows] == ["new"]


def test_more_than_one_file_holds_goes_into_the_next(marking: Page, tmp_path: Path) -> None:
    for east in (10, 20, 30):
        mark_by_taps(marking, "slip", "tap", [corner(marking, east, 24)])
    marking.evaluate("fieldAtlas.data.marking.file.features = 2")
    first = save_file(marking, tmp_path)
    assert "2 of 3 marks" in marking.locator("[data-mark=saved]").inner_text()
    marking.tap("[data-do=mark-handed]")
    until(marking, "fieldAtlas.marks.list.filter(m => m.handed_at).length === 2")
    marking.clock.run_for(1000)
    second = save_file(marking, tmp_path)
    ids = [[f["id"] for f in json.loads(f.read_bytes())["features"]] for f in (first, second)]
    assert [len(part) for part in ids] == [2, 1]
    assert sorted(ids[0] + ids[1]) == sorted(m["id"] for m in marks_of(marking))


def test_the_file_is_passed_on_where_the_browser_can(browser: Browser, mark_sheet: Path, tmp_path: Path) -> None:
    """This browser's share sheet takes texts only; what it gets is the same marks file."""
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3, SHARE) as page:
        mark_by_taps(page, "slip", "tap", [corner(page, 22, 24)])
        page.tap("[data-do=mark-share]")
        until(page, "passed.length === 2 && !document.querySelector('[data-mark=asked]').hidden")
        name, text = page.evaluate("passed")
    assert name.endswith(".geojson.txt")
    assert broken_rules(text.encode()) == []
    assert json.loads(text)["format"] == "field-atlas-marks/1"


def test_marks_of_all_fields_on_this_device_go_together(browser: Browser, mark_farm: Path, tmp_path: Path) -> None:
    """Pages from disk share the browser's store; another farm's marks, and what is no mark, stay as they are."""
    with tablet(browser, tmp_path / "profile", mark_farm / "hand" / "lower-meadow-map-1.html", MAY_3) as page:
        mark_by_taps(page, "slip", "tap", [corner(page, 22, 24)])
        page.evaluate(
            """evil => {
              const mark = told => Object.assign({}, fieldAtlas.marks.list[0], told);
              return Promise.all([
                mark({ id: "11111111-1111-4111-8111-111111111111", farm: "another farm",
                  geometry: { type: "Point", coordinates: [1, 1] } }),
                mark({ id: "22222222-2222-4222-8222-222222222222", kind: "__proto__" }),
                mark({ id: "33333333-3333-4333-8333-333333333333", geometry: { type: "Point" } }),
                mark({ id: evil }), { id: "44444444-4444-4444-8444-444444444444", farm: evil },
              ].map(fieldAtlas.markStore.put));
            }""",
            HOSTILE,
        )
    with tablet(
        browser, tmp_path / "profile", mark_farm / "build" / "fields" / "upper-meadow.html", LATER
    ) as page:
        assert page.locator("[data-mark=list] li").count() == 0
        mark_by_taps(page, "slip", "tap", [corner(page, 22, 24)])
        assert "Lower meadow" in page.locator("[data-mark=others]").inner_text()
        file = save_file(page, tmp_path)
        assert page.evaluate("fieldAtlas.markStore.all().then(all => all.length)") == 7
    features = json.loads(file.read_bytes())["features"]
    assert len(features) == 2
    assert broken_rules(file.read_bytes()) == []


def test_a_clock_that_cannot_be_right_dates_nothing(browser: Browser, mark_sheet: Path, tmp_path: Path) -> None:
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3 - timedelta(days=400)) as page:
        mark_by_taps(page, "slip", "tap", [corner(page, 22, 24)])
        assert marks_of(page)[0]["seen_at"] is None
        assert "clock" in page.locator("#marking .mark-trouble").inner_text()


def test_a_walk_broken_off_is_offered_again(browser: Browser, mark_sheet: Path, tmp_path: Path) -> None:
    """The page is closed in the middle of walking along a bank: the points stay, and become a mark when asked."""
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        start = corner(page, 10, 10)
        stand_at(page, start, 4)
        begin(page, "unstable_bank", "walk-line")
        for step in range(4):
            stand_at(page, (start[0] + 3.0 * step, start[1]), 4)
            until_said(page, "how", f"{step + 1} points")
        page.evaluate("fieldAtlas.markStore.all()")  # a reading waits for the writings before it
    with tablet(browser, tmp_path / "profile", mark_sheet, LATER) as page:
        until_said(page, "walk", "bank that gives way, 4 points kept")
        page.tap("[data-do=mark-walk-keep]")
        kept(page)
        (mark,) = marks_of(page)
        assert len(mark["geometry"]["coordinates"]) == 2  # a straight line needs no more
        assert page.locator("[data-mark=walk]").is_hidden()
    with tablet(browser, tmp_path / "profile", mark_sheet, LATER) as page:
        assert len(marks_of(page)) == 1
        assert page.locator("[data-mark=walk]").is_hidden()


def test_a_mark_said_to_be_kept_outlives_a_killed_browser(
    browser: Browser, mark_sheet: Path, tmp_path: Path
) -> None:
    """Every process of the browser killed in the moment the form says so. (A dead battery also takes what the
    system has not yet written to its disk: the store asks for that too, and no test here can cut the power.)"""
    profile = tmp_path / "profile"
    with killable(browser, profile) as (page, process):
        page.goto(mark_sheet.as_uri())
        until(page, "document.documentElement.classList.contains('ready') && fieldAtlas.marks.how !== ''")
        for button in (".map-buttons [data-do=mark]", "[data-kind=slip]", "[data-place=tap]"):
            page.click(button)
        page.mouse.click(*on_screen(page, corner(page, 22, 24)))
        page.clock.run_for(1000)
        until_said(page, "kept", "Kept on this device")
        os.killpg(process.pid, signal.SIGKILL)
    with tablet(browser, profile, mark_sheet, LATER) as page:
        assert [m["kind"] for m in marks_of(page)] == ["slip"]


@contextmanager
def killable(browser: Browser, profile: Path) -> Iterator[tuple[Page, subprocess.Popen[bytes]]]:
    """A browser in a process group of its own, and a page in it."""
    command = [chromium_path(), "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0"]
    process = subprocess.Popen(
        [*command, f"--user-data-dir={profile}", "about:blank"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    try:
        port = profile / "DevToolsActivePort"
        until_there(port)
        remote = browser.browser_type.connect_over_cdp(f"http://127.0.0.1:{port.read_text().split()[0]}")
        page = remote.contexts[0].new_page()
        page.set_viewport_size({"width": 820, "height": 1180})
        page.clock.install(time=MAY_3)
        yield page, process
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def until_there(file: Path) -> None:
    """Raises TimeoutError where a file is not written within half a minute."""
    for _ in range(600):
        if file.exists() and file.read_text().count("\n"):
            return
        time.sleep(0.05)
    raise TimeoutError(f"{file} was never written")


def test_marks_outlive_a_change_of_the_farms_name(browser: Browser, mark_sheet: Path, tmp_path: Path) -> None:
    """What lies on this map is this farm's, whatever the farm was called when it was marked."""
    with tablet(browser, tmp_path / "profile", mark_sheet, MAY_3) as page:
        mark_by_taps(page, "slip", "tap", [corner(page, 22, 24)])
        page.evaluate("fieldAtlas.marks.change(fieldAtlas.marks.list[0], { farm: 'as it was called before' })")
    with tablet(browser, tmp_path / "profile", mark_sheet, LATER) as page:
        assert [m["farm"] for m in marks_of(page)] == ["as it was called before"]
        assert page.locator("[data-mark=list] li").count() == 1
