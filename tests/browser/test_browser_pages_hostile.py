"""Names and notes that hold markup, quotes and script ends are shown as text and never run."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
import small_farm
from browsing import DEMO_NOW, pages_of, violations, visiting
from playwright.sync_api import Browser

from atlas import engine
from atlas.settings import parse

TRAPS = (
    '</script><script>window.ran = "script"</script>',
    '"><img src=x onerror="window.ran = 1"> & \'half\' `tick` ${window.ran = 2}',
    "lines\u2028and\u2029ends\\u003c/ --> ]]> {{ 7 * 7 }} {% raw %}",
    "<svg onload=window.ran=3></svg></title></style></textarea>",
)
WHO = {
    "name": TRAPS[0],
    "lead_name": TRAPS[1],
    "lead_phone": '1"onmouseover="window.ran = 4',
    "emergency_number": "112",
}


@pytest.fixture(scope="module")
def hostile_atlas(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    farm = small_farm.write(folder / "farm.gpkg", names=TRAPS)
    _poison(farm)
    out = folder / "build"
    machines = {
        "odd": {
            "name": TRAPS[2],
            "track_m": 1.9,
            "wheelbase_m": 2.2,
            "cog_height_m": 0.8,
            "cog_ahead_m": 1.0,
            "width_m": 2.3,
            "mass_kg": 3000,
            "turn_radius_m": 4.0,
        }
    }
    terrain = {"source": TRAPS[3], "date": TRAPS[0]}
    engine.build(
        farm,
        out,
        settings=parse({"farm": WHO, "machines": machines, "terrain": terrain}),
        now=DEMO_NOW.replace(month=5, day=3),
        jobs=1,
    )
    return out


def test_nothing_runs_even_without_the_content_policy(hostile_atlas: Path, browser: Browser) -> None:
    """The policy is switched off here: escaping alone must hold."""
    with visiting(browser, bypass_csp=True) as visit:
        for path in pages_of(hostile_atlas):
            page = visit.open(path)
            page.wait_for_timeout(100)
            assert page.evaluate("window.ran") is None, path.name
            assert page.locator("script:not([src])").count() == 0, path.name
            strange = "[onerror], [onload], [onmouseover], img[src=x], a[href^=javascript]"
            assert page.locator(strange).count() == 0, path.name
        visit.check_quiet()


def test_the_text_itself_is_shown(hostile_atlas: Path, browser: Browser) -> None:
    with visiting(browser) as visit:
        text = visit.open(hostile_atlas / "index.html").locator("body").inner_text()
        for trap in (*TRAPS[:2], TRAPS[3]):
            assert trap in text
        assert "49" not in visit.page.title()
        assert TRAPS[2].split("\u2028")[0] in text
        assert violations(visit.page) == []


def _poison(farm: Path) -> None:
    """Markup into every free text of the farm file. The spatial index's triggers name functions that plain SQLite
    lacks; text columns never call them, they only have to exist."""
    with sqlite3.connect(farm) as db:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            db.create_function(name, 1, lambda _: 0)
        traps = iter(TRAPS * 10)
        for table, column in (
            ("parcels", "note"),
            ("parcels", "use"),
            ("parcels", "first_pass"),
            ("hazards", "note"),
            ("hazards", "seen_by"),
            ("ways_in", "name"),
            ("ways_in", "note"),
            ("releases", "released_by"),
        ):
            db.execute(f'UPDATE "{table}" SET "{column}" = ?', (next(traps),))
    db.close()


def test_the_farm_was_poisoned(hostile_atlas: Path) -> None:
    """So that the checks above cannot pass on tame pages."""
    pages = "".join(p.read_text("utf-8") for p in pages_of(hostile_atlas))
    assert pages.count("&lt;script&gt;") >= 5
