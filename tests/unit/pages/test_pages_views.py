"""The view from a way in on the sheet: its signs, its words, and what it says where there is none."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from made import NORTH, WEST
from made_sheet import made_context, made_survey
from shapely.geometry import Point, box

from atlas.driving.places import place_words
from atlas.driving.records import Zone
from atlas.driving.views import MOST_VIEWS, Views, views_from
from atlas.farm.records import WayIn
from atlas.grid import Heights
from atlas.pages.context import PageContext
from atlas.pages.sheet import field_sheet
from atlas.pages.sheet_set import shown
from atlas.pages.view_kernel import seen_in_parts
from atlas.pages.view_words import about
from atlas.pages.views import drawn_views, sheet_views
from atlas.survey import FieldSurvey
from atlas.terrain.view import Scene

MOST_BYTES = 60_000  # of all pictures of a field, in its page


def with_views(survey: FieldSurvey, *ways: WayIn) -> FieldSurvey:
    """A made field with the views from its ways in; all there is around it is its own terrain."""
    ways = ways or survey.ways_in
    heights = Heights(survey.terrain.grid, survey.terrain.z)
    scene = Scene(heights, heights, heights)
    views = views_from(survey.parcel, ways, survey.terrain, survey.driving, scene)
    return replace(survey, views=views, ways_in=ways)


def gate(survey: FieldSurvey, share_east: float, name: str = "Low gate") -> WayIn:
    """A way in on the field's south edge."""
    west, south, east, north = survey.parcel.shape.bounds
    column = box(west + share_east * (east - west) - 0.5, south, west + share_east * (east - west) + 0.5, north)
    there = survey.parcel.shape.intersection(column)
    return WayIn(name, name, 3.0, None, False, "", Point(there.centroid.x, there.bounds[1]))


@pytest.fixture(scope="module")
def ctx() -> PageContext:
    return made_context()


@pytest.fixture(scope="module")
def seen(ctx: PageContext) -> FieldSurvey:
    survey = made_survey(ctx)
    return with_views(survey, *survey.ways_in, gate(survey, 0.4))


def page_of(survey: FieldSurvey, ctx: PageContext) -> str:
    return field_sheet(survey, ctx)["fields/hintere-leitn.html"].decode()


def section(page: str) -> str:
    found = re.search(r'<section class="views".*?</section>', page, re.S)
    assert found
    return found[0]


def test_every_way_in_has_its_picture_and_plan(seen: FieldSurvey, ctx: PageContext) -> None:
    text = section(page_of(seen, ctx))
    assert text.count('class="picture view-picture"') == text.count('class="picture view-plan"') == 2
    for way in seen.ways_in:
        assert f"From: {way.name}, {place_words(way.shape, seen.parcel.shape)} of the field" in text
    assert len(text.encode()) < MOST_BYTES


def test_the_picture_is_xml_and_says_what_it_shows(seen: FieldSurvey, ctx: PageContext) -> None:
    for view in sheet_views(seen, ctx, drawn_views(seen, ctx, shown(seen, ctx))):
        root = ElementTree.fromstring(f"<svg>{view.picture}</svg>")[0]
        told = (root.findtext("title") or "", root.findtext("desc") or "")
        assert view.name in told[0]
        assert all(f"{part}:" in told[1] for part in ("Left", "Middle", "Right"))
        assert set(root.get("aria-labelledby", "").split()) == {e.get("id") for e in root[:2]}
        assert "style" not in {name for e in root.iter() for name in e.attrib}


def test_the_middle_is_told_from_true_north(seen: FieldSurvey, ctx: PageContext) -> None:
    turned = replace(seen, place=replace(seen.place, convergence_deg=-10.0))
    here, there = (sheet_views(s, ctx, drawn_views(s, ctx, shown(s, ctx)))[0] for s in (seen, turned))
    assert (there.bearing_deg - here.bearing_deg) % 360 == round(10.0 + seen.place.convergence_deg)


def test_closed_ground_has_the_map_s_signs(seen: FieldSurvey, ctx: PageContext) -> None:
    """Every closed zone that is seen has its fill, and that fill is defined."""
    page = page_of(seen, ctx)
    text = section(page)
    chosen = shown(seen, ctx)
    drive = next(
        d
        for d in seen.driving.drives
        if (d.machine, d.ground, d.driver) == (chosen.machine, chosen.ground, chosen.driver)
    )
    zones = np.unique(np.concatenate([drive.zone.ravel()[v.view.cells] for v in seen.views.seen]))
    assert {Zone.ON_FOOT, Zone.KEEP_OUT} <= set(zones.tolist())
    for zone, key in ((Zone.ON_FOOT, "on_foot"), (Zone.KEEP_OUT, "keep_out"), (Zone.UNSURVEYED, "unsurveyed")):
        assert (f'fill="url(#view-{key})"' in text) == (zone in zones)
    for used in set(re.findall(r"url\(#([\w-]+)\)", text)):
        assert f'id="{used}"' in page


def test_a_pixel_shows_the_worst_it_holds(seen: FieldSurvey) -> None:
    view = seen.views.seen[0].view
    values = np.zeros(seen.terrain.grid.shape, dtype=np.uint8)
    pixel = view.pixels[np.argmax(np.bincount(view.pixels)[view.pixels])]
    cells = view.cells[view.pixels == pixel]
    assert cells.size > 1
    values.ravel()[cells[0]] = 3
    assert view.worst(values).ravel()[pixel] == 3
    assert (view.worst(values) == 255).sum() == (~view.field).sum()


def test_every_pixel_shows_the_largest_of_its_values(seen: FieldSurvey) -> None:
    view = seen.views.seen[0].view
    values = np.random.default_rng(3).integers(0, 200, seen.terrain.grid.shape).astype(np.uint8)
    plain = np.full(view.kind.size, -1)
    np.maximum.at(plain, view.pixels, values.ravel()[view.cells])
    assert np.array_equal(view.worst(values).ravel(), np.where(plain < 0, 255, plain))


def test_what_is_seen_in_each_part_is_counted_as_arrays_count_it() -> None:
    rng = np.random.default_rng(4)
    pixels, cells = rng.integers(0, 32 * 20, 900), rng.integers(0, 50, 900)
    away, z, zone = rng.random(50).round(1), rng.random(50), rng.integers(0, 5, 50).astype(np.uint8)
    z[rng.random(50) < 0.3] = np.nan
    last, times, near = seen_in_parts(pixels, cells, 32, 3, away, z, zone)
    for part in range(3):
        here = cells[pixels % 32 // 10 == part]
        assert last[part] == here[np.argmax(np.where(np.isnan(z[here]), -1.0, away[here]))]
        for kind in range(5):
            of_kind = here[zone[here] == kind]
            assert times[part, kind] == len(of_kind)
            assert near[part, kind] == away[of_kind].min(initial=np.inf)
    nothing, _, _ = seen_in_parts(pixels, cells, 32, 3, away, np.full(50, np.nan), zone)
    assert nothing.tolist() == [-1, -1, -1]


def test_tags_that_are_not_seen_are_named_with_why(seen: FieldSurvey, ctx: PageContext) -> None:
    for drawn, view in zip(
        sheet_views(seen, ctx, drawn_views(seen, ctx, shown(seen, ctx))), seen.views.seen, strict=True
    ):
        for tag in view.tags:
            inside = tag.seen and tag.in_picture
            assert (f'data-seen-tag="{tag.tag}"' in drawn.picture) == inside
            assert (f"tag {tag.tag} (" in drawn.not_seen) != inside


def test_what_counts_once_a_release_has_run_out_is_there_too(ctx: PageContext) -> None:
    released = section(page_of(with_views(made_survey(ctx, released="firm")), ctx))
    assert released.count('<g class="view-now">') == released.count('<g class="view-back">') == 1
    assert "ground <b>firm and dry</b>" in released
    assert "ground <b>wet</b>" in released
    unreleased = section(page_of(with_views(made_survey(ctx, released=None)), ctx))
    assert "view-back" not in unreleased


def test_no_way_in_is_said(ctx: PageContext) -> None:
    survey = replace(made_survey(ctx), ways_in=(), views=Views())
    assert "No way in is on file for this field, so there is no picture" in section(page_of(survey, ctx))


def test_a_way_in_where_nothing_is_measured_is_said(ctx: PageContext) -> None:
    survey = made_survey(ctx)
    away = WayIn("far", "Ford", None, None, False, "", Point(WEST - 500, NORTH + 500))
    text = section(page_of(with_views(survey, away), ctx))
    assert "No picture from Ford: no height is measured there." in text
    assert "<svg" not in text


def test_without_zones_the_field_is_drawn_all_the_same(seen: FieldSurvey, ctx: PageContext) -> None:
    bare = replace(seen, driving=replace(seen.driving, drives=(), tilts=(), why_none="too coarse"))
    text = section(page_of(bare, ctx))
    assert "No driving zones are drawn: the terrain model is too coarse for them." in text
    assert 'class="view-field"' in text
    assert "url(#view-keep_out)" not in text


def test_a_name_stays_text(ctx: PageContext) -> None:
    survey = made_survey(ctx)
    text = section(page_of(with_views(survey, gate(survey, 0.5, '<b>"x"&{{ y }}')), ctx))
    assert "<b>&#34;x" not in text
    assert "&lt;b&gt;&#34;x&#34;&amp;{{ y }}" in text


def test_open_ground_that_the_machine_does_not_reach_is_told_as_such(seen: FieldSurvey, ctx: PageContext) -> None:
    """Nobody may read "straight up or down" where the map says that there is no way in."""
    chosen = shown(seen, ctx)
    cut = tuple(
        replace(
            d,
            zone=np.full_like(d.zone, Zone.UP_DOWN),
            cut_off=np.ones_like(d.cut_off),
        )
        for d in seen.driving.drives
    )
    lost = replace(seen, driving=replace(seen.driving, drives=cut))
    told = sheet_views(lost, ctx, drawn_views(lost, ctx, chosen))[0].told[0].parts
    assert all("no way in for this machine from" in part.text for part in told)
    assert not any("straight up or down" in part.text for part in told)


def test_more_ways_in_than_a_sheet_holds(ctx: PageContext) -> None:
    survey = made_survey(ctx, east_m=90, north_m=70)
    ways = tuple(gate(survey, 0.2 + 0.08 * k, f"Gate {k}") for k in range(MOST_VIEWS + 1))
    seen = with_views(survey, *ways)
    assert len(seen.views.seen) == MOST_VIEWS
    assert f"No picture from Gate {MOST_VIEWS}: the sheet holds no more." in section(page_of(seen, ctx))


@pytest.mark.parametrize(
    ("metres", "text"), [(3.4, "3 m"), (19.6, "20 m"), (43, "45 m"), (187, "190 m"), (1234, "1\u202f250 m")]
)
def test_distances_are_round(metres: float, text: str) -> None:
    assert about(metres) == text
