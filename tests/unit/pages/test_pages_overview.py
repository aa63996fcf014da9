"""The overview page and what it keeps of each field."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from made_sheet import NOW, made_context, made_survey
from shapely import affinity, contains, points, prepare, union_all, wkt

from atlas.driving.records import Zone
from atlas.driving.walk import plan
from atlas.pages.context import Home, PageContext
from atlas.pages.farms import farm_line
from atlas.pages.overview import OverviewEntry, entry_of, findable, folded, overview_page
from atlas.pages.overview_entry import EntryRelease, EntryShares, EntryWayIn, summarise
from atlas.pages.overview_picture import NO_GROUND, picture_of, worst_of_blocks
from atlas.pages.overview_relief import FarmRelief
from atlas.pages.sheet_set import drive_of, shown
from atlas.pages.walk_entry import stops_of
from atlas.survey import FieldSurvey


@pytest.fixture(scope="module")
def ctx() -> PageContext:
    return made_context()


@pytest.fixture(scope="module")
def survey(ctx: PageContext) -> FieldSurvey:
    return made_survey(ctx)


@pytest.fixture(scope="module")
def entry(survey: FieldSurvey, ctx: PageContext) -> OverviewEntry:
    return entry_of(survey, ctx)


@pytest.fixture(scope="module")
def relief(survey: FieldSurvey) -> FarmRelief:
    grid = survey.terrain.grid
    return FarmRelief(b"", grid.crs.to_wkt(), grid.bounds, ())


def html(entries: list[OverviewEntry], ctx: PageContext, relief: FarmRelief) -> str:
    return overview_page(entries, ctx, relief)["index.html"].decode()


def test_an_entry_survives_json(entry: OverviewEntry) -> None:
    assert OverviewEntry.from_json(json.loads(json.dumps(entry.as_json()))) == entry


def test_an_entry_of_another_version_is_refused(entry: OverviewEntry) -> None:
    raw = entry.as_json()
    del raw["unconfirmed"]
    with pytest.raises(KeyError, match="unconfirmed"):
        OverviewEntry.from_json(raw)


def test_an_entry_is_small(entry: OverviewEntry) -> None:
    """A few kilobytes a hectare: thousands of fields still fit in memory."""
    assert len(json.dumps(entry.as_json())) < 12_000 * entry.area_m2 / 10_000


def test_released_ground_and_wet_ground_are_both_kept(entry: OverviewEntry) -> None:
    assert entry.released is not None
    assert entry.unreleased is not None
    assert entry.released.shares.ground == "damp"
    assert entry.unreleased.shares.ground == "wet"
    assert entry.drawn(True) == entry.released
    assert entry.drawn(False) == entry.unreleased
    assert entry.unreleased.shares.closed_share >= entry.released.shares.closed_share


def test_shares_are_those_of_the_survey(survey: FieldSurvey, entry: OverviewEntry, ctx: PageContext) -> None:
    drive = drive_of(survey, shown(survey, ctx))
    assert drive is not None
    assert entry.released is not None
    shares = entry.released.shares
    assert shares.area_m2 == pytest.approx(survey.terrain.figures.area_m2, rel=1e-6)
    assert shares.closed_share == pytest.approx(
        1 - (drive.any_way_m2 + drive.up_down_m2 - (drive.cut_off_m2 or 0)) / survey.terrain.figures.area_m2,
        abs=1e-6,
    )


def test_ground_out_of_reach_is_not_open(survey: FieldSurvey, ctx: PageContext) -> None:
    """Counted as closed and drawn, where every zone was open before."""
    drive = drive_of(survey, shown(survey, ctx))
    assert drive is not None
    grid, covered = survey.terrain.grid, survey.terrain.covered.astype(float)
    area = survey.terrain.figures.area_m2
    east = np.broadcast_to(grid.xs > np.median(grid.xs), grid.shape)
    cut = float((covered * grid.cell_area)[east].sum())
    open_field = replace(
        drive,
        zone=np.zeros_like(drive.zone),
        cut_off=east.astype(np.uint8),
        any_way_m2=area,
        up_down_m2=0.0,
        on_foot_m2=0.0,
        keep_out_m2=0.0,
        unsurveyed_m2=0.0,
        cut_off_m2=cut,
    )
    entry = summarise(survey, None, open_field)
    assert entry.unreleased is not None
    assert entry.unreleased.shares.closed_share == pytest.approx(cut / area)
    drawn = wkt.loads(entry.unreleased.picture.cut_off)
    assert drawn.area == pytest.approx(cut, rel=0.05)
    assert drawn.bounds[0] > np.median(grid.xs) - 4.5


def test_a_field_without_area_counts_as_closed() -> None:
    assert EntryShares("m", "wet", "new", 0, 0, 0, 0, 0, 0).closed_share == 1.0


def test_the_picture_is_never_more_open_than_the_survey(survey: FieldSurvey, ctx: PageContext) -> None:
    """Every closed cell's middle, inside the field, lies in closed ground of the picture."""
    drive = drive_of(survey, shown(survey, ctx))
    assert drive is not None
    terrain = survey.terrain
    picture = picture_of(terrain, drive, survey.parcel.shape)
    worse_or_same = {
        Zone.UNSURVEYED: [picture.unsurveyed],
        Zone.KEEP_OUT: [picture.keep_out, picture.unsurveyed],
        Zone.ON_FOOT: [picture.on_foot, picture.keep_out, picture.unsurveyed],
    }
    checked = 0
    for zone, parts in worse_or_same.items():
        closed = union_all([wkt.loads(p) for p in parts if p]).buffer(0.2)
        rows, cols = np.nonzero((drive.zone == zone) & (terrain.covered > 0.999))
        middles = points(terrain.grid.xs[cols], terrain.grid.ys[rows])
        prepare(closed)
        assert contains(closed, middles).all()
        checked += rows.size
    assert checked > 500


def test_strokes_point_straight_down(survey: FieldSurvey, ctx: PageContext) -> None:
    drive = drive_of(survey, shown(survey, ctx))
    assert drive is not None
    all_up_down = replace(drive, zone=np.full_like(drive.zone, Zone.UP_DOWN))
    strokes = picture_of(survey.terrain, all_up_down, survey.parcel.shape).strokes
    assert len(strokes) > 100
    grid, gradient = survey.terrain.grid, survey.terrain.gradient
    for s in strokes:
        row, col = int((grid.north - s.y) / grid.cell_y), int((s.x - grid.west) / grid.cell_x)
        down = np.degrees(np.arctan2(-gradient.gx[row, col], -gradient.gy[row, col])) % 360
        assert abs((s.down_deg - down + 180) % 360 - 180) <= 0.51


def test_blocks_show_their_worst_cell() -> None:
    zone = np.array([[0, 1, 2], [0, 0, 3], [4, 0, 0]], dtype=np.uint8)
    inside = np.array([[1, 1, 1], [1, 1, 0], [0, 0, 1]], dtype=bool)
    assert worst_of_blocks(zone, inside, 2).tolist() == [[1, 2], [NO_GROUND, 0]]


def test_the_page_says_what_is_released_and_until_when(
    entry: OverviewEntry, ctx: PageContext, relief: FarmRelief
) -> None:
    text = html([entry], ctx, relief)
    assert 'class="ov-field is-released"' in text
    assert 'data-until="2026-06-12T20:00:00Z"' in text
    assert "released by Vroni Tratzer until 12 June 2026, 20:00 UTC" in text


def test_a_release_that_has_ended_is_none(entry: OverviewEntry, ctx: PageContext, relief: FarmRelief) -> None:
    """The entry is as the last build of the field left it; the page is issued later."""
    later = replace(ctx, issued_at=NOW + timedelta(days=1))
    text = html([entry], later, relief)
    assert "is-released" not in text
    assert "No field is released." in text
    assert entry.unreleased is not None
    closed = int(np.ceil(entry.unreleased.shares.closed_share * 100))
    assert f"{closed} %" in text


def test_the_moment_of_the_end_is_past(entry: OverviewEntry, ctx: PageContext, relief: FarmRelief) -> None:
    assert entry.release is not None
    assert "is-released" not in html([entry], replace(ctx, issued_at=entry.release.ends), relief)
    just_before = replace(ctx, issued_at=entry.release.ends - timedelta(seconds=1))
    assert "is-released" in html([entry], just_before, relief)


def test_unconfirmed_markings_come_first_and_the_worst_of_them_first(
    entry: OverviewEntry, ctx: PageContext, relief: FarmRelief
) -> None:
    text = html([entry], ctx, relief)
    assert text.index("Walk here first") < text.index("Released now") < text.index("<table")
    kinds = re.findall(r"<li.*?class=\"tag\">(\d+)</span> ([a-z ]+)", text[text.index("Walk here first") :])
    assert [int(tag) for tag, _ in kinds][:2] == [3, 2]  # the bank is severity 2, the wet spot 1


def test_a_marking_in_two_fields_is_counted_and_named_once_as_on_the_walk(
    survey: FieldSurvey, ctx: PageContext, relief: FarmRelief
) -> None:
    """From the field it lies in, wherever that stands in the list."""
    off = affinity.translate(survey.parcel.shape, -400.0)
    beside = replace(survey, parcel=replace(survey.parcel, field_id="A", slug="a", name="Beside", shape=off))
    surveys = [beside, survey]
    (farm,) = plan([stops_of(s) for s in surveys])
    walked = [(v.field.name, s.tag) for w in farm.walks for v in w.visits for s in v.stops if s.unconfirmed]
    entries = [entry_of(s, ctx) for s in surveys]
    text = html(entries, ctx, relief)
    first = text[text.index("Walk here first") : text.index("Released now")]
    named = [(name, int(tag)) for name, tag in re.findall(r"<li.*?>\d+ ([^<]+)</a>.*?class=\"tag\">(\d+)<", first)]
    assert sorted(named) == sorted(walked) == [("Hintere Leitn", 2), ("Hintere Leitn", 3)]
    assert "2 markings nobody has looked at" in first
    assert farm_line(Home("", ""), entries, [], ctx).unconfirmed == 2


def test_where_the_ambulance_meets_is_told_with_the_fields_it_leads_into(
    entry: OverviewEntry, ctx: PageContext, relief: FarmRelief
) -> None:
    """Gates along one road often bear one name."""
    ways = [EntryWayIn(f"w{n}", "Road gate", 0.0, 0.0, 7.0, 55.0 + n, True, "<b>wave") for n in (1, 2)]
    fields = [
        replace(entry, slug=f"f{n}", name=f"Field {n}", ways_in=(way,)) for n, way in enumerate(ways, start=1)
    ]
    page = html(fields, ctx, replace(relief, ways_in=(*ways, replace(ways[0], way_in_id="w3", name="Yard"))))
    told = re.findall(r"<li><b>(Road gate|Yard)</b>(?: \(([^<]*)\))? <span", page)
    names = {int(n): name for n, name in re.findall(r"(\d+) (Field \d)", page)}
    assert told == [
        *(("Road gate", f"{n} {name}") for n, name in sorted(names.items(), key=lambda f: f[1])),
        ("Yard", ""),
    ]
    assert "(&lt;b&gt;wave)" in page


def test_terrain_too_coarse_for_zones_is_not_drawn_as_open(
    entry: OverviewEntry, ctx: PageContext, relief: FarmRelief
) -> None:
    coarse = replace(entry, released=None, unreleased=None, why_none="cells of 5 m")
    text = html([coarse], ctx, relief)
    assert "no zones: terrain too coarse" in text
    assert 'class="ov-ground"' not in text
    assert "% closed" not in text
    assert "A field without hatching is not an open field" in text


def test_one_closed_cell_in_a_large_field_is_not_rounded_away(
    entry: OverviewEntry, ctx: PageContext, relief: FarmRelief
) -> None:
    assert entry.released is not None
    shares = replace(
        entry.released.shares,
        any_way_m2=39_999.0,
        up_down_m2=0,
        cut_off_m2=0,
        on_foot_m2=0,
        keep_out_m2=1.0,
        unsurveyed_m2=0,
    )
    text = html([replace(entry, released=replace(entry.released, shares=shares))], ctx, relief)
    assert ">1 % closed<" in text


def test_many_fields_keep_to_the_sheet(entry: OverviewEntry, ctx: PageContext, relief: FarmRelief) -> None:
    entries = [replace(entry, field_id=f"F{i}", slug=f"f{i}", name=f"Field {i}") for i in range(17)]
    text = html(entries, ctx, relief)
    assert 'class="overview paper-A4-sideways many"' in text
    assert text.count("<tr data-find=") == 17


def test_names_are_found_without_case_and_accents() -> None:
    assert folded("Großer Ödhang Île Žleb") == "grosser odhang ile zleb"
    assert findable("Großer Ödhang") == "grosser odhang grosser oedhang"
    assert findable("Upper Île") == "upper ile"


def test_names_are_escaped(entry: OverviewEntry, ctx: PageContext, relief: FarmRelief) -> None:
    name = "<b onload=x>\"'</script>"
    release = EntryRelease("<i>", name, NOW.isoformat(), (NOW + timedelta(hours=1)).isoformat())
    text = html([replace(entry, name=name, use=name, release=release)], ctx, relief)
    assert "<b onload" not in text
    assert "</script><" not in text.replace("defer></script>", "").replace("</script>\n", "")
