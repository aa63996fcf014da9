"""The repainted sheet says what Python said: every verdict, every number behind it, every sentence."""

from __future__ import annotations

import re
import zlib
from base64 import b64encode
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from browser_fixtures import DEMO_SETTINGS
from browsing import visiting
from playwright.sync_api import Browser, Page
from sheets import choose, open_sheet, repainted, stances, surveys, unpacked

from atlas.driving.explaining import explain
from atlas.driving.limits import limits, softened
from atlas.driving.machines import rig
from atlas.driving.records import Drive, Reason, Zone
from atlas.pages.data_cells import page_cells, verdicts
from atlas.pages.data_kernel import CUT_OFF
from atlas.pages.picture_rings import rings_path
from atlas.pages.picture_zones import masks
from atlas.pages.sheet_drives import drive_words, frame_of
from atlas.survey import FieldSurvey

FIELDS = ("obra-schrof", "muelveska", "grubaruen")
HEIGHT_STEP_M = 0.001  # what the page's heights are rounded to


@pytest.fixture(scope="module")
def demo_surveys(demo_folder: Path) -> dict[str, FieldSurvey]:
    return surveys(demo_folder / "farm.gpkg", DEMO_SETTINGS, set(FIELDS))


@pytest.fixture(params=FIELDS)
def field(
    request: pytest.FixtureRequest,
    demo_surveys: dict[str, FieldSurvey],
    demo_atlas: Path,
    browser: Browser,
) -> Iterator[tuple[FieldSurvey, Page]]:
    with visiting(browser) as visit:
        page = open_sheet(visit, demo_atlas / "fields" / f"{request.param}.html")
        yield demo_surveys[request.param], page
        visit.check_quiet()


def test_every_choice_repaints_to_pythons_verdicts(field: tuple[FieldSurvey, Page]) -> None:
    """Cell by cell: zone, deciding reason, cut off and no room to turn; and the outlines painted for them."""
    survey, page = field
    cells = page_cells(survey.terrain)
    drives = survey.driving.drives
    assert len(drives) == 50
    for drive in drives:
        choose(page, drive.machine, drive.ground, drive.driver)
        found = repainted(page)
        assert_is_the_drive(found.zone, drive, survey)
        here = verdicts(cells, drive)
        for part in ("zone", "reason", "flags"):
            assert np.array_equal(getattr(found, part), getattr(here, part)), (drive.machine, part)
        assert found.painted == {key: rings_path(mask) for key, mask in masks(here).items()}


def assert_is_the_drive(zone: np.ndarray, drive: Drive, survey: FieldSurvey) -> None:
    """Without the page's own gathering of cells: the demo's are a metre wide, so each is its own."""
    inside = survey.terrain.covered > 0
    down, across = np.nonzero(inside)
    assert survey.terrain.grid.cell_x == survey.terrain.grid.cell_y == 1.0
    assert np.array_equal(zone[down - down.min(), across - across.min()], drive.zone[inside])
    assert (zone != 255).sum() == inside.sum()


def test_no_up_down_ground_is_without_a_stroke_nearby(field: tuple[FieldSurvey, Page]) -> None:
    """Straight-up-or-down ground without strokes would look open; none stands where no machine gets to."""
    survey, page = field
    drive = max(survey.driving.drives, key=lambda d: d.up_down_m2 - (d.cut_off_m2 or 0.0))
    choose(page, drive.machine, drive.ground, drive.driver)
    found = repainted(page)
    data = page.evaluate("(({ strokes, cells, picture }) => ({ strokes, cells, picture }))(fieldAtlas.data)")
    numbers = re.findall(r"M([\d.-]+) ([\d.-]+)l([\d.-]+) ([\d.-]+)", found.strokes)
    steps = np.array([[float(v) for v in n] for n in numbers])
    x = data["picture"]["west"] + steps[:, 0] + steps[:, 2] / 2
    y = data["picture"]["north"] - steps[:, 1] - steps[:, 3] / 2
    col, row = (x - data["cells"]["west"] - 0.5).round(), (data["cells"]["north"] - y - 0.5).round()
    there = (found.zone == Zone.UP_DOWN) & ((found.flags & CUT_OFF) == 0)
    assert there.sum() > 50
    assert there[row.astype(int), col.astype(int)].all()
    wanted = np.argwhere(there)
    gap = np.maximum(np.abs(wanted[:, :1] - row), np.abs(wanted[:, 1:] - col)).min(axis=1)
    assert gap.max() <= 2 * data["strokes"]["apart"]
    downhill_is_right(survey, steps, row.astype(int), col.astype(int))


def downhill_is_right(survey: FieldSurvey, steps: np.ndarray, row: np.ndarray, col: np.ndarray) -> None:
    """Each stroke points down its cell's own gradient (coordinates are written to a tenth of a metre)."""
    cells, gradient = page_cells(survey.terrain), survey.terrain.gradient
    gx, gy = (g[cells.row + row, cells.col + col] for g in (gradient.gx, gradient.gy))
    length = np.hypot(steps[:, 2], steps[:, 3])
    cosine = (steps[:, 2] * -gx + -steps[:, 3] * -gy) / (length * np.hypot(gx, gy))
    assert np.degrees(np.arccos(np.clip(cosine, -1, 1))).max() < 4.0


def test_tilt_told_at_a_place_is_the_sums_tilt(field: tuple[FieldSurvey, Page]) -> None:
    """Every cell and machine: heights rounded to a millimetre move a tilt by at most a step over the track."""
    survey, page = field
    cells = page_cells(survey.terrain)
    part = np.s_[cells.row : cells.row + cells.rows, cells.col : cells.col + cells.cols]
    machines = rig(DEMO_SETTINGS).machines
    for tilt in survey.driving.tilts:
        m = machines[tilt.machine]
        told = stances(page, tilt.machine)
        sums = (survey.terrain.gradient.steepness, tilt.any_roll, tilt.any_pitch, tilt.any_stance)
        # half a step at each end of a length; Horn's two sides weigh as two heights over two cells
        steps = (HEIGHT_STEP_M / 2, HEIGHT_STEP_M / m.track_m, HEIGHT_STEP_M / m.wheelbase_m, 0.0)
        steps = (*steps[:3], float(np.hypot(steps[1], steps[2])))
        for k, (sum_, step) in enumerate(zip(sums, steps, strict=True)):
            want, got = np.asarray(sum_)[part][cells.inside], told[..., k][cells.inside]
            assert np.array_equal(np.isnan(want), np.isnan(got))
            known = ~np.isnan(want)
            near_level = (survey.terrain.gradient.steepness[part][cells.inside] < 0.031)[known]
            off = np.abs(want[known] - got[known])
            # headings count from the fall line, which millimetres turn a little; on level ground they turn it far
            turned = 0.02 * want[known] + np.where(near_level, 0.004, 0.0) if k else 0.0
            assert (off <= step * 1.001 + 1e-6 + turned).all(), (m.key, k, float(off.max()))


def test_the_limit_that_decided_and_both_numbers(field: tuple[FieldSurvey, Page]) -> None:
    """At random cells of every choice, against the explanation Python gives of the same cell."""
    survey, page = field
    cells, rng = page_cells(survey.terrain), np.random.default_rng(11)
    machines, tilts = rig(DEMO_SETTINGS), {t.machine: t for t in survey.driving.tilts}
    steep = survey.terrain.gradient.steepness
    checked = 0
    for number, drive in enumerate(survey.driving.drives):
        by_limit = (drive.reason >= Reason.SIDE) & (drive.reason <= Reason.ON_FOOT)
        places = np.argwhere((survey.terrain.covered > 0) & by_limit)
        if not len(places):
            continue
        lim = limits(
            machines.machines[drive.machine],
            machines.grounds[drive.ground],
            machines.drivers[drive.driver],
            DEMO_SETTINGS,
        )
        some = places[rng.integers(0, len(places), 20)].tolist()
        told = page.evaluate(
            "([choice, places]) => places.map(at => fieldAtlas.decided(choice, at[0], at[1]))",
            [number, [[row - cells.row, col - cells.col] for row, col in some]],
        )
        for (row, col), numbers in zip(some, told, strict=True):
            said = explain(drive, tilts[drive.machine], float(steep[row, col]), lim, row, col).decided
            assert said is not None
            assert numbers["limit"] == pytest.approx(said.allowed, abs=1e-6)
            assert numbers["found"] == pytest.approx(said.counted, rel=0.02, abs=0.005)
            if said.counted > said.allowed + 0.01:
                assert numbers["found"] > numbers["limit"]
            checked += 1
    assert checked >= 100


def test_sentences_and_figures_follow_the_choice(field: tuple[FieldSurvey, Page]) -> None:
    """By the selects a worker uses: what stands beside the map is Python's, word for word."""
    survey, page = field
    frame = frame_of(survey)
    said = {(d.machine, d.ground, d.driver): drive_words(frame, d) for d in survey.driving.drives}
    offered = page.locator('select[data-pick="ground"] option').evaluate_all("all => all.map(o => o.value)")
    for machine in rig(DEMO_SETTINGS).machines:
        page.select_option('select[data-pick="machine"]', machine)
        for ground in offered:
            page.select_option('select[data-pick="ground"]', ground)
            for driver in ("new", "practised"):
                page.select_option('select[data-pick="driver"]', driver)
                want = said[machine, ground, driver]
                now = page.locator(".where-not.moving p").all_inner_texts()
                assert now == list(want.sentences)
                figures = page.locator(".moving [data-say=figures] td").all_inner_texts()
                assert figures == [line.value for line in want.figures]
                causes = page.locator(".moving [data-say=causes] td.num").all_inner_texts()
                assert causes == [line.value for line in want.causes]
    standing = page.locator(".where-not.standing p").all_text_contents()
    assert standing != []


def test_wet_spots_tell_their_marking(demo_surveys: dict[str, FieldSurvey]) -> None:
    """Where a marking decided, Python explains by its tag; the page does so too (the test above: no numbers)."""
    tagged = [
        (s, d)
        for s in demo_surveys.values()
        for d in s.driving.drives
        if (d.reason[s.terrain.covered > 0] > Reason.TAG).any()
    ]
    assert tagged
    survey, drive = tagged[0]
    row, col = (int(v[0]) for v in ((survey.terrain.covered > 0) & (drive.reason > Reason.TAG)).nonzero())
    machines = rig(DEMO_SETTINGS)
    m, g = machines.machines[drive.machine], machines.grounds[drive.ground]
    lim = limits(m, g, machines.drivers[drive.driver], DEMO_SETTINGS)
    tilt = next(t for t in survey.driving.tilts if t.machine == drive.machine)
    said = explain(drive, tilt, 0.1, softened(lim, lim, 0.05, m), row, col)
    assert said.decided is None
    assert said.tag in {t.tag for t in survey.driving.hazards}


@pytest.mark.parametrize("level", [0, 1, 6, 9])
def test_unpacking_on_the_page(browser: Browser, demo_atlas: Path, level: int) -> None:
    """Stored, fixed and dynamic blocks, long repeats and none, as zlib packs them."""
    rng = np.random.default_rng(level)
    samples = [
        b"",
        b"a",
        b"field " * 30_000,
        rng.integers(0, 256, 70_000).astype(np.uint8).tobytes(),
        rng.integers(0, 3, 200_000).astype(np.uint8).tobytes(),
        np.cumsum(rng.integers(-2, 3, 50_000)).astype(np.uint8).tobytes(),
    ]
    with visiting(browser) as visit:
        page = open_sheet(visit, demo_atlas / "fields" / f"{FIELDS[1]}.html")
        for sample in samples:
            packed = b64encode(zlib.compress(sample, level)).decode()
            assert unpacked(page, packed) == sample
        damaged = bytearray(zlib.compress(samples[5], level))
        damaged[-1] ^= 1
        told = page.evaluate(
            "text => { try { fieldAtlas.unpack(text); return ''; } catch (e) { return e.message; } }",
            b64encode(bytes(damaged)).decode(),
        )
        assert told == "damaged data"
        visit.check_quiet()
