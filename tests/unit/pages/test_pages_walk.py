"""The page to walk by, its maps, and what it keeps of one field."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from made import METRIC
from made_sheet import made_context, made_survey
from made_walk import field, gate, likely, marked
from shapely.geometry import Point, box

from atlas.driving.walk import plan
from atlas.driving.walk_records import FieldStops
from atlas.driving.wet_places import WetPlace
from atlas.farm.records import WayIn
from atlas.pages.context import PageContext
from atlas.pages.overview_entry import OverviewEntry
from atlas.pages.walk import length, minutes, walk_pages
from atlas.pages.walk_entry import stops_of
from atlas.pages.walk_map import APART_MM, WIDTH_MM, Ground, draw_walk
from atlas.survey import FieldSurvey

CRS_WKT = METRIC.to_wkt()
HOSTILE = '</title><script>alert("x")</script>&<b>'


@pytest.fixture(scope="module")
def ctx() -> PageContext:
    return made_context()


@pytest.fixture(scope="module")
def survey(ctx: PageContext) -> FieldSurvey:
    made = made_survey(ctx)
    inside = made.parcel.shape.representative_point()
    wet = WetPlace(1, inside.x, inside.y, 10.3, 46.9, 9.8764, "in the middle")
    return replace(made, likely_wet=(wet,))


def entry(of: FieldStops, west: float, south: float, east: float, north: float) -> OverviewEntry:
    """An entry that is an outline and a name; nothing else of it is drawn on a walk's map."""
    shape = box(west, south, east, north)
    return OverviewEntry(
        of.field_id, of.field_id.lower(), of.name, "meadow", of.farm, shape.area, 20.0, 40.0, shape.wkt,
        (west + east) / 2, (south + north) / 2, 10.0, 47.0, None, None, "", 0, (), None, (),
    )  # fmt: skip


def two_fields(name: str = "Lower meadow", farm: str = "") -> tuple[list[FieldStops], list[OverviewEntry]]:
    one = field(
        "A",
        [
            marked("h1", 600_040, 5_200_060, "unstable_bank", note="undercut", tag=7),
            likely("A 1", 600_080, 5_200_020),
        ],
        [gate(600_010, 5_200_000, "Top gate")], name=name, farm=farm,
    )  # fmt: skip
    two = field("B", [likely("B 1", 600_160, 5_200_050)], [gate(600_210, 5_200_000)], name="Far corner", farm=farm)
    entries = [
        entry(one, 600_000, 5_200_000, 600_100, 5_200_080),
        entry(two, 600_110, 5_200_000, 600_220, 5_200_080),
    ]
    return [one, two], entries


def html(fields: list[FieldStops], entries: list[OverviewEntry], ctx: PageContext) -> str:
    return walk_pages(plan(fields), entries, ctx, CRS_WKT)["walk.html"].decode()


class Words(HTMLParser):
    """The page's text without styles, and its tags."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002 (the parser's own signature)
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.said.append(data)


def words(page: str) -> str:
    reader = Words()
    reader.feed(page)
    return re.sub(r"\s+", " ", " ".join(reader.said))


def test_each_stop_is_named_once_with_number_place_and_coordinates(ctx: PageContext) -> None:
    fields, entries = two_fields()
    page = html(fields, entries, ctx)
    assert re.findall(r'<li id="stop-(\d+)">', page) == ["1", "2", "3"]
    said = words(page)
    for stop in (s for f in fields for s in f.stops):
        assert said.count(f"{stop.at.lat:.5f}, {stop.at.lon:.5f}") == 1
    assert "undercut" in said
    assert "Top gate, at the south edge" in said


def test_likely_wet_is_never_said_to_be_wet(ctx: PageContext) -> None:
    fields, entries = two_fields()
    calm = [replace(f, stops=tuple(s for s in f.stops if not s.unconfirmed)) for f in fields]
    said = words(html(calm, entries, ctx)).lower()
    assert "likely wet" in said
    allowed = ("likely wet", "new wet spots may still have appeared")
    for phrase in allowed:
        said = said.replace(phrase, "")
    assert "wet" not in said
    assert "safe" not in said


def test_a_box_to_tick_and_boot_words_for_each_stop(ctx: PageContext) -> None:
    fields, entries = two_fields()
    page = html(fields, entries, ctx)
    ticks = re.findall(r'data-tick="([^"]+)"', page)
    assert len(ticks) == len(set(ticks))
    assert [t for t in ticks if t.startswith("h1")] == ["h1", "h1 1", "h1 2", "h1 3"]  # a bank has no boot words
    assert [t for t in ticks if t.startswith("B 1")] == ["B 1", "B 1 1", "B 1 2", "B 1 3", "B 1 4"]
    for label in ("boot prints stay", "boot sinks", "over the ankle", "further back than marked"):
        assert label in page


def test_unconfirmed_markings_head_the_page(ctx: PageContext) -> None:
    fields, entries = two_fields()
    page = html(fields, entries, ctx)
    listed = page[page.index("wk-urgent-title") : page.index("wk-list-title")]
    assert 'href="#stop-' in listed
    assert "Lower meadow" in listed
    assert '<span class="tag">7</span>' in listed
    assert "Far corner" not in listed


def test_hostile_names_stay_text(ctx: PageContext) -> None:
    fields, entries = two_fields(HOSTILE)
    hostile = [replace(f, gates=tuple(replace(g, name=HOSTILE) for g in f.gates)) for f in fields]
    hostile[0] = replace(hostile[0], stops=tuple(replace(s, note=HOSTILE) for s in hostile[0].stops))
    entries[0] = replace(entries[0], name=HOSTILE)
    page = html(hostile, entries, ctx)
    calm = html(*two_fields(), ctx)
    assert words(page).count('alert("x")') >= 4
    ours, theirs = Words(), Words()
    ours.feed(calm)
    theirs.feed(page)
    assert theirs.tags.count("script") == ours.tags.count("script")
    assert theirs.tags.count("b") == ours.tags.count("b")


def test_nothing_to_look_at_promises_nothing(ctx: PageContext) -> None:
    said = words(html([field("A", [])], [], ctx))
    assert "New wet spots may still have appeared" in said
    assert "Walk 1" not in said
    assert words(walk_pages((), [], ctx, CRS_WKT)["walk.html"].decode())


def test_several_farms_get_a_page_each_with_their_own_fields_only(ctx: PageContext) -> None:
    north, north_entries = two_fields(farm="../North")
    south = [field("S", [likely("S 1", 601_000, 5_200_000)], farm="South & Sons")]
    south_entries = [entry(south[0], 600_950, 5_199_950, 601_050, 5_200_050)]
    files = walk_pages(plan([*north, *south]), [*north_entries, *south_entries], ctx, CRS_WKT)
    assert sorted(files) == ["walk.html", "walks/north.html", "walks/south-sons.html"]
    listed = files["walk.html"].decode()
    assert 'href="walks/north.html"' in listed
    assert "South &amp; Sons" in listed
    assert 'href="../fields/s.html"' in files["walks/south-sons.html"].decode()
    assert "Lower meadow" not in files["walks/south-sons.html"].decode()


def test_the_same_walks_give_the_same_bytes(ctx: PageContext) -> None:
    assert html(*two_fields(), ctx) == html(*two_fields(), ctx)


def test_the_map_holds_every_stop_true_to_scale() -> None:
    fields, entries = two_fields()
    (farm,) = plan(fields)
    (walk,) = farm.walks
    drawing = draw_walk(walk, [Ground.of(e) for e in entries], CRS_WKT)
    frame = drawing.frame
    by_number = {s.number: s for s in drawing.stops}
    (n1, s1), (n2, s2) = walk.stops[0], walk.stops[-1]
    ground = math.hypot(s1.at.x - s2.at.x, s1.at.y - s2.at.y)
    paper = math.hypot(by_number[n1].x - by_number[n2].x, by_number[n1].y - by_number[n2].y)
    assert paper * frame.scale / 1000 == pytest.approx(ground, rel=1e-3)
    bar = drawing.measure.bar
    assert bar.length_mm * frame.scale / 1000 == pytest.approx(bar.length_m)
    for s in drawing.stops:
        assert s.half <= s.x + s.shift_x <= WIDTH_MM - s.half
        assert s.half <= s.y + s.shift_y <= frame.sheet.map_height_mm - s.half
    assert {f.name for f in drawing.fields if f.visited and f.label} == {"Lower meadow", "Far corner"}


def test_signs_of_neighbouring_stops_stand_apart() -> None:
    stops = [likely(f"A {k}", 600_000 + 15 * (k % 4), 5_200_000 + 15 * (k // 4), k) for k in range(1, 9)]
    far_off = field("B", [likely("B 1", 600_900, 5_200_000)], [])
    (farm,) = plan([field("A", stops, [gate(600_000, 5_199_990)]), far_off])
    drawing = draw_walk(farm.walks[0], [], CRS_WKT)
    spots = [(s.x + s.shift_x, s.y + s.shift_y) for s in drawing.stops]
    assert any(s.shift_x or s.shift_y for s in drawing.stops)
    nearest = min(math.dist(a, b) for i, a in enumerate(spots) for b in spots[:i])
    assert nearest >= APART_MM - 0.02


def test_feet_run_from_place_to_place() -> None:
    fields, entries = two_fields()
    walk = plan(fields)[0].walks[0]
    drawing = draw_walk(walk, [Ground.of(e) for e in entries], CRS_WKT)
    assert drawing.left_feet.count("M") == drawing.right_feet.count("M") == len(walk.places) - 1
    numbers = [float(v) for v in re.findall(r"-?[\d.]+", drawing.left_feet + drawing.right_feet)]
    first = walk.places[0].at
    x, y = drawing.frame.x_mm(first.x), drawing.frame.y_mm(first.y)
    half = len(numbers) // 2
    middle = [(numbers[i] + numbers[half + i]) / 2 for i in (0, 1)]
    assert middle == pytest.approx([x, y], abs=0.02)


def test_what_a_field_gives_to_a_walk(survey: FieldSurvey) -> None:
    kept = stops_of(survey)
    assert kept.page == f"fields/{survey.parcel.slug}.html"
    unconfirmed = [t for t in survey.driving.hazards if t.hazard.unconfirmed]
    assert [s.key for s in kept.stops if s.unconfirmed] == [t.hazard.hazard_id for t in unconfirmed]
    assert unconfirmed
    wet = kept.stops[-1]
    assert (wet.kind, wet.place, wet.at.lon, wet.at.lat) == ("likely_wet", "in the middle", 10.3, 46.9)
    grid = survey.terrain.grid
    row = int((grid.north - survey.likely_wet[0].y) / grid.cell_y)
    col = int((survey.likely_wet[0].x - grid.west) / grid.cell_x)
    assert wet.at.height_m == pytest.approx(survey.terrain.z[row, col], abs=0.051)
    assert FieldStops.from_json(json.loads(json.dumps(kept.as_json()))) == kept


def test_ways_in_of_the_field_itself_go_before_those_farther_off(survey: FieldSurvey) -> None:
    edge = survey.parcel.shape.boundary.interpolate(0)
    own = WayIn("g1", "own", None, None, False, "", Point(edge.x, edge.y))
    off = survey.parcel.shape.buffer(20).boundary.interpolate(0)
    other = WayIn("g2", "other", None, None, False, "", Point(off.x, off.y))
    assert [g.name for g in stops_of(replace(survey, ways_in=(other, own))).gates] == ["own"]
    assert [g.name for g in stops_of(replace(survey, ways_in=(other,))).gates] == ["other"]


@pytest.mark.parametrize(("metres", "said"), [(0, "0 m"), (344, "340 m"), (999, "1\u202f000 m"), (1260, "1.3 km")])
def test_lengths_are_said_no_finer_than_known(metres: float, said: str) -> None:
    assert length(metres) == said


@pytest.mark.parametrize(
    ("value", "said"), [(0, "5 min"), (51, "55 min"), (60, "1 h"), (61, "1 h 5 min"), (120, "2 h")]
)
def test_times_are_said_to_the_next_five_minutes(value: float, said: str) -> None:
    assert minutes(value) == said
