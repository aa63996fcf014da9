"""A sheet handed on: one file alone in an empty folder, offline, does all that a sheet in the folder does."""

from __future__ import annotations

import json
import shutil
import zipfile
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from browsing import DEMO_NOW, WIDTHS, too_wide, violations, visiting
from playwright.sync_api import Browser, Page
from sheets import open_sheet, repainted

from atlas.editions.sharing import ShareReport, share

FILE = "krumpa-ruen-map-1.html"
LARGEST = 700_000  # bytes; the demo's fields are up to about 2 ha


@pytest.fixture(scope="module")
def stick(demo_atlas: Path, tmp_path_factory: pytest.TempPathFactory) -> ShareReport:
    return share(demo_atlas, tmp_path_factory.mktemp("stick"))


def alone(stick: ShareReport, name: str, folder: Path) -> Path:
    """One shared sheet by itself in a folder that holds nothing else."""
    folder.mkdir(exist_ok=True)
    return Path(shutil.copy(stick.to / name, folder / name))


def dead_links(page: Page) -> list[str]:
    """Links of a page that lead nowhere from here."""
    found: list[str] = page.evaluate(
        """() => [...document.querySelectorAll("a[href]:not([role=button])")].map(a => a.getAttribute("href"))
          .filter(h => !h.startsWith("tel:") && !(h.startsWith("#") && document.getElementById(h.slice(1))))"""
    )
    return found


def test_every_sheet_works_alone_at_every_width(stick: ShareReport, browser: Browser, tmp_path: Path) -> None:
    assert len(stick.sheets) == 16
    bad: dict[str, list[str]] = {}
    for name in stick.sheets:
        path = alone(stick, name, tmp_path / name)
        with visiting(browser) as visit:
            page = open_sheet(visit, path)
            found = [f"asked outside: {u}" for u in visit.outside] + [f"complained: {e}" for e in visit.errors]
            found += [f"leads nowhere: {link}" for link in dead_links(page)]
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 900})
                found += [f"at {width} px: {e}" for e in too_wide(page)]
        if path.stat().st_size > LARGEST:
            found.append(f"{path.stat().st_size} bytes")
        if found:
            bad[name] = found
    assert bad == {}


def test_axe_passes_on_a_handed_on_sheet(stick: ShareReport, browser: Browser, tmp_path: Path) -> None:
    with visiting(browser) as visit:
        page = open_sheet(visit, alone(stick, FILE, tmp_path))
        assert violations(page) == []


def test_it_paints_and_tells_what_the_sheet_in_the_folder_does(
    stick: ShareReport, demo_atlas: Path, browser: Browser, tmp_path: Path
) -> None:
    with visiting(browser) as visit, visiting(browser) as other:
        here = open_sheet(visit, alone(stick, FILE, tmp_path))
        there = open_sheet(other, demo_atlas / "fields" / "krumpa-ruen.html")
        for kind in ("machine", "driver"):
            options = here.locator(f"select[data-pick={kind}] option").evaluate_all("all => all.map(o => o.value)")
            for page in (here, there):
                page.select_option(f"select[data-pick={kind}]", options[-1])
            one, two = repainted(here), repainted(there)
            assert one.painted == two.painted
            assert one.strokes == two.strokes
            assert all(
                np.array_equal(getattr(one, part), getattr(two, part)) for part in ("zone", "reason", "flags")
            )
        told = []
        for page in (here, there):
            page.evaluate("() => { const c = fieldAtlas.map.getCenter(); fieldAtlas.tell(c.lng, c.lat); }")
            told.append(page.locator("#told").inner_text())
        assert told[0] == told[1] != ""
        visit.check_quiet()


def test_its_release_runs_out_as_in_the_folder(
    stick: ShareReport, demo_atlas: Path, browser: Browser, tmp_path: Path
) -> None:
    fields = json.loads((demo_atlas / "data" / "atlas.json").read_bytes())["fields"]
    field = next(f for f in fields if f["released"] and f["released"]["ground"] != "wet")
    path = alone(stick, f"{Path(field['page']).stem}-map-1.html", tmp_path)
    with visiting(browser) as visit:
        page = open_sheet(visit, path, DEMO_NOW.isoformat())
        assert "left" in page.locator("[data-release] .release-first").inner_text()
    with visiting(browser) as visit:
        until = datetime.fromisoformat(field["released"]["until"])
        page = open_sheet(visit, path, until.isoformat())
        assert page.locator("[data-release] .release-first").inner_text() == "Not released"
        assert page.evaluate("fieldAtlas.state.ground") == "wet"


def test_it_says_which_map_it_is_and_nothing_of_a_current_one(
    stick: ShareReport, browser: Browser, tmp_path: Path
) -> None:
    with visiting(browser) as visit:
        page = open_sheet(visit, alone(stick, FILE, tmp_path), "2027-01-01T00:00:00Z")
        head = page.locator(".head").inner_text()
        assert "Handed on from map 1, 12 June 2026. Before you drive ask for the newest map's number." in head
        assert "the atlas is now" not in head
        assert "All fields" not in page.locator("body").inner_text()


@pytest.mark.parametrize(
    "evil",
    [
        "<script>window.evil = 1</script>",
        '<img src="data:image/png;base64,AAAA" onerror="window.evil = 1" alt="">',
        '<script src="evil.js"></script>',
        '<script src="data:text/javascript,window.evil=1"></script>',
        '<svg onload="window.evil = 1"></svg>',
    ],
)
def test_what_someone_adds_to_the_file_does_not_run(
    stick: ShareReport, browser: Browser, tmp_path: Path, evil: str
) -> None:
    path = alone(stick, FILE, tmp_path)
    text = path.read_text()
    path.write_text(text.replace('<main id="main">', f'<main id="main">{evil}', 1))
    (tmp_path / "evil.js").write_text("window.evil = 1")
    with visiting(browser) as visit:
        page = open_sheet(visit, path)
        for _ in range(200):  # what the policy stopped is told by the console, which may be late
            if visit.errors:
                break
            page.wait_for_timeout(50)
        assert any("Content Security Policy" in error for error in visit.errors)
        assert page.evaluate("window.evil") is None


def test_a_style_someone_adds_does_not_hide_closed_ground(
    stick: ShareReport, browser: Browser, tmp_path: Path
) -> None:
    path = alone(stick, FILE, tmp_path)
    text = path.read_text()
    path.write_text(text.replace('<main id="main">', '<main id="main"><style>main { display: none }</style>', 1))
    with visiting(browser) as visit:
        assert open_sheet(visit, path).locator("main").is_visible()


def test_the_zip_unpacked_is_the_atlas(stick: ShareReport, browser: Browser, tmp_path: Path) -> None:
    with zipfile.ZipFile(stick.to / stick.archive) as archive:
        archive.extractall(tmp_path)
    top = tmp_path / "hof-am-zwaibel-map-1"
    with visiting(browser) as visit:
        page = visit.open(top / "index.html")
        linked = page.evaluate(
            """() => [...document.querySelectorAll("a[href]")]
              .map(a => new URL(a.getAttribute("href"), location).href.split("#")[0])"""
        )
        paths = {link.removeprefix("file://") for link in linked if link.startswith("file:")}
        assert len([p for p in paths if "/fields/" in p]) == 16
        assert all(Path(p).is_file() for p in paths)
        visit.check_quiet()
    with visiting(browser) as visit:
        open_sheet(visit, top / "fields" / "krumpa-ruen.html")
        visit.check_quiet()


def test_without_scripts_it_reads_like_paper(stick: ShareReport, browser: Browser, tmp_path: Path) -> None:
    with visiting(browser, java_script_enabled=False) as visit:
        page = visit.open(alone(stick, FILE, tmp_path))
        assert page.locator("#zone-map").is_visible()
        assert page.locator(".where-not.standing p").first.is_visible()
        assert visit.outside == []
