"""Every command that writes a farm file, on a full disk, without the right to write, and while another program
holds the file: one sentence, the file as it was, and the same command does its work once the trouble is over."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import quick_farm
import small_farm
from made import METRIC
from pyproj import Transformer
from shapely.geometry import Point

from atlas import engine
from atlas.errors import AtlasError
from atlas.farm import change, coverage_table, sqlite_file
from atlas.farm.demo import make_demo
from atlas.farm.scratch import scratch
from atlas.farm.takein import take_in

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()
TREE = "00000000-0000-4000-8000-000000000004"
HOLD = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
"""
ROOM = 4096  # bytes that a file may have on a full disk
SHORT_S = 0.2  # how long to wait for another program, in these tests


def spot(farm: Path) -> Point:
    with closing(sqlite3.connect(farm)) as db:
        x, y = db.execute("SELECT minx, miny FROM rtree_hazards_geom WHERE id = 1").fetchone()
    return Point(x + 8, y)


def marks_file(farm: Path, place: Point) -> Path:
    lon, lat = Transformer.from_crs(METRIC.to_wkt(), 4326, always_xy=True).transform(place.x, place.y)
    rows = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [lon, lat]},
            "properties": {"kind": "slip", "note": "x" * 400},
        },
        {"type": "Feature", "geometry": None, "properties": {"gone": TREE}},
    ]
    head = {"type": "FeatureCollection", "format": "field-atlas-marks/1", "edition": 1, "farm": ""}
    path = farm.with_suffix(".geojson")
    path.write_text(json.dumps({**head, "features": rows}))
    return path


Change = Callable[[Path, Point, Path], object]
CHANGES: dict[str, Change] = {
    "mark": lambda farm, where, _: change.mark(farm, "slip", where, note="x" * 400, wait_s=SHORT_S),
    "retire": lambda farm, _, __: change.retire(farm, TREE, "Runa", wait_s=SHORT_S),
    "storm": lambda farm, _, __: change.storm(farm, NOW, "x" * 400, wait_s=SHORT_S),
    "release": lambda farm, _, __: change.release(
        farm, "all", "firm", NOW + timedelta(days=1), "Runa", NOW, wait_s=SHORT_S
    ),
    "take-in": lambda farm, _, marks: take_in(farm, [marks], now=NOW, wait_s=SHORT_S),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_farm.write(tmp_path_factory.mktemp("writers") / "farm.gpkg", fields=2)


@pytest.fixture
def farm(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made, tmp_path / "farm.gpkg"))


@contextmanager
def held(farm: Path) -> Iterator[None]:
    """Another program has the file to itself."""
    command = [sys.executable, "-c", HOLD, str(farm)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline() == "held\n"
        try:
            yield
        finally:
            other.stdin.close()
            other.wait()


def told_in_a_child(do: Callable[[], object], before: Callable[[], None], log: Path) -> str:
    """What `do` refuses with, in a process under `before`'s restrictions; "done" where it does its work."""
    sink = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)  # opened while that is allowed
    child = os.fork()
    if child == 0:
        code = 1
        try:
            before()
            try:
                do()
                said = "done"
            except AtlasError as e:
                said = str(e)
            os.write(sink, said.encode())
            code = 0
        finally:
            os._exit(code)
    os.close(sink)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0, "a fault of ours"
    return log.read_text()


def check_file(farm: Path) -> None:
    with closing(sqlite3.connect(farm)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


@pytest.mark.parametrize("what", CHANGES)
def test_a_file_that_another_program_holds(farm: Path, what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sqlite_file, "WAIT_S", SHORT_S)
    where, before = spot(farm), farm.read_bytes()
    marks = marks_file(farm, where)
    with (
        held(farm),
        pytest.raises(AtlasError, match=r"farm\.gpkg: is held by another program; close it there and"),
    ):
        CHANGES[what](farm, where, marks)
    assert farm.read_bytes() == before
    CHANGES[what](farm, where, marks)
    assert farm.read_bytes() != before


def no_room() -> None:
    """Nothing may grow past a page of the disk (setrlimit): the change's journal does."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (ROOM, ROOM))


@pytest.mark.parametrize("what", CHANGES)
def test_a_disk_that_is_full(farm: Path, what: str, tmp_path: Path) -> None:
    where, before = spot(farm), farm.read_bytes()
    marks = marks_file(farm, where)
    said = told_in_a_child(lambda: CHANGES[what](farm, where, marks), no_room, tmp_path / "log")
    assert "could not be written" in said
    assert "nothing was changed, make room on the disk and repeat" in said
    CHANGES[what](farm, where, marks)  # what was left half done is undone first
    check_file(farm)
    assert farm.read_bytes() != before
    assert not list(tmp_path.glob("farm.gpkg-*")), "a journal is left"


@pytest.mark.parametrize("what", CHANGES)
def test_a_folder_that_may_not_be_written(made: Path, what: str, tmp_path: Path) -> None:
    """As an ordinary user; pytest's own folders nobody else may even read."""
    folder = Path(tempfile.mkdtemp(prefix="field-atlas-"))
    try:
        farm = Path(shutil.copy(made, folder / "farm.gpkg"))
        where = spot(farm)
        marks = marks_file(farm, where)
        before = farm.read_bytes()
        farm.chmod(0o444)
        folder.chmod(0o555)
        said = told_in_a_child(lambda: CHANGES[what](farm, where, marks), as_nobody, tmp_path / "log")
        assert said == f"{farm}: cannot be written; make the file and its folder writable and repeat."
        assert farm.read_bytes() == before
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def as_nobody() -> None:
    if os.geteuid() == 0:
        os.setgid(65534)
        os.setuid(65534)


def test_making_a_farm_file_on_a_full_disk_or_without_the_right(tmp_path: Path) -> None:
    folder = Path(tempfile.mkdtemp(prefix="field-atlas-"))
    try:
        said = told_in_a_child(lambda: make_demo(folder / "new.gpkg", 1, 10.0, 1), no_room, tmp_path / "log")
        assert said.startswith(f"{folder / 'new.gpkg'}: cannot be written (")
        assert list(folder.iterdir()) == []
        folder.chmod(0o555)
        said = told_in_a_child(lambda: make_demo(folder / "new.gpkg", 1, 10.0, 1), as_nobody, tmp_path / "log")
        assert said.startswith(f"{folder / 'new.gpkg'}: cannot be written (")
        assert list(folder.iterdir()) == []
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_what_a_killed_one_left_beside_is_gone_after_the_next(tmp_path: Path) -> None:
    """At each moment that a file is made: the target is not there, and the next one is as one never killed."""
    new = tmp_path / "new.gpkg"
    for step in ("copy_heights", "settle_name"):

        def dying(*_: object, **__: object) -> None:
            os.kill(os.getpid(), signal.SIGKILL)

        child = os.fork()
        if child == 0:
            setattr(coverage_table, step, dying)
            with contextlib.suppress(BaseException):
                make_demo(new, 1, 10.0, 1)
            os._exit(1)
        assert os.WIFSIGNALED(os.waitpid(child, 0)[1])
        assert not new.exists()
        assert all(p.name.startswith(".new.gpkg.making-") for p in tmp_path.iterdir())
        assert list(tmp_path.iterdir()), "or there was nothing to sweep"
    make_demo(new, 1, 10.0, 1)
    make_demo(tmp_path / "other.gpkg", 1, 10.0, 1)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["new.gpkg", "other.gpkg"]
    assert new.read_bytes() == (tmp_path / "other.gpkg").read_bytes()


def test_another_one_at_work_is_left_alone(tmp_path: Path) -> None:
    target = tmp_path / "new.gpkg"
    with scratch(target) as first, scratch(target) as second:
        assert first != second
        assert first.is_dir()
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_taken_in_the_middle_of_a_build(farm: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the first field on: each other one is published or named, and the next build is as one undisturbed."""
    monkeypatch.setattr(sqlite_file, "WAIT_S", SHORT_S)
    out, before = farm.parent / "build", farm.read_bytes()
    with contextlib.ExitStack() as during:

        def taken(done: int, _: int) -> None:
            if done == 1:
                during.enter_context(held(farm))

        report = engine.build(farm, out, settings=SETTINGS, now=NOW, jobs=1, progress=taken)
    assert report.fields + len(report.failed) == 2
    assert farm.read_bytes() == before
    engine.build(farm, out, settings=SETTINGS, now=NOW, jobs=1)
    engine.build(farm, farm.parent / "undisturbed", settings=SETTINGS, now=NOW, jobs=1)
    pages = [
        {p.name: p.read_bytes() for p in (o / "fields").iterdir()} for o in (out, farm.parent / "undisturbed")
    ]
    assert len(pages[0]) == 4
    if not report.failed:
        assert pages[0] == pages[1]
