"""What is new since the map before: told right, told short, and never taken from a memory that is damaged."""

from __future__ import annotations

import html
import json
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import quick_farm
import small_farm
from shapely.geometry import Point

from atlas import engine
from atlas.driving.machines import rig
from atlas.editions.changes import CHANGES_FILE, MAPS_KEPT, field_change, field_removed
from atlas.editions.state import unpack
from atlas.farm import change
from atlas.farm.opening import open_farm
from atlas.farm.records import HAZARD_KINDS
from atlas.pages.change_records import FieldChange, GroundChange, MapChanges
from atlas.pages.changes import changes_page
from atlas.pages.context import PageContext, page_context

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()
RELEASE = {"ground": "firm", "released_by": "Runa", "until": "2026-05-09T20:00:00Z"}


def hazard(hazard_id: str = "a", **told: Any) -> dict[str, Any]:
    usual = {
        "hazard_id": hazard_id, "tag": 1, "kind": "wet_spot", "severity": 2, "reach_m": 5.0, "accuracy_m": 2.0,
        "depth_m": None, "unconfirmed": False, "note": "", "place": "in the north", "lon": 9.0, "lat": 47.0,
    }  # fmt: skip
    return {**usual, **told}


def drive(machine: str, ground: str, closed: float, up_down: float = 0.0, driver: str = "new") -> dict[str, Any]:
    return {
        "machine": machine, "ground": ground, "driver": driver, "any_way_m2": 1000 - closed - up_down,
        "up_down_m2": up_down, "on_foot_m2": closed, "keep_out_m2": 0.0, "unsurveyed_m2": 0.0,
    }  # fmt: skip


def figures(**told: Any) -> dict[str, Any]:
    usual = {
        "field_id": "F01", "name": "Meadow", "page": "fields/meadow.html", "hazards": [], "released": None,
        "area_m2": 1000.0, "lon": 9.0, "lat": 47.0,
        "shown": {"machine": "m", "ground": "wet", "driver": "new"}, "driving": [drive("m", "wet", 100)],
    }  # fmt: skip
    return {**usual, **told}


def marks(before: list[dict[str, Any]], now: list[dict[str, Any]]) -> list[str]:
    return [m.what for m in field_change(figures(hazards=before), figures(hazards=now)).marks]


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ({}, {}, []),
        ({}, {"severity": 3}, ["worse"]),
        ({}, {"severity": 1}, ["milder"]),
        ({}, {"severity": 3, "unconfirmed": True}, ["worse"]),
        ({"unconfirmed": True}, {}, ["seen"]),
        ({"unconfirmed": True}, {"severity": 1}, ["milder"]),
        ({}, {"unconfirmed": True}, ["doubt"]),
        ({}, {"lon": 9.00001}, ["moved"]),
        ({}, {"reach_m": 8.0}, ["moved"]),
        ({}, {"accuracy_m": 1.0}, ["moved"]),
        ({"kind": "unstable_bank", "severity": None, "depth_m": 1.0},
         {"kind": "unstable_bank", "severity": None, "depth_m": 2.0}, ["moved"]),
        ({"severity": 3}, {"kind": "slip", "severity": None}, ["moved"]),  # a machine slipped there: no milder
        ({"kind": "no_go", "severity": None}, {"severity": 1}, ["moved"]),
        ({"severity": 3}, {"severity": 2, "unconfirmed": True}, ["doubt"]),  # it still counts as 3
        ({"severity": 3, "unconfirmed": True}, {"severity": 2, "unconfirmed": True}, ["doubt"]),
        ({}, {"tag": 4}, []),  # another number on the map is no news
    ],
)  # fmt: skip
def test_what_became_of_a_marking(old: dict[str, Any], new: dict[str, Any], what: list[str]) -> None:
    assert marks([hazard(**old)], [hazard(**new)]) == what


def test_new_and_gone_markings_and_those_that_only_changed_places_in_the_list() -> None:
    assert marks([], [hazard("a")]) == ["new"]
    assert marks([hazard("a")], []) == ["gone"]
    assert marks([hazard("a"), hazard("b")], [hazard("b"), hazard("a")]) == []
    both = field_change(figures(hazards=[hazard("a", tag=1)]), figures(hazards=[hazard("b", tag=1)])).marks
    assert [(m.what, m.tag) for m in both] == [("new", 1), ("gone", None)]


def test_ground_is_compared_per_machine_on_what_each_paper_showed() -> None:
    shown = {"machine": "m", "ground": "firm", "driver": "new"}
    before = figures(shown=shown, driving=[drive("m", "firm", 100), drive("m", "wet", 700), drive("k", "firm", 0)])
    now = figures(
        driving=[
            drive("m", "firm", 100),
            drive("m", "wet", 730),
            drive("k", "wet", 0.4),
            drive("k", "wet", 0, driver="old"),
        ]
    )
    assert field_change(before, now).ground == (GroundChange("m", "new", "firm", "wet", 630.0, 0.0),)
    assert field_change(now, before).ground == (GroundChange("m", "new", "wet", "firm", -630.0, 0.0),)


def test_ground_that_only_became_up_and_down_is_told() -> None:
    before, now = figures(), figures(driving=[drive("m", "wet", 100, up_down=300)])
    assert field_change(before, now).ground == (GroundChange("m", "new", "wet", "wet", 0.0, 300.0),)
    assert field_change(now, before).ground == ()


def test_a_machine_that_is_new_or_coarse_terrain_has_nothing_to_compare() -> None:
    assert field_change(figures(), figures(driving=[drive("other", "wet", 5)])).ground == ()
    assert field_change(figures(shown=None, driving=[]), figures()).ground == ()


def test_a_field_that_was_cut_in_two_opened_nothing() -> None:
    half = {**drive("m", "wet", 50), "any_way_m2": 450.0}
    change = field_change(figures(), figures(area_m2=500.0, lon=9.0001, driving=[half]))
    assert change.redrawn
    assert change.ground == (GroundChange("m", "new", "wet", "wet", 450.0, 0.0),)


def test_a_boundary_is_another_one_by_area_or_place() -> None:
    assert not field_change(figures(), figures(area_m2=1000.4, lat=47.000001)).redrawn
    for told in ({"area_m2": 998.0}, {"lon": 9.00001}, {"lat": 47.00001}):
        change = field_change(figures(), figures(**told))
        assert change.redrawn
        assert not change.other


@pytest.mark.parametrize(
    ("before", "now", "what"),
    [
        (None, None, ""),
        (None, RELEASE, "released"),
        (RELEASE, None, "ended"),
        (RELEASE, RELEASE, ""),
        (RELEASE, {**RELEASE, "ground": "damp"}, "changed"),
        (RELEASE, {**RELEASE, "until": "2026-05-10T20:00:00Z"}, "changed"),
    ],
)
def test_releases(before: dict[str, str] | None, now: dict[str, str] | None, what: str) -> None:
    assert field_change(figures(released=before), figures(released=now)).release == what


def test_whose_old_paper_must_come_back() -> None:
    assert not field_change(None, figures()).collect
    assert field_change(figures(), figures()).collect  # drawn anew for another reason: still another sheet
    assert field_change(figures(), figures()).other
    assert field_removed(figures()).collect


# The page as it is read out.


@pytest.fixture(scope="module")
def context(small_farm_file: Path) -> PageContext:
    farm = open_farm(small_farm_file, SETTINGS, MAY_3)
    return page_context(farm, SETTINGS, rig(SETTINGS), 9, MAY_3)


def read_out(page: bytes) -> list[str]:
    """The page's words, line by line, without its head and foot."""
    main = page.decode().split('<main id="main">')[1].split("</main>")[0]
    text = re.sub(r"</?(?:a|b|strong|q)\b[^>]*>", "", main)
    lines = (html.unescape(re.sub(r"\s+", " ", line)).strip() for line in re.split(r"<[^>]*>", text))
    return [line for line in lines if line]


def told(context: PageContext, *changes: FieldChange, in_all: int = 10) -> list[str]:
    return read_out(
        changes_page([MapChanges(9, "2026-05-03T06:00:00Z", in_all, changes)], context)["changes.html"]
    )


def test_a_field_read_out(context: PageContext) -> None:
    before = figures(
        hazards=[
            hazard("a"),
            hazard("b", place="in the east", severity=3),
            hazard("c", kind="slip", severity=None),
        ],
        released=RELEASE,
        shown={"machine": "m", "ground": "firm", "driver": "new"},
        driving=[drive(m, "firm", 0) for m in ("mower", "k", "n")],
    )
    now = figures(
        hazards=[hazard("a", unconfirmed=True), hazard("d", note="by the ash", tag=2, kind="no_go", severity=None),
                 hazard("b", place="in the east", severity=1, tag=3)],
        driving=[drive("mower", "wet", 120.4), drive("k", "wet", 50, up_down=70), drive("n", "wet", 120)],
    )  # fmt: skip
    assert told(context, field_change(before, now)) == [
        "Map 9, 3 May 2026, 06:00 UTC",
        "Bring back old sheets of: Meadow.",
        "Meadow",
        "No longer released: the ground counts as wet.",
        "New: the lead says no, in the north, tag 2 by the ash.",
        "Look again before anyone drives: wet spot (boot sinks), in the north, tag 1.",
        "Milder: wet spot (boot prints stay), in the east, tag 3.",
        "Gone: a machine slipped here, in the north.",
        "Closed: 120 m² for Mower and n; 50 m² for k.",
        "More ground to go straight up or down only, never across: 70 m² for k.",
        "The sheet is drawn for ground wet, before it was firm and dry.",
    ]


def test_a_boundary_drawn_anew_is_read_out(context: PageContext) -> None:
    change = field_change(figures(), figures(area_m2=998.0))
    page = changes_page([MapChanges(9, "2026-05-03T06:00:00Z", 1, (change,))], context)["changes.html"]
    assert "The field's boundary was drawn anew." in read_out(page)


def test_releases_read_out(context: PageContext) -> None:
    given = told(context, field_change(figures(), figures(released={**RELEASE, "ground": "hay_down"})))
    assert "Released for ground cut hay lying until 9 May 2026, 20:00 UTC." in given
    changed = told(
        context, field_change(figures(released={**RELEASE, "ground": "damp"}), figures(released=RELEASE))
    )
    assert "Now released for ground firm and dry until 9 May 2026, 20:00 UTC." in changed


def test_every_kind_of_marking_can_be_read_out(context: PageContext) -> None:
    for kind in HAZARD_KINDS:
        lines = told(context, field_change(figures(), figures(hazards=[hazard(kind=kind, severity=None)])))
        assert lines[3].startswith("New: ")


def test_new_and_lost_fields_read_out(context: PageContext) -> None:
    lost = field_removed(figures(field_id="F02", name="Old", page="fields/old.html"))
    assert told(context, field_change(None, figures()), lost)[1:] == [
        "Bring back old sheets of: Old.",
        "Meadow",
        "This field is new in the atlas.",
        "Old",
        "No longer in the atlas: do not drive here by an old sheet.",
    ]


def test_many_fields_are_kept_short(context: PageContext) -> None:
    """A change of settings redraws every sheet: two lines, not two hundred."""
    fields = [figures(field_id=f"F{n}", name=f"N{n}", page=f"fields/n{n}.html") for n in range(200)]
    anew = [field_change(f, f) for f in fields]
    lines = told(context, *anew, in_all=200)
    reason = "drawn anew for another reason (boundary, terrain, neighbours, a storm or settings)"
    assert lines == ["Map 9, 3 May 2026, 06:00 UTC", "Bring back all old sheets.", f"200 {reason}."]
    some = told(context, *anew[:30], in_all=200)
    assert some[1] == "Bring back the old sheets of all 30 fields named below."
    assert some[2] == f"30 {reason}: {', '.join(f'N{n}' for n in range(30))}."


def test_names_and_notes_stay_text(context: PageContext) -> None:
    nasty = "<script>alert(1)</script>"
    now = figures(name=nasty, hazards=[hazard(note=nasty, place=nasty)])
    page = changes_page([MapChanges(9, "2026-05-03T06:00:00Z", 1, (field_change(figures(), now),))], context)
    assert b"<script>alert" not in page["changes.html"]
    assert page["changes.html"].count(b"&lt;script&gt;alert(1)&lt;/script&gt;") == 3


def test_a_field_that_went_away_later_has_no_link_in_earlier_maps(context: PageContext) -> None:
    then = MapChanges(8, "2026-05-02T06:00:00Z", 2, (field_change(figures(), figures(hazards=[hazard()])),))
    now = MapChanges(9, "2026-05-03T06:00:00Z", 1, (field_removed(figures()),))
    assert b'href="fields/meadow.html"' in changes_page([then], context)["changes.html"]
    assert b'href="fields/meadow.html"' not in changes_page([now, then], context)["changes.html"]


# Whole builds, one after another.


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    return small_farm.write(tmp_path / "farm.gpkg", fields=2)


def build(farm: Path, out: Path, hours: int) -> list[str]:
    """The next map; what it reads out."""
    now = MAY_3 + timedelta(hours=hours)
    engine.build(farm, out, settings=SETTINGS, now=now, jobs=1)
    return read_out((out / "changes.html").read_bytes())


def mark(farm: Path, hours: int, field: int = 0, **told: Any) -> str:
    now = MAY_3 + timedelta(hours=hours)
    place = open_farm(farm, SETTINGS, now).parcels[field].shape.centroid
    return change.mark(
        farm, "wet_spot", Point(place.x - 4, place.y - 4), severity=3, reach_m=2.0, accuracy_m=1.0, seen_at=now,
        settings=SETTINGS, **told,
    )  # fmt: skip


def maps(lines: list[str]) -> list[int]:
    return [int(found[1]) for line in lines if (found := re.match(r"Map (\d+),", line))]


def of_newest(lines: list[str]) -> list[str]:
    """What is said of the newest map alone."""
    starts = [k for k, line in enumerate(lines) if re.match(r"Map \d+,", line)]
    return lines[1 : starts[1]] if len(starts) > 1 else lines[1:]


def test_a_story_of_several_maps_newest_first(farm: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    assert of_newest(build(farm, out, 0)) == ["The first map: every sheet is new."]
    hazard_id = mark(farm, 1, note="new spring")
    lines = build(farm, out, 2)
    assert maps(lines) == [2, 1]
    new = of_newest(lines)
    assert new[:2] == ["Bring back old sheets of: Lower meadow.", "Lower meadow"]
    assert re.fullmatch(r"New: wet spot \(over the ankle\), .+, tag \d+ new spring\.", new[2])
    assert re.fullmatch(r"Closed: \d+ m² for Mower\.", new[3])
    closed = int(new[3].split()[1])
    assert closed > 20
    change.retire(farm, hazard_id, "Runa", MAY_3 + timedelta(hours=3), settings=SETTINGS)
    gone = of_newest(build(farm, out, 4))
    assert re.fullmatch(r"Gone: wet spot \(over the ankle\), [^,]+\.", gone[2])
    assert f"Opened: {closed} m² for Mower." in gone
    change.storm(farm, MAY_3 + timedelta(hours=5), "hail", settings=SETTINGS)
    stormy = of_newest(build(farm, out, 6))
    assert re.fullmatch(r"Storm, .+ UTC hail: all ground counts as wet until it is released again\. .+", stormy[0])
    assert stormy[1] == "Bring back all old sheets."
    assert "No longer released: the ground counts as wet." in stormy
    assert any(line.startswith("Look again before anyone drives: wet spot") for line in stormy)
    until = MAY_3 + timedelta(hours=20)
    change.release(farm, ["F02"], "damp", until, "Runa", MAY_3 + timedelta(hours=7), settings=SETTINGS)
    released = build(farm, out, 8)
    assert "Released for ground damp until 4 May 2026, 02:00 UTC." in of_newest(released)
    assert maps(released) == [5, 4, 3, 2, 1]
    assert not any(line.startswith("Storm") for line in of_newest(released)), "it is news once"
    assert sum(line.startswith("Storm") for line in released) == 1
    assert "No longer released: the ground counts as wet." in of_newest(build(farm, out, 30))


def test_closed_ground_is_what_the_data_says(farm: Path, tmp_path: Path) -> None:
    """Against the areas in data/atlas.json of both maps."""
    build(farm, tmp_path / "one", 0)
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    mark(farm, 1)
    line = next(x for x in build(farm, tmp_path / "two", 2) if x.startswith("Closed: "))
    areas = []
    for atlas in ("one", "two"):
        field = json.loads((tmp_path / atlas / "data" / "atlas.json").read_bytes())["fields"][0]
        row = next(d for d in field["driving"] if d["ground"] == field["shown"]["ground"])
        areas.append(row["on_foot_m2"] + row["keep_out_m2"] + row["unsurveyed_m2"])
    assert line == f"Closed: {round(areas[1] - areas[0])} m² for Mower."


def rewritten(farm: Path, edit: Any) -> None:
    """Another program writes the parcels anew."""
    parcels = gpd.read_file(farm, layer="parcels", engine="pyogrio")
    edit(parcels).to_file(farm, layer="parcels", driver="GPKG", engine="pyogrio")


def test_a_renamed_field_is_no_new_one(farm: Path, tmp_path: Path) -> None:
    build(farm, tmp_path / "build", 0)
    rewritten(farm, lambda p: p.assign(name=p["name"].replace("Lower meadow", "Long meadow")))
    new = of_newest(build(farm, tmp_path / "build", 1))
    assert not any("new in the atlas" in line or "No longer in the atlas" in line for line in new)
    assert new[0] == "Bring back all old sheets."  # the neighbour's map names it
    assert any("Long meadow" in line for line in new)


def test_a_lost_field_and_one_that_takes_its_file_name(farm: Path, tmp_path: Path) -> None:
    """Both are called the same: the first one's file name passes to the second. Ids tell them apart."""
    rewritten(farm, lambda p: p.assign(name="Meadow"))
    build(farm, tmp_path / "build", 0)
    rewritten(farm, lambda p: p[p["field_id"] == "F02"])
    new = of_newest(build(farm, tmp_path / "build", 1))
    assert "No longer in the atlas: do not drive here by an old sheet." in new
    assert not any("new in the atlas" in line for line in new)
    assert not any(line.startswith("Gone: ") for line in new), "compared with another field"


def test_an_added_field(farm: Path, tmp_path: Path) -> None:
    both = gpd.read_file(farm, layer="parcels", engine="pyogrio")
    rewritten(farm, lambda p: p[p["field_id"] == "F01"])
    build(farm, tmp_path / "build", 0)
    rewritten(farm, lambda _: both)
    new = of_newest(build(farm, tmp_path / "build", 1))
    assert new[0] == "Bring back old sheets of: Lower meadow."
    assert new[1:3] == ["Upper meadow", "This field is new in the atlas."]


def test_only_so_many_maps_are_kept(farm: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    build(farm, out, 0)
    many = [
        {"number": n, "issued_at": "2026-05-01T00:00:00Z", "in_all": 2, "fields": []} for n in range(40, 0, -1)
    ]
    (out / CHANGES_FILE).unlink()
    (out / CHANGES_FILE).write_text(json.dumps(many))
    mark(farm, 1)
    build(farm, out, 2)
    kept = json.loads((out / CHANGES_FILE).read_bytes())
    assert len(kept) == MAPS_KEPT
    assert [m["number"] for m in kept] == [2, *range(40, 40 - MAPS_KEPT + 1, -1)]


DAMAGED = [
    b"", b"{", b"[1]", b"{}", b'{"a": 1}', b"\xff\xfe", b"null", b'[{"number": 1}]',
    b'[{"number": 1, "issued_at": "soon", "in_all": 2, "fields": []}]',
    b'[{"number": 1, "issued_at": "2026-05-01T00:00:00Z", "in_all": 2, "fields": [{"name": "x"}]}]',
]  # fmt: skip


def test_a_damaged_memory_of_changes_costs_only_that(farm: Path, tmp_path: Path) -> None:
    build(farm, tmp_path / "first", 0)
    mark(farm, 1)
    for k, content in enumerate(DAMAGED):
        out = Path(shutil.copytree(tmp_path / "first", tmp_path / f"d{k}"))
        (out / CHANGES_FILE).write_bytes(content)
        lines = build(farm, out, 2)
        assert maps(lines) == [2], content
        assert any(line.startswith("New: wet spot") for line in lines)
        if k > 2:
            break  # the rest is read the same way; building each takes its time


def test_damaged_memories_are_read_as_none(farm: Path, tmp_path: Path) -> None:
    from atlas.editions.changes import earlier_changes

    build(farm, tmp_path / "build", 0)
    assert len(earlier_changes(tmp_path / "build")) == 1
    for content in DAMAGED:
        (tmp_path / "build" / CHANGES_FILE).write_bytes(content)
        assert earlier_changes(tmp_path / "build") == [], content


@pytest.mark.parametrize("content", [b"", b"damaged", None])
def test_a_field_whose_memory_is_damaged_still_has_its_paper_called_back(
    farm: Path, tmp_path: Path, content: bytes | None
) -> None:
    """Never told as a new field: old paper of it is out there."""
    out = tmp_path / "build"
    build(farm, out, 0)
    state = out / "data" / "state" / "lower-meadow.z"
    state.unlink()
    if content is not None:
        state.write_bytes(content)
    mark(farm, 1, field=1)
    new = of_newest(build(farm, out, 2))
    assert new[0] == "Bring back all old sheets."
    assert not any("new in the atlas" in line for line in new)
    assert any(line.startswith("1 drawn anew for another reason") and "Lower meadow" in line for line in new)


def test_figures_of_another_version_cost_only_the_comparison(farm: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    build(farm, out, 0)
    path = out / "data" / "state" / "lower-meadow.z"
    state = unpack(path.read_bytes())
    assert state is not None
    for h in state.figures["hazards"]:
        del h["unconfirmed"]
    path.unlink()
    path.write_bytes(state.pack())
    mark(farm, 1)
    new = of_newest(build(farm, out, 2))
    assert new[0] == "Bring back old sheets of: Lower meadow."
    assert any(line.startswith("1 drawn anew for another reason") and "Lower meadow" in line for line in new)
