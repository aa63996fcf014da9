"""Nothing is written, linked or read outside the target, whatever links and files stand in an atlas that was
handed over; and what is published has reached the disk."""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import zlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import quick_farm
import small_farm
from click.testing import CliRunner
from shapely.geometry import Point

from atlas import engine
from atlas.cli import main
from atlas.editions import publishing
from atlas.editions.changes import earlier_changes
from atlas.editions.disk import opened_inside, read_inside, to_disk
from atlas.editions.publishing import check_target
from atlas.editions.state import previous_edition, unpack, unpack_head
from atlas.errors import OutputError
from atlas.farm import change
from atlas.farm.demo import make_demo
from atlas.farm.opening import open_farm

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()
SECRET = "nobody's business"


def build(farm: Path, out: Path, day: int = 3) -> engine.BuildReport:
    return engine.build(farm, out, settings=SETTINGS, now=MAY_3 + timedelta(days=day - 3), jobs=1)


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm of two fields, map 1 of it in `first`, then one more marking in the second field."""
    folder = tmp_path_factory.mktemp("outside")
    farm = small_farm.write(folder / "farm.gpkg", fields=2)
    build(farm, folder / "first")
    west, south, east, north = open_farm(farm, SETTINGS, MAY_3).parcels[1].shape.bounds
    change.mark(farm, "no_go", Point((west + east) / 2, (south + north) / 2), seen_at=MAY_3, settings=SETTINGS)
    return folder


@pytest.fixture
def place(made: Path, tmp_path: Path) -> Path:
    """A folder with the farm, map 1 in `build` and, beside both, `outside` with a secret."""
    shutil.copy(made / "farm.gpkg", tmp_path)
    shutil.copytree(made / "first", tmp_path / "build")
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "secret.html").write_text(SECRET)
    return tmp_path


def link_a_folder(atlas: Path, outside: Path) -> None:
    for page in (atlas / "fields").iterdir():
        page.rename(outside / page.name)
    (atlas / "fields").rmdir()
    (atlas / "fields").symlink_to(outside)


def link_a_page(atlas: Path, outside: Path) -> None:
    page = next((atlas / "fields").glob("*.html"))
    page.unlink()
    page.symlink_to(outside / "secret.html")


def link_the_state(atlas: Path, outside: Path) -> None:
    state = atlas / "data" / "state" / "edition.json"
    state.rename(outside / "edition.json")
    state.symlink_to(outside / "edition.json")


def link_all_state(atlas: Path, outside: Path) -> None:
    (atlas / "data" / "state").rename(outside / "state")
    (atlas / "data" / "state").symlink_to(outside / "state")


def pipe_in_place_of_state(atlas: Path, _: Path) -> None:
    state = atlas / "data" / "state" / "changes.json"
    state.unlink()
    os.mkfifo(state)


def pipe_in_place_of_the_edition(atlas: Path, _: Path) -> None:
    state = atlas / "data" / "state" / "edition.json"
    state.unlink()
    os.mkfifo(state)


def device_in_place_of_state(atlas: Path, _: Path) -> None:
    state = atlas / "data" / "state" / "walks.json"
    state.unlink()
    state.symlink_to("/dev/zero")


def state_without_end(atlas: Path, _: Path) -> None:
    with (atlas / "data" / "state" / "walks.json").open("r+b") as f:
        f.truncate(300_000_000)  # takes no room on the disk


@pytest.mark.parametrize(
    "tamper",
    [
        link_a_folder, link_a_page, link_the_state, link_all_state, pipe_in_place_of_state,
        pipe_in_place_of_the_edition, device_in_place_of_state, state_without_end,
    ],
)  # fmt: skip
def test_an_atlas_with_links_or_pipes_is_not_built_over(place: Path, tamper: Callable[[Path, Path], None]) -> None:
    tamper(place / "build", place / "outside")
    outside = files(place / "outside")
    with pytest.raises(OutputError, match=r"(is a link or a pipe, an atlas has none|is larger than any file of)"):
        build(place / "farm.gpkg", place / "build")
    assert files(place / "outside") == outside
    assert not (place / ".build.next").exists()


def test_a_link_in_place_of_the_folder_to_write_is_refused(place: Path) -> None:
    (place / ".build.next").symlink_to(place / "outside")
    with pytest.raises(OutputError, match=r"\.build\.next: is a link; remove it and build again"):
        build(place / "farm.gpkg", place / "build")
    assert files(place / "outside") == {"secret.html": SECRET.encode()}
    (place / ".build.next").unlink()
    (place / "linked").symlink_to(place / "build")
    with pytest.raises(OutputError, match="is a link; name the folder itself"):
        build(place / "farm.gpkg", place / "linked")


def test_a_data_file_that_is_a_link_or_a_pipe_makes_no_atlas(place: Path) -> None:
    data = place / "build" / "data" / "atlas.json"
    data.rename(place / "outside" / "atlas.json")
    data.symlink_to(place / "outside" / "atlas.json")
    for _ in range(2):
        with pytest.raises(OutputError, match="holds something else than an atlas"):
            check_target(place / "build")
        assert previous_edition(place / "build") is None
        data.unlink()
        os.mkfifo(data)


def repacked(content: bytes, **head: Any) -> bytes:
    """A field's state with another head, whose sum is right."""
    line, _, packed = content.partition(b"\n")
    told = {**json.loads(line), "crc": zlib.crc32(packed), **head}
    return json.dumps(told).encode() + b"\n" + packed


def with_products(content: bytes, **products: Any) -> bytes:
    """A field's state with other products, whose sum is right."""
    line, _, packed = content.partition(b"\n")
    text, _, shapes = zlib.decompress(packed).partition(b"\n")
    packed = zlib.compress(json.dumps({**json.loads(text), **products}).encode() + b"\n" + shapes)
    return json.dumps({**json.loads(line), "crc": zlib.crc32(packed)}).encode() + b"\n" + packed


@pytest.mark.parametrize(
    "name",
    [
        "../../outside/secret.html",
        "/etc/hostname",
        "index.html",
        "fields/../../outside/secret.html",
        "fields/.html",
    ],
)
def test_a_state_that_names_other_files_is_no_state(place: Path, name: str) -> None:
    """What it names would be taken over into the next atlas; the field is surveyed anew instead."""
    for state in (place / "build" / "data" / "state").glob("*.z"):
        if unpack_head(state.read_bytes()) is not None:
            page = f"fields/{state.stem}.html"
            state.write_bytes(repacked(state.read_bytes(), files=[page, name]))
            assert unpack_head(state.read_bytes()) is None
    assert len(build(place / "farm.gpkg", place / "build").rewritten) == 2
    assert files(place / "outside") == {"secret.html": SECRET.encode()}
    assert not any(SECRET.encode() in content for content in files(place / "build").values())


def test_a_state_that_names_another_page_is_no_state(place: Path) -> None:
    state = next(p for p in (place / "build" / "data" / "state").glob("*.z") if unpack(p.read_bytes()))
    whole = unpack(state.read_bytes())
    assert whole is not None
    for page in ("javascript:alert(1)", "../../x.html", "http://192.0.2.1/", 3):
        assert unpack(with_products(state.read_bytes(), figures={**whole.figures, "page": page})) is None
    assert unpack(with_products(state.read_bytes(), figures=whole.figures)) == whole


def test_a_folder_list_in_the_state_that_leads_out_reads_nothing(place: Path) -> None:
    edition = place / "build" / "data" / "state" / "edition.json"
    told = json.loads(edition.read_bytes())
    edition.write_text(
        json.dumps({**told, "fields": ["../../../outside/secret", "/etc/hostname", *told["fields"]]})
    )
    assert build(place / "farm.gpkg", place / "build").edition.number == 2
    edition.write_text("[]")
    assert build(place / "farm.gpkg", place / "build").edition.number == 3, "as the data file tells"


@pytest.mark.parametrize(
    "path", ["../outside/secret.html", "/etc/hostname", "", "fields/../../outside/secret.html"]
)
def test_reading_stays_inside(place: Path, path: str) -> None:
    with pytest.raises(OSError, match=r"leads out of the folder"), opened_inside(place / "build", path):
        pass
    (place / "build" / "in").symlink_to(place / "outside")
    with pytest.raises(OSError, match=r"Not a directory|Too many levels"):
        read_inside(place / "build", "in/secret.html")


def test_a_farm_file_is_made_in_place_of_a_link_and_not_through_it(place: Path) -> None:
    (place / "new.gpkg").symlink_to(place / "outside" / "new.gpkg")
    make_demo(place / "new.gpkg", 1, 10.0, 1)
    assert not (place / "new.gpkg").is_symlink()
    assert files(place / "outside") == {"secret.html": SECRET.encode()}


def test_all_is_on_the_disk_before_the_exchange_and_the_name_after_it(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a power cut leaves cannot be tried here; the order of the calls can."""
    calls: list[tuple[str, *tuple[Path, ...]]] = []

    def noted(name: str) -> Callable[..., None]:
        do = getattr(publishing, name)

        def call(*folders: Path) -> None:
            calls.append((name, *folders))
            do(*folders)

        return call

    for name in ("to_disk", "_exchange", "names_to_disk"):
        monkeypatch.setattr(publishing, name, noted(name))
    build(place / "farm.gpkg", place / "build")
    new, out = place / ".build.next", place / "build"
    assert calls == [("to_disk", new), ("_exchange", new, out), ("names_to_disk", place)]


def test_a_disk_that_fails_at_the_last_moment_leaves_the_old_atlas(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(_: Path) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(publishing, "to_disk", failing)
    before = files(place / "build")
    with pytest.raises(OutputError, match=r"cannot be published \(Input/output error\); the old atlas stays"):
        build(place / "farm.gpkg", place / "build")
    assert files(place / "build") == before


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.ENOSYS, errno.EINVAL])
def test_a_disk_that_cannot_be_written_to_is_told_and_one_that_knows_no_such_call_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: SimpleNamespace(syncfs=lambda _: -1))
    monkeypatch.setattr(ctypes, "get_errno", lambda: code)
    if code in (errno.ENOSYS, errno.EINVAL):
        to_disk(tmp_path)
    else:
        with pytest.raises(OSError, match=os.strerror(code)):
            to_disk(tmp_path)


def test_where_there_is_no_call_for_one_disk_all_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[str] = []
    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: SimpleNamespace())
    monkeypatch.setattr(os, "sync", lambda: calls.append("sync"))
    to_disk(tmp_path)
    assert calls == ["sync"]


STATES = ("edition.json", "changes.json", "walks.json", "relief.png.z")
ODD = (b"[" * 100_000, b'{"fields": 3, "machines": [1e999, "x"], "edition": {}, "key": {}}', b"\xff\x00")


@pytest.mark.parametrize("name", STATES)
@pytest.mark.parametrize("odd", ODD, ids=["nested", "shape", "no-text"])
def test_state_that_cannot_be_read_costs_only_what_it_knew(place: Path, name: str, odd: bytes) -> None:
    """Nested without end, of another shape, no text: no fault of ours, and a whole atlas comes of it."""
    state = place / "build" / "data" / "state" / name
    assert state.exists()
    state.write_bytes(odd)
    report = build(place / "farm.gpkg", place / "build")
    assert (report.fields, report.failed) == (2, ())


FORGED: list[dict[str, Any]] = [
    {"entry": []},
    {"entry": {"name": "x"}},
    {"walk": {"gates": 3}},
    {"walk": None},
    {"figures": {"page": "fields/lower-meadow.html"}},
    {"polygons": [{"layer": "nobody's", "geometry": 3}]},
    {"polygons": 7},
]


@pytest.mark.parametrize("products", FORGED, ids=[f"{next(iter(f))}-{i}" for i, f in enumerate(FORGED)])
def test_a_state_with_right_sums_but_of_another_shape_costs_only_what_it_knew(
    place: Path, products: dict[str, Any]
) -> None:
    for state in (place / "build" / "data" / "state").glob("*.z"):
        if unpack(state.read_bytes()) is not None:
            state.write_bytes(with_products(state.read_bytes(), **products))
            assert unpack_head(state.read_bytes()) is not None
    report = build(place / "farm.gpkg", place / "build")
    assert (report.edition.number, report.fields, len(report.rewritten), report.failed) == (2, 2, 2, ())
    assert any("what it remembers cannot be used" in r for r in report.remarks)
    told = (place / "build" / "changes.html").read_text()
    assert "Bring back all old sheets." in told, "nothing is known of the map before"
    assert "The first map" not in told


def test_the_command_shows_under_debug_why_a_memory_was_of_no_use(place: Path) -> None:
    """What makes the first try fail may as well be a fault of ours that shows on second maps only."""
    (place / "atlas.toml").write_text("[print]\npdf = false\n")
    command = ["build", str(place / "farm.gpkg"), "--out", str(place / "build"), "--jobs", "1"]
    assert CliRunner().invoke(main, command).exit_code == 0
    inside = open_farm(place / "farm.gpkg", SETTINGS, MAY_3).parcels[1].shape.representative_point()
    for debug in ([], ["--debug"]):
        change.mark(place / "farm.gpkg", "slip", inside, settings=SETTINGS)
        for state in (place / "build" / "data" / "state").glob("*.z"):
            if unpack(state.read_bytes()) is not None:
                state.write_bytes(with_products(state.read_bytes(), walk=None))
        ran = CliRunner().invoke(main, [*debug, *command])
        assert ran.exit_code == 0
        assert "what it remembers cannot be used (" in ran.stderr
        assert ("Traceback" in ran.stderr) == bool(debug)


def test_remembered_changes_of_another_shape_cost_only_themselves(place: Path) -> None:
    state = place / "build" / "data" / "state" / "changes.json"
    told = json.loads(state.read_bytes())
    told[0]["fields"] = [
        {
            "field_id": "F09", "name": ["x"], "page": "fields/x.html", "added": False, "removed": False,
            "marks": [{"what": "new", "kind": "no_go", "severity": "x", "place": 3, "tag": {}, "note": []}],
            "ground": [
                {
                    "machine": [], "driver": 3, "ground_before": {}, "ground": [], "closed_m2": "many",
                    "up_down_m2": None,
                }
            ],
            "release": "released", "release_ground": {}, "release_until": "soon", "other": False,
        }
    ]  # fmt: skip
    state.write_text(json.dumps(told))
    report = build(place / "farm.gpkg", place / "build")
    assert (report.edition.number, report.fields, report.failed) == (2, 2, ())
    assert "soon" not in (place / "build" / "changes.html").read_text()


@pytest.mark.parametrize("number", [0, -3, 10**30, "1e9"])
def test_a_map_number_that_no_atlas_reaches_is_no_number(place: Path, number: object) -> None:
    edition = place / "build" / "data" / "state" / "edition.json"
    told = json.loads(edition.read_bytes())
    edition.write_text(json.dumps({**told, "edition": {**told["edition"], "number": number}}))
    found = previous_edition(place / "build")
    assert found is not None
    assert (found.number, found.fingerprint) == (1, ""), "as the data file tells"
    data = place / "build" / "data" / "atlas.json"
    data.write_text(data.read_text().replace('"number": 1', f'"number": {json.dumps(number)}', 1))
    assert previous_edition(place / "build") is None


def test_changes_that_lead_somewhere_else_are_forgotten(place: Path) -> None:
    build(place / "farm.gpkg", place / "build")
    state = place / "build" / "data" / "state" / "changes.json"
    told = json.loads(state.read_bytes())
    assert told[0]["fields"]
    assert len(earlier_changes(place / "build")) == 2
    for page in ("javascript:alert(1)", "../../x.html", "//192.0.2.1/", 3):
        told[0]["fields"][0]["page"] = page
        state.write_text(json.dumps(told))
        assert earlier_changes(place / "build") == []
