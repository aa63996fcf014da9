"""An atlas of several farms: each has its own pages, paper and data, and only what changed is written anew."""

from __future__ import annotations

import json
import posixpath
import re
import shutil
from datetime import timedelta
from pathlib import Path

import printed
import pytest
import several_farms
from conftest import MAY_3

from atlas import engine
from atlas.driving.machines import Rig
from atlas.editions.keys import field_key, shared_key
from atlas.editions.reading import AtlasFolder
from atlas.editions.sharing import share
from atlas.farm import change, groups
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.farm.records import Parcel
from atlas.pages import farms
from atlas.settings import Settings
from atlas.survey import FieldSurvey, survey_field

MOST_LOADED = 2_000_000  # bytes of one file that a page loads
SLUGS = ("oberhof", "unter-sohn", "fields")
LOADED = re.compile(r'<(?:script|img|link)\b[^>]*? (?:src|href)="([^"]+)"')
LINKED = re.compile(r'<a\b[^>]*? href="([^"#:]+)"')


@pytest.fixture(scope="module")
def farm_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return several_farms.write(tmp_path_factory.mktemp("several") / "farm.gpkg")


@pytest.fixture(scope="module")
def atlas(farm_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With paper, in two languages; to read only."""
    out = tmp_path_factory.mktemp("several-atlas") / "build"
    engine.build(farm_file, out, settings=several_farms.settings(True, ("en", "de")), now=MAY_3, jobs=1)
    return out


def snapshot(out: Path) -> dict[str, bytes]:
    return {str(p.relative_to(out)): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}


def references(out: Path, pattern: re.Pattern[str]) -> set[tuple[str, str]]:
    """Page and path, both in the atlas, of all that `pattern` finds in its pages."""
    return {
        (
            str(page.relative_to(out)),
            posixpath.normpath(posixpath.join(page.parent.relative_to(out).as_posix(), to)),
        )
        for page in out.rglob("*.html")
        for to in pattern.findall(page.read_text())
        if not to.startswith("data:")
    }


def test_every_link_leads_somewhere_and_nothing_loaded_is_too_large(atlas: Path) -> None:
    linked, loaded = references(atlas, LINKED), references(atlas, LOADED)
    assert {page for page, _ in linked} >= {f"farms/{slug}.html" for slug in SLUGS}
    assert {(page, to) for page, to in linked | loaded if not (atlas / to).is_file()} == set()
    on_demand = {
        p.relative_to(atlas).as_posix() for p in [*atlas.glob("assets/find-*.js"), *atlas.glob("fields/*.js")]
    }
    assert on_demand
    sizes = {to: (atlas / to).stat().st_size for to in {to for _, to in loaded} | on_demand}
    assert max(sizes.values()) < MOST_LOADED
    assert all(p.stat().st_size < MOST_LOADED for p in atlas.rglob("*.html"))


def test_each_farm_s_pages_name_its_own_fields_only(atlas: Path) -> None:
    own = {"oberhof": {"F01", "F03", "F06"}, "unter-sohn": {"F02", "F05"}, "fields": {"F04"}}
    listed = json.loads((atlas / "data/atlas.json").read_bytes())["fields"]
    page_of = {f["field_id"]: f["page"] for f in listed}
    for slug, ids in own.items():
        for kind in ("farms", "days"):
            named = {to for page, to in references(atlas, LINKED) if page == f"{kind}/{slug}.html"}
            assert {to for to in named if to.startswith("fields/")} == {page_of[i] for i in ids}, kind


def test_a_sheet_leads_to_its_farm_s_pages(atlas: Path) -> None:
    linked = {to for page, to in references(atlas, LINKED) if page == "fields/upper-meadow.html"}
    assert linked >= {"index.html", "farms/unter-sohn.html", "walks/unter-sohn.html", "changes/unter-sohn.html"}
    assert not linked & {"walk.html", "changes.html", "day.html"}


def test_the_data_files_are_an_index_and_one_of_the_same_shape_for_each_farm(atlas: Path) -> None:
    index = json.loads((atlas / "data/atlas.json").read_bytes())
    assert (index["format"], index["edition"]["number"]) == ("field-atlas/1", 1)
    assert [f["data"] for f in index["fields"]].count("data/farms/oberhof.json") == 3
    for light in index["fields"]:
        apart = json.loads((atlas / light["data"]).read_bytes())
        assert {k: apart[k] for k in ("format", "edition", "farm", "terrain")} == {
            k: index[k] for k in ("format", "edition", "farm", "terrain")
        }
        (whole,) = (f for f in apart["fields"] if f["field_id"] == light["field_id"])
        assert {k: whole[k] for k in ("name", "page", "farm", "area_m2")} == {
            k: light[k] for k in ("name", "page", "farm", "area_m2")
        }
        assert whole["slope"]["classes"]


def test_each_farm_has_its_paper_and_the_first_says_where(atlas: Path) -> None:
    first = "".join(printed.text(atlas / "print/atlas.pdf").split())
    plain = first.replace("-", "")  # a name that is broken at its hyphen reads without it
    assert all(f"farms/{slug.replace('-', '')}.pdf" in plain for slug in SLUGS)
    assert "Machinecards" in first
    told = printed.text(atlas / "print/farms/unter-sohn.pdf")
    assert "Unter & Sohn" in told
    assert all(name in told for name in ("Upper meadow", "Briefing record", "Machine cards"))
    assert "Far corner · Map" not in told  # a neighbour, named on the map but without a sheet
    assert "Alle Felder: Oberhof" in printed.text(atlas / "print/farms/oberhof.de.pdf")


def test_after_one_mark_only_that_farm_s_pages_and_paper_are_written_anew(
    farm_file: Path, atlas: Path, tmp_path: Path
) -> None:
    farm = Path(shutil.copy(farm_file, tmp_path / "farm.gpkg"))
    out = Path(shutil.copytree(atlas, tmp_path / "build"))
    before = snapshot(out)
    settings = several_farms.settings(True, ("en", "de"))
    spot = open_farm(farm, settings, MAY_3).parcels[4].shape.representative_point()
    change.mark(farm, "slip", spot, reach_m=1.0, seen_at=MAY_3, settings=settings)
    engine.build(farm, out, settings=settings, now=MAY_3 + timedelta(days=1), jobs=1)
    after = snapshot(out)
    assert snapshot(atlas) == before  # what was taken over is not written through to the old atlas
    apart = ("farms/", "days/", "walks/", "changes/", "data/farms/", "data/walks/", "print/farms/")
    changed = {n for n in after if n.startswith(apart) and after[n] != before.get(n)}
    assert {Path(n).name.split(".")[0] for n in changed} == {"unter-sohn"}
    assert {n for n in changed if n.endswith(".pdf")} == {
        "print/farms/unter-sohn.pdf",
        "print/farms/unter-sohn.de.pdf",
    }
    assert after.keys() == before.keys()
    assert "Lower meadow" in after["changes/unter-sohn.html"].decode()
    summary = after["changes.html"].decode()
    assert 'href="changes/unter-sohn.html"' in summary
    assert "1 field with news" in summary
    assert "oberhof" not in summary
    fresh = tmp_path / "fresh"
    engine.build(farm, fresh, settings=settings, now=MAY_3 + timedelta(days=1), jobs=1)
    whole = snapshot(fresh)
    assert whole["data/hazards.gpx"] == after["data/hazards.gpx"]
    assert whole["data/atlas.gpkg"] == after["data/atlas.gpkg"]


def test_a_field_that_is_gone_is_told_on_its_farm_s_page_or_where_no_farm_is_left(tmp_path: Path) -> None:
    out, settings = tmp_path / "build", several_farms.settings()
    farm = several_farms.write(tmp_path / "farm.gpkg", ("Au", "Berg", "Au", "Tal"))
    engine.build(farm, out, settings=settings, now=MAY_3, jobs=1)
    farm = several_farms.write(tmp_path / "farm.gpkg", ("Au", "Berg"))
    engine.build(farm, out, settings=settings, now=MAY_3 + timedelta(days=1), jobs=1)
    gone = "No longer in the atlas"
    assert gone in (out / "changes/au.html").read_text()
    summary = (out / "changes.html").read_text()
    assert f"{gone}: do not drive here by an old sheet.</strong> Far corner" in summary
    assert not (out / "farms/tal.html").exists()


def test_no_page_of_changes_links_to_a_field_that_went_away_from_another_farm(tmp_path: Path) -> None:
    """F03 goes from one farm to another and then out of the file: the farm it left told of it once."""
    out, settings = tmp_path / "build", several_farms.settings()
    farm = tmp_path / "farm.gpkg"
    steps = [("Au", "Berg", "Au", "Berg"), ("Au", "Berg", "Berg", "Berg"), ("Au", "Berg")]
    several_farms.write(farm, steps[0])
    engine.build(farm, out, settings=settings, now=MAY_3, jobs=1)
    inside = open_farm(farm, settings, MAY_3).parcels[2].shape.representative_point()
    change.mark(farm, "slip", inside, seen_at=MAY_3, now=MAY_3, settings=settings)
    engine.build(farm, out, settings=settings, now=MAY_3 + timedelta(hours=1), jobs=1)
    assert 'href="../fields/spring-bank.html"' in (out / "changes/au.html").read_text()
    for day, farms_then in enumerate(steps[1:], start=1):
        several_farms.write(farm, farms_then)
        engine.build(farm, out, settings=settings, now=MAY_3 + timedelta(days=day), jobs=1)
    assert "Spring bank" in (out / "changes/au.html").read_text()
    linked = references(out, LINKED)
    assert {(page, to) for page, to in linked if not (out / to).is_file()} == set()


def test_a_storm_is_told_once_on_the_list_of_farms_and_on_each_farm_s_page(tmp_path: Path) -> None:
    out, settings = tmp_path / "build", several_farms.settings()
    farm = several_farms.write(tmp_path / "farm.gpkg", ("Au", "Berg"))
    engine.build(farm, out, settings=settings, now=MAY_3, jobs=1)
    pages = ("changes.html", "changes/au.html", "changes/berg.html")
    assert not any("<strong>Storm, " in (out / page).read_text() for page in pages)
    change.storm(farm, MAY_3 + timedelta(hours=20), "hail", settings=settings)
    for day in (1, 2):
        at = MAY_3 + timedelta(days=day)
        spot = open_farm(farm, settings, at).parcels[0].shape.centroid
        change.mark(farm, "slip", spot, seen_at=at, settings=settings)
        engine.build(farm, out, settings=settings, now=at, jobs=1)
        for page in pages:
            told = (out / page).read_text()
            assert told.count("<strong>Storm, 4 May 2026, 02:00 UTC</strong> <q>hail</q>: all ground counts") == 1
            assert ("Map 3" in told) == (day == 2 and "berg" not in page)


def test_a_field_that_failed_is_named_on_the_list_and_on_its_farm_s_pages(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(farm: Farm, parcel: Parcel, settings: Settings, rig: Rig) -> FieldSurvey:
        if parcel.field_id in ("F02", "F03"):
            raise ValueError("made for a test")
        return survey_field(farm, parcel, settings, rig)

    monkeypatch.setattr("atlas.running.field.survey_field", failing)
    farm = several_farms.write(tmp_path / "farm.gpkg", ("Au", "Berg", "Au"))
    out = tmp_path / "build"
    engine.build(farm, out, settings=several_farms.settings(), now=MAY_3, jobs=1)
    assert "Not on this map: Spring bank, Upper meadow." in (out / "index.html").read_text()
    assert "Not on this map: Spring bank, Upper meadow." in (out / "changes.html").read_text()
    for page in ("farms/au.html", "changes/au.html"):
        assert "Not on this map: Spring bank." in (out / page).read_text()
    assert not (out / "farms/berg.html").exists()  # none of its fields could be surveyed
    assert {to for _, to in references(out, LINKED) if not (out / to).is_file()} == set()


def test_the_finder_s_files_are_bounded(atlas: Path, farm_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: dict[str, bytes] = {}
    monkeypatch.setattr(farms, "MOST_BYTES", 120)
    finds = farms.FindFiles(made.__setitem__)
    for number, parcel in enumerate(open_farm(farm_file, several_farms.settings()).parcels, 1):
        finds.take(parcel, 0, number)
    assert finds.done() == len(made) > 2
    assert max(map(len, made.values())) < 220
    assert b"".join(made.values()).count(b"meadow") >= 4
    assert (atlas / "assets/find-1.js").stat().st_size < 1_000_000


def test_sharing_hands_on_sheets_and_the_whole(atlas: Path, tmp_path: Path) -> None:
    folder = AtlasFolder(atlas)
    facts = folder.facts()
    folder.close()
    assert len(facts.fields) == 6
    made = share(atlas, tmp_path / "to", fields=["F05"])
    assert len(made.sheets) == 2  # a language each
    assert (tmp_path / "to" / made.archive).stat().st_size > 100_000


def test_the_same_file_gives_the_same_bytes(farm_file: Path, atlas: Path, tmp_path: Path) -> None:
    out = tmp_path / "again"
    engine.build(farm_file, out, settings=several_farms.settings(True, ("en", "de")), now=MAY_3, jobs=1)
    assert snapshot(out) == snapshot(atlas)


def test_a_farm_in_parts_has_pages_for_each_and_its_sheets_know_their_own(
    farm_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = several_farms.settings()
    whole = keys(farm_file, settings)
    monkeypatch.setattr(groups, "MOST_TOGETHER", 2)
    monkeypatch.setattr(groups, "A_PART", 2)
    parted = keys(farm_file, settings)
    assert {i for i in whole if whole[i] != parted[i]} == {"F01", "F03", "F06"}  # Oberhof
    out = tmp_path / "build"
    engine.build(farm_file, out, settings=settings, now=MAY_3, jobs=1)
    assert {p.stem for p in (out / "farms").glob("*.html")} == {"oberhof-1", "oberhof-2", "unter-sohn", "fields"}
    assert "Oberhof, part 2" in (out / "index.html").read_text()
    assert {to for _, to in references(out, LINKED) if not (out / to).is_file()} == set()


def keys(path: Path, settings: Settings) -> dict[str, str]:
    farm = open_farm(path, settings, MAY_3)
    shared = shared_key(farm, settings)
    return {p.field_id: field_key(shared, farm, p, settings) for p in farm.parcels}
