"""A field's sheet as bytes: what it holds, in which order, how large, and that no name in it ever runs."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import numpy as np
import pytest
from made_sheet import made_context, made_survey
from shapely.geometry import Point

from atlas.errors import AtlasError
from atlas.farm.records import WayIn
from atlas.languages import speakers, speaking, templates_folder
from atlas.pages.assets import asset_files, edition_script
from atlas.pages.context import PageContext
from atlas.pages.overview import until
from atlas.pages.render import when
from atlas.pages.sheet import field_sheet, shown_set
from atlas.pages.sheet_set import counts_as, may_choose, shown
from atlas.settings import Settings, parse
from atlas.survey import FieldSurvey

HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'`{{7*7}}&amp;\u2028\u2029</title>"
VOID = {"meta", "link", "input", "br", "img", "hr"}


class Page(HTMLParser):
    """A plain reading of a page: elements, attributes, text; complains about tags that do not nest."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.found: list[tuple[str, dict[str, str]]] = []
        self.text: list[str] = []
        self.inside_script: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        (self.inside_script if self.open and self.open[-1] == "script" else self.text).append(data)

    def of(self, tag: str) -> list[dict[str, str]]:
        return [attrs for name, attrs in self.found if name == tag]


@pytest.fixture(scope="module")
def ctx() -> PageContext:
    return made_context()


@pytest.fixture(scope="module")
def survey(ctx: PageContext) -> FieldSurvey:
    return made_survey(ctx, east_m=110, north_m=90)


@pytest.fixture(scope="module")
def sheet(survey: FieldSurvey, ctx: PageContext) -> dict[str, bytes]:
    return field_sheet(survey, ctx)


def html_of(sheet: dict[str, bytes]) -> str:
    return next(v for k, v in sheet.items() if k.endswith(".html")).decode()


def data_of(sheet: dict[str, bytes]) -> dict[str, object]:
    script = next(v for k, v in sheet.items() if k.endswith(".js")).decode("ascii")
    head, first = "window.FIELD_ATLAS = ", script.split("\n", 1)[0]
    assert first.startswith(head)
    data: dict[str, object] = json.loads(first.removeprefix(head).removesuffix(";"))
    return data


def hostile(survey: FieldSurvey, ctx: PageContext) -> tuple[FieldSurvey, PageContext]:
    """The same field with a name that would run wherever a user may write one."""
    driving = survey.driving
    tagged = tuple(
        replace(t, place=HOSTILE, hazard=replace(t.hazard, note=HOSTILE, seen_by=HOSTILE)) for t in driving.hazards
    )
    assert survey.release is not None
    wicked = replace(
        survey,
        parcel=replace(
            survey.parcel, name=HOSTILE, note=HOSTILE, first_pass=HOSTILE, use=HOSTILE, field_id=HOSTILE
        ),
        driving=replace(driving, hazards=tagged),
        ways_in=tuple(replace(w, name=HOSTILE, note=HOSTILE) for w in survey.ways_in),
        neighbours=tuple(replace(n, name=HOSTILE) for n in survey.neighbours),
        release=replace(survey.release, released_by=HOSTILE),
        remarks=(HOSTILE,),
    )
    first, *rest = ctx.rig.machines.values()
    machines = {first.key: replace(first, name=HOSTILE), **{m.key: m for m in rest}}
    note = replace(ctx.terrain, source=HOSTILE, date=HOSTILE, crs=HOSTILE)
    return wicked, replace(
        ctx,
        farm_name=HOSTILE,
        lead_name=HOSTILE,
        lead_phone=HOSTILE,
        emergency_number=HOSTILE,
        terrain=note,
        rig=replace(ctx.rig, machines=machines),
    )


def test_names_are_shown_as_text_and_never_run(
    survey: FieldSurvey, ctx: PageContext, sheet: dict[str, bytes]
) -> None:
    made = field_sheet(*hostile(survey, ctx))
    page, tame = Page(html_of(made)), Page(html_of(sheet))
    assert [tag for tag, _ in page.found if tag in ("script", "img", "iframe")] == [
        tag for tag, _ in tame.found if tag in ("script", "img", "iframe")
    ]
    assert "".join(page.inside_script).strip() == ""
    assert not any(name.startswith("on") for _, attrs in page.found for name in attrs)
    assert HOSTILE in "".join(page.text)
    script = next(v for k, v in made.items() if k.endswith(".js"))
    first = script.split(b"\n", 1)[0]
    assert not set(b"<>&") & set(first)
    machines = data_of(made)["machines"]
    assert isinstance(machines, list)
    assert machines[0]["label"] == HOSTILE


def test_a_name_never_becomes_another_address(survey: FieldSurvey, ctx: PageContext) -> None:
    """Whatever the phone number holds, the link stays a telephone link; the slug alone makes file names."""
    page = Page(html_of(field_sheet(*hostile(survey, ctx))))
    kinds = {a["href"].split(":")[0] for a in page.of("a") if ":" in a["href"]}
    assert kinds == {"tel"}


def test_the_same_survey_gives_the_same_bytes(ctx: PageContext) -> None:
    first, second = (field_sheet(made_survey(made_context(), east_m=80, north_m=60), ctx) for _ in range(2))
    assert first == second


def test_only_own_files_and_no_inline_scripts_or_styles(sheet: dict[str, bytes]) -> None:
    page = Page(html_of(sheet))
    policy = next(m["content"] for m in page.of("meta") if m.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert not any("style" in attrs for _, attrs in page.found)
    assert page.of("style") == []
    assert all(s.get("src", "").startswith("../") for s in page.of("script"))
    files = {
        *asset_files(),
        *sheet,
        *(f"print/{name.replace('.html', '.pdf')}" for name in sheet),
        "assets/edition.js",
        "index.html",
        "machines.html",
        "changes.html",
        "walk.html",
    }
    asked = [s["src"] for s in page.of("script")] + [s["href"] for s in page.of("link")]
    asked += [a["href"] for a in page.of("a") if a["href"].startswith("..")]
    assert {a.removeprefix("../") for a in asked} <= files
    for content in (*sheet.values(), *(v for k, v in asset_files().items() if "leaflet" not in k)):
        outside = set(re.findall(rb"https?://[^\"' )]+", content)) - {b"http://www.w3.org/2000/svg"}
        assert outside == set()


def test_what_the_page_points_at_is_there(sheet: dict[str, bytes]) -> None:
    page = Page(html_of(sheet))
    ids = [attrs["id"] for _, attrs in page.found if "id" in attrs]
    assert len(ids) == len(set(ids))
    wanted = [attrs[a] for _, attrs in page.found for a in ("aria-labelledby",) if a in attrs]
    wanted += [attrs["href"][1:] for _, attrs in page.found if attrs.get("href", "").startswith("#")]
    wanted += re.findall(r"url\(#([^)]+)\)", html_of(sheet))
    assert set(wanted) <= set(ids)


def test_the_order_of_the_sheet(sheet: dict[str, bytes]) -> None:
    html = html_of(sheet)
    marks = [
        "<h1>", "Map 14", 'class="release', 'data-pick="machine"', "Do not drive", 'id="zone-map"', ">112<",
        "46.90000", "Vroni Tratzer</span>", "keep-off-title", "passes-title", "hand-title", "unconfirmed-title",
        "cautions-title", "lead-title", 'id="class-map"', "profile-title", "Where this comes from",
    ]  # fmt: skip
    places = [html.index(m) for m in marks[:7]] + [html.index(m) for m in marks[9:]]
    assert places == sorted(places)
    assert all(m in html for m in marks)


def test_the_legend_names_the_sign_s_end_by_what_one_sees(sheet: dict[str, bytes]) -> None:
    html = html_of(sheet)
    assert "straight up or down, never across <small>(the round end points downhill)" in html
    assert not re.search(r"\bbob\b", re.sub(r"<[^>]*>", " ", html))


def test_the_words_of_the_slope_map_stand_below_it_where_long_ones_find_room(sheet: dict[str, bytes]) -> None:
    html = html_of(sheet)
    picture = html[html.index('id="class-map"') :]
    drawn, below = picture[: picture.index("</svg>")], picture[picture.index("</svg>") :]
    assert "strip-word" not in drawn
    words = re.search(r"<figcaption>(.*?)</figcaption>", below[: below.index("</figure>")])
    assert words is not None
    assert re.fullmatch(r"1 : [\d\u202f]+ on A4 printed at 100 % · Terrain: .* · Grid: .*, metres", words[1])


def test_cautions_stand_on_the_sheet_and_nothing_is_promised(sheet: dict[str, bytes]) -> None:
    text = " ".join(" ".join(Page(html_of(sheet)).text).split())
    for part in ("guide", "handbook", "changes by the hour", "first slip", "Do not jump", "walk it first"):
        assert part in text
    everything = text + json.dumps(data_of(sheet))
    sources = [f.read_text() for f in templates_folder().rglob("*") if f.suffix in (".html", ".js", ".css")]
    assert not re.search(r"\bsafe", "\n".join([everything, *sources]), re.IGNORECASE)


def test_a_large_sheet_stays_under_its_size() -> None:
    """4 ha at 1 m cells with 5 machines, 5 grounds, 2 drivers: the page with its map under 600 KB."""
    ctx = made_context()
    survey = made_survey(ctx, east_m=250, north_m=200)
    assert survey.terrain.figures.area_m2 > 40_000
    assert len(survey.driving.drives) == 50
    assert sum(len(v) for v in field_sheet(survey, ctx).values()) < 600_000


def test_assets_stay_under_their_size_and_name_no_missing_file() -> None:
    files = asset_files()
    assert sum(len(v) for v in files.values()) < 400_000
    assert b"url(" not in files["assets/leaflet.css"]
    assert b"sourceMappingURL" not in files["assets/leaflet.js"]


def test_edition_script_is_one_plain_statement(ctx: PageContext) -> None:
    assert edition_script(15, ctx.issued_at) == (
        b'window.FIELD_ATLAS_EDITION = {"issued_at": "2026-06-12T06:10:00Z", "number": 15};\n'
    )


def test_a_field_that_is_not_released_counts_as_wet(ctx: PageContext) -> None:
    survey = made_survey(ctx, east_m=60, north_m=50, released=None)
    assert shown_set(survey, ctx) == ("slope_tractor", "wet", "new")
    html = html_of(field_sheet(survey, ctx))
    assert "Not released: counts as <b>wet</b>" in html
    offered = re.findall(r'<option value="(\w+)">', html.split('data-pick="ground"')[1].split("</select>")[0])
    assert offered == ["wet"]


def test_a_worse_ground_may_be_chosen_and_never_a_better_one(ctx: PageContext) -> None:
    survey = made_survey(ctx, east_m=60, north_m=50, released="firm")
    assert set(may_choose(survey, ctx.rig, "firm")) == {"firm", "damp", "wet", "parched", "hay_down"}
    assert may_choose(survey, ctx.rig, "damp") == ("damp", "wet")
    assert may_choose(survey, ctx.rig, "hay_down") == ("wet", "hay_down")
    inside = survey.terrain.covered > 0
    zones = {(d.machine, d.ground, d.driver): d.zone for d in survey.driving.drives}
    for (machine, ground, driver), zone in zones.items():
        for other in may_choose(survey, ctx.rig, ground):
            assert (zones[machine, other, driver][inside] >= zone[inside]).all()


def test_a_ground_that_opens_one_cell_is_not_offered(ctx: PageContext) -> None:
    """Worse by grip and sinking, and yet open where the released ground is closed: then it is no choice."""
    survey = made_survey(ctx, east_m=60, north_m=50, released="damp")
    first = {d.ground: d for d in reversed(survey.driving.drives) if d.driver == "practised"}
    wet, damp = first["wet"], first["damp"]
    assert wet.machine == damp.machine
    assert "wet" in may_choose(survey, ctx.rig, "damp")
    row, col = (int(v[0]) for v in ((survey.terrain.covered > 0.5) & (damp.zone > 0)).nonzero())
    zone = wet.zone.copy()
    zone[row, col] = 0
    drives = tuple(replace(d, zone=zone) if d is wet else d for d in survey.driving.drives)
    odd = replace(survey, driving=replace(survey.driving, drives=drives))
    assert may_choose(odd, ctx.rig, "damp") == ("damp",)


def test_the_farms_default_ground_counts_only_where_the_release_allows_it() -> None:
    settings = parse({"shown": {"ground": "wet", "machine": "bar_mower", "driver": "practised"}})
    ctx = made_context(settings)
    survey = made_survey(ctx, east_m=60, north_m=50, released="firm")
    assert shown_set(survey, ctx) == ("bar_mower", "wet", "practised")
    better = made_context(parse({"shown": {"ground": "firm"}}))
    assert shown(made_survey(better, east_m=60, north_m=50, released=None), better).ground == "wet"


def test_a_released_ground_that_the_farm_does_not_know_counts_as_wet(ctx: PageContext) -> None:
    survey = made_survey(ctx, east_m=60, north_m=50, released="marble")
    assert counts_as(survey, ctx.rig) == "wet"


def test_terrain_too_coarse_for_zones_is_said_and_shown_by_classes_only() -> None:
    ctx = made_context()
    survey = made_survey(ctx, east_m=110, north_m=90)
    why = "The terrain model has one height every 5 m; driving zones need one at least every 2 m."
    coarse = replace(survey, driving=replace(survey.driving, drives=(), tilts=(), why_none=why))
    html = html_of(field_sheet(coarse, ctx))
    assert why in html
    assert 'id="zone-map"' not in html
    assert html.index('id="class-map"') < html.index("keep-off-title")
    assert "data-pick" not in html


def test_a_field_outside_its_heights_is_drawn_as_not_measured() -> None:
    """Every sign that means "open" is absent where no height is known."""
    ctx = made_context(Settings())
    survey = made_survey(ctx, east_m=60, north_m=50)
    drives = tuple(
        replace(d, zone=d.zone * 0 + 4, reason=d.reason * 0 + 9, cut_off=d.cut_off * 0, no_turn=d.no_turn * 0)
        for d in survey.driving.drives
    )
    html = html_of(field_sheet(replace(survey, driving=replace(survey.driving, drives=drives)), ctx))
    paths = dict(re.findall(r'data-zone="(\w+)" d="([^"]*)"', html))
    assert {key for key, path in paths.items() if path} == {"unsurveyed"}


def test_errors_of_pages_are_not_hidden(ctx: PageContext) -> None:
    """A template that asks for what nobody gave is a fault of ours, not an AtlasError."""
    from jinja2 import UndefinedError

    from atlas.pages.render import page

    with pytest.raises(UndefinedError, match="survey") as caught:
        page("field.html", ctx, "fields/a.html", {})
    assert not isinstance(caught.value, AtlasError)


def section(page: str, name: str) -> str:
    found = re.search(rf'<section class="{name}".*?</section>', page, re.S)
    assert found
    return found[0]


def test_each_way_in_says_where_it_is_and_which_machine_it_keeps_out() -> None:
    """Two gates of one name are told apart by their places; whose machine is too heavy for one is named there."""
    ctx = made_context()
    survey = made_survey(ctx)
    (top,) = survey.ways_in
    west, south, east, _ = survey.parcel.shape.bounds
    low = WayIn("g2", top.name, 3.5, 4.0, False, "", Point((west + east) / 2, south))
    text = section(html_of(field_sheet(replace(survey, ways_in=(top, low)), ctx)), "passes")
    lines = re.findall(r"<li>(.*?)</li>", text, re.S)
    assert all(re.match(r"<b>Top gate</b>, (at the \S+ edge|in the \S+ corner),", line) for line in lines)
    assert "north" in lines[0]
    assert "south" in lines[1]
    assert "too narrow or too weak" not in lines[0]
    assert "too narrow or too weak for Hay transporter, loaded (example)</b>" in lines[1]


def test_a_field_without_markings_and_closed_ground_says_so_and_claims_nothing() -> None:
    """On paper a table's head without a line below it reads like something that was left out, and nobody has
    looked at markings that are not there."""
    ctx = made_context()
    survey = made_survey(ctx)
    drives = tuple(
        replace(
            d,
            zone=np.zeros_like(d.zone),
            cut_off=np.zeros_like(d.cut_off),
            no_turn=np.zeros_like(d.no_turn),
            any_way_m2=survey.parcel.shape.area,
            up_down_m2=0.0,
            on_foot_m2=0.0,
            keep_out_m2=0.0,
            unsurveyed_m2=0.0,
        )
        for d in survey.driving.drives
    )
    bare = replace(survey, driving=replace(survey.driving, hazards=(), drives=drives))
    page = html_of(field_sheet(bare, ctx))
    nothing = "nothing that is measured or marked"
    assert re.search(rf'<tbody[^>]*>\s*<tr><th scope="row">{nothing}</th>', section(page, "keep-off"))
    unconfirmed = section(page, "unconfirmed")
    assert "has been looked at" not in unconfirmed
    assert "Nobody has marked anything here, so there is no marking to look at again." in unconfirmed


def test_times_are_told_by_the_farm_s_clock_and_the_zone_is_said() -> None:
    """The lead releases until ten in the evening by the clock on the wall; paper must not say another hour."""
    by_the_wall = parse({"farm": {"time_zone": "Europe/Vienna"}})
    counted = []
    for settings, told in ((by_the_wall, "12 June 2026, 22:00 CEST"), (Settings(), "12 June 2026, 20:00 UTC")):
        ctx = made_context(settings)
        sheet = field_sheet(made_survey(ctx), ctx)
        assert f"until {told}" in html_of(sheet)
        counted.append([v for k, v in sheet.items() if k.endswith(".js")])
    assert counted[0] == counted[1]  # the device counts down to the same moment


def test_near_midnight_the_farm_s_day_is_told_with_the_farm_s_hour() -> None:
    late = datetime(2026, 6, 12, 23, 30, tzinfo=UTC)
    with speaking(speakers(["en"], "Europe/Vienna")[0]):
        assert when(late) == "13 June 2026, 01:30 CEST"
        assert until(late) == "13 June, 01:30 CEST"
