"""An atlas of which files are missing or cut off: the next build writes them anew, and numbers on."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import quick_farm
import several_farms
import small_farm

from atlas import engine
from atlas.editions.publishing import Staging
from atlas.editions.wholeness import FILES_FILE, damaged_files
from atlas.engine import BuildReport
from atlas.settings import Settings

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)


def build(farm: Path, out: Path, hours: int, settings: Settings) -> BuildReport:
    return engine.build(farm, out, settings=settings, now=MAY_3 + timedelta(hours=hours), jobs=1)


def files(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


def without_stamps(content: bytes) -> bytes:
    """Without what tells number and date of a map."""
    told = re.sub(rb"Map \d+, \d+ May 2026(, \d\d:\d\d UTC)?", b"", content)
    return re.sub(rb'"?(number|issued_at|issued)"?: ?("[^"]*"|\d+)|data-[a-z]+="[^"]*"', b"", told)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a farm file of one farm, one of several, and the first map of each."""
    folder = tmp_path_factory.mktemp("whole")
    for name, settings in KINDS.items():
        (folder / name).mkdir()
        writer = small_farm.write if name == "one" else several_farms.write
        farm = writer(folder / name / "farm.gpkg")
        build(farm, folder / name / "build", 0, settings)
    return folder


KINDS = {"one": quick_farm.settings(), "several": several_farms.settings()}
LOST = [
    "fields/upper-meadow.html",
    "fields/upper-meadow.js",
    "assets/sheet.js",
    "data/hazards.gpx",
    "data/atlas.gpkg",
    "machines.html",
    "changes.html",
    FILES_FILE,
]
LOST_OF_FARMS = ["farms/oberhof.html", "data/farms/oberhof.json"]


@pytest.mark.parametrize("cut", [False, True], ids=["deleted", "cut"])
@pytest.mark.parametrize(
    ("kind", "lost"), [*(("one", path) for path in LOST), *(("several", path) for path in LOST_OF_FARMS)]
)
def test_what_is_lost_is_written_anew(made: Path, tmp_path: Path, kind: str, lost: str, cut: bool) -> None:
    place = Path(shutil.copytree(made / kind, tmp_path / kind))
    before = files(place / "build")
    if cut:
        (place / "build" / lost).write_bytes(before[lost][: len(before[lost]) // 2])
    else:
        (place / "build" / lost).unlink()
    report = build(place / "farm.gpkg", place / "build", 1, KINDS[kind])
    assert not report.unchanged
    named = "assets/" if lost == FILES_FILE else lost
    assert any("written anew" in remark and named in remark for remark in report.remarks)
    after = files(place / "build")
    assert set(after) == set(before)
    if "state" not in lost and "changes" not in lost and not lost.endswith(".gpkg"):
        assert without_stamps(after[lost]) == without_stamps(before[lost])
    assert not damaged_files(place / "build")
    assert build(place / "farm.gpkg", place / "build", 2, KINDS[kind]).unchanged


def test_what_somebody_laid_into_the_folder_asks_for_no_new_map(made: Path, tmp_path: Path) -> None:
    place = Path(shutil.copytree(made / "one", tmp_path / "one"))
    (place / "build" / "fields" / "Thumbs.db").write_bytes(b"x")
    assert build(place / "farm.gpkg", place / "build", 1, KINDS["one"]).unchanged


def test_maps_are_numbered_on_where_all_state_is_lost(made: Path, tmp_path: Path) -> None:
    place = Path(shutil.copytree(made / "one", tmp_path / "one"))
    shutil.rmtree(place / "build" / "data" / "state")
    report = build(place / "farm.gpkg", place / "build", 1, KINDS["one"])
    assert report.edition.number == 2
    told = (place / "build" / "changes.html").read_text()
    assert "Bring back all old sheets." in told
    assert "The first map" not in told
    assert "new in the atlas" not in told


def test_writing_over_a_kept_file_leaves_that_of_the_atlas_before(tmp_path: Path) -> None:
    for folder in ("old", "new"):
        (tmp_path / folder).mkdir()
    (tmp_path / "old" / "page.html").write_bytes(b"old")
    stage = Staging(tmp_path / "new", tmp_path / "old")
    assert stage.keep("page.html")
    stage.write("page.html", b"new")
    assert (tmp_path / "old" / "page.html").read_bytes() == b"old"
    assert (tmp_path / "new" / "page.html").read_bytes() == b"new"
