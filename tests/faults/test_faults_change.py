"""Writers at once, and writers killed: every row stays, and a farm file holds all of a change or none of it."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from shapely.geometry import Point

from atlas.farm import edit
from atlas.farm.change import mark, retire
from atlas.farm.opening import open_farm
from atlas.farm.takein import take_in
from atlas.settings import Settings

NOW = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
SPOT = "00000000-0000-4000-8000-000000000000"
# Sixteen processes that have read all they need and opened nothing, each waiting for the pipe to be closed.
MARK = """
import os, sys
from pathlib import Path
from shapely.geometry import Point
from atlas.farm.change import mark
path, where = Path(sys.argv[1]), Point(float(sys.argv[2]), float(sys.argv[3]))
go, started = os.pipe()
writers = []
for number in range(16):
    writers.append(os.fork())
    if not writers[-1]:
        os.close(started)
        os.read(go, 1)
        print(mark(path, "slip", where, note=f"n{number}"), flush=True)
        os._exit(0)
os.close(started)
codes = [os.waitstatus_to_exitcode(os.waitpid(writer, 0)[1]) for writer in writers]
sys.exit(any(codes))
"""


@pytest.fixture
def farm(small_farm_file: Path, tmp_path: Path) -> Path:
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_farm_file, path)
    return path


def rows(farm: Path, sql: str) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(farm)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def spot(farm: Path) -> Point:
    x, y = rows(farm, "SELECT minx, miny FROM rtree_hazards_geom WHERE id = 1")[0]
    return Point(x + 8, y)


def test_sixteen_who_mark_at_once_all_keep_their_rows(farm: Path) -> None:
    where = spot(farm)
    command = [sys.executable, "-c", MARK, str(farm), str(where.x), str(where.y)]
    ended = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=False, timeout=180)
    assert ended.returncode == 0
    printed = ended.stdout.split()
    stored = rows(farm, "SELECT hazard_id, note FROM hazards WHERE kind = 'slip'")
    assert sorted(row[0] for row in stored) == sorted(printed)
    assert {row[1] for row in stored} == {f"n{i}" for i in range(16)}
    assert rows(farm, "PRAGMA integrity_check") == [("ok",)]
    assert len(open_farm(farm, Settings()).hazards) == 5 + 16


def test_sixteen_who_add_the_same_missing_layer_at_once(farm: Path) -> None:
    """Retiring is what first needs the history's table: one adds it, the others use it."""
    ids = [mark(farm, "slip", spot(farm)) for _ in range(8)]
    children = []
    for hazard_id in ids:
        child = os.fork()
        if child == 0:
            _leave(partial(retire, farm, hazard_id, "Ida"))
        children.append(child)
    assert [os.waitpid(child, 0)[1] for child in children] == [0] * len(ids)
    assert len(rows(farm, "SELECT * FROM hazard_history")) == len(ids)
    assert rows(farm, "SELECT count(*) FROM hazards WHERE retired_at IS NOT NULL") == [(len(ids),)]


def _leave(do: Callable[[], object]) -> None:
    """What a forked child does instead of going on with the tests."""
    code = 1
    try:
        do()
        code = 0
    finally:
        os._exit(code)


def _killed(do: Callable[[], object], moment: float, from_commit: bool) -> bool:
    """Run `do` in a child and kill it `moment` seconds after its start, or after it began to write to the file.

    Returns whether it was still at work.
    """
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        connect = edit._connect

        def watched(path: Path, wait_s: float) -> sqlite3.Connection:
            db = connect(path, wait_s)
            db.set_trace_callback(lambda sql: os.write(writer, b"c") if sql == "COMMIT" else None)
            return db

        if from_commit:
            edit._connect = watched
        else:
            os.write(writer, b"s")
        _leave(do)
    os.read(reader, 1)
    time.sleep(moment)
    os.kill(child, signal.SIGKILL)
    status = os.waitpid(child, 0)[1]
    os.close(reader)
    os.close(writer)
    return os.WIFSIGNALED(status)


def _marks(path: Path, farm: Path) -> Path:
    """A new mark, a sighting and a farewell: three changes that must stand or fall together."""
    from made import METRIC
    from pyproj import Transformer

    where = spot(farm)
    lon, lat = Transformer.from_crs(METRIC.to_wkt(), 4326, always_xy=True).transform(where.x, where.y)
    told = [
        ({"type": "Point", "coordinates": [lon, lat]}, {"kind": "slip", "note": "taken"}),
        (None, {"seen_again": SPOT, "severity": 3}),
        (None, {"gone": "00000000-0000-4000-8000-000000000004"}),
    ]
    content = {
        "type": "FeatureCollection",
        "format": "field-atlas-marks/1",
        "edition": 1,
        "farm": "",
        "features": [{"type": "Feature", "geometry": shape, "properties": words} for shape, words in told],
    }
    path.write_text(json.dumps(content))
    return path


def _state(farm: Path) -> tuple[Any, ...]:
    """Everything that either change touches."""
    hazards = rows(farm, "SELECT kind, severity, seen_at, retired_at FROM hazards ORDER BY fid")
    tables = {row[0] for row in rows(farm, "SELECT name FROM sqlite_master")}
    history = rows(farm, "SELECT change FROM hazard_history ORDER BY fid") if "hazard_history" in tables else []
    index = rows(farm, "SELECT count(*) FROM rtree_hazards_geom")
    return hazards, history, index


@pytest.mark.parametrize("what", ["mark", "take-in"])
def test_a_kill_at_any_moment_leaves_all_of_the_change_or_none(farm: Path, tmp_path: Path, what: str) -> None:
    changed = tmp_path / "changed.gpkg"
    marks, where = _marks(tmp_path / "marks.geojson", farm), spot(farm)

    def change() -> object:
        if what == "mark":
            return mark(changed, "slip", where, severity=2, seen_at=NOW)
        return take_in(changed, [marks], now=NOW)

    before = _state(farm)
    shutil.copy(farm, changed)
    begun = time.perf_counter()
    change()
    whole = time.perf_counter() - begun
    after = _state(changed)
    chance = random.Random(f"{what} 30")
    found = []
    for number in range(30):
        for left in tmp_path.glob("changed.gpkg*"):
            left.unlink()
        shutil.copy(farm, changed)
        late = number % 2 == 1  # half of them while the change is being written to the file
        _killed(change, chance.uniform(0, whole * (0.6 if late else 1.2)), late)
        if changed.with_name(changed.name + "-journal").exists():  # in the way of programs that only read
            assert len(open_farm(changed, Settings(), NOW).hazards) == 5
        state = _state(changed)
        assert state in (before, after)
        assert rows(changed, "PRAGMA integrity_check") == [("ok",)]
        found.append(state == after)
        assert mark(changed, "slip", where)  # and the next change goes in
    assert False in found  # or the kills came too late to show anything


@pytest.mark.parametrize("what", ["mark", "take-in"])
def test_a_kill_at_each_statement_leaves_nothing_of_the_change(
    farm: Path, tmp_path: Path, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not left to chance: the writer dies before each of its statements in turn."""
    marks, where = _marks(tmp_path / "marks.geojson", farm), spot(farm)
    connect = edit._connect
    before = _state(farm)
    at = 0

    def dying(path: Path, wait_s: float) -> sqlite3.Connection:
        db = connect(path, wait_s)
        left = [at]

        def count(_sql: str) -> None:
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            left[0] -= 1

        db.set_trace_callback(count)
        return db

    monkeypatch.setattr(edit, "_connect", dying)
    step = 1 if what == "mark" else 7  # a take-in has hundreds of statements
    while True:
        child = os.fork()
        if child == 0:
            _leave(lambda: mark(farm, "slip", where) if what == "mark" else take_in(farm, [marks], now=NOW))
        status = os.waitpid(child, 0)[1]
        if not os.WIFSIGNALED(status):
            break
        assert _state(farm) == before
        at += step
    assert os.waitstatus_to_exitcode(status) == 0
    assert at > 20
    assert _state(farm) != before
    assert rows(farm, "PRAGMA integrity_check") == [("ok",)]
