"""Processes of `--jobs` that are killed: one field's work is lost at most, the atlas comes out the same."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import deadly
import many_fields
import pytest

from atlas import engine
from atlas.errors import RunningError
from atlas.running import cores

ROOT = Path(__file__).resolve().parents[2]
MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
FIELDS = 24
WITHIN_S = 120.0


def files(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm of small fields, its settings beside it, and its atlas as built in process in `here`."""
    folder = tmp_path_factory.mktemp("cores")
    many_fields.settings_file(folder / "atlas.toml")
    path = many_fields.write(folder / "farm.gpkg", FIELDS)
    engine.build(path, folder / "here", now=MAY_3, jobs=1)
    return path


def children(of: int) -> dict[int, str]:
    """The processes that a process has started, with their command lines."""
    found = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, parent = stat.read_text().rpartition(")")[2].split()[:2]
            if int(parent) == of and state != "Z":
                found[int(stat.parent.name)] = (stat.parent / "cmdline").read_text().replace("\0", " ")
        except (OSError, ValueError):  # it has just ended
            continue
    return found


def surveying(of: int) -> list[int]:
    return [pid for pid, command in children(of).items() if "spawn_main" in command]


def test_a_process_killed_in_the_middle_costs_nothing_but_time(farm: Path, tmp_path: Path) -> None:
    """Two of them, one after the other; each has fields in hand whenever that is."""
    killed: list[int] = []

    def step(done: int, _: int) -> None:
        if done in (4, 12):
            killed.append(surveying(os.getpid())[0])
            os.kill(killed[-1], signal.SIGKILL)

    report = engine.build(farm, tmp_path / "build", now=MAY_3, jobs=2, progress=step)
    assert len(set(killed)) == 2
    assert report.failed == ()
    assert files(tmp_path / "build") == files(farm.parent / "here")
    assert not surveying(os.getpid())


def test_a_field_that_kills_its_process_each_time_is_told_and_the_rest_published(
    farm: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cores, "serve", deadly.serve)
    report = engine.build(farm, tmp_path / "build", now=MAY_3, jobs=2)
    assert report.failed == (
        f"{farm}, field 'F007' (Plot 7): the process that surveyed it was lost each time (by signal 9, as when "
        "memory runs out); look at this field's boundary and heights.",
    )
    assert report.at_fault
    told = json.loads((tmp_path / "build" / "data" / "atlas.json").read_bytes())["fields"]
    assert [f["field_id"] for f in told] == [f"F{i + 1:03d}" for i in range(FIELDS) if i != 6]
    assert not list((tmp_path / "build").rglob("plot-7.*"))


def never_begins(*_: object) -> None:
    os._exit(3)


def test_processes_that_cannot_even_begin_stop_the_build(
    farm: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cores, "serve", never_begins)
    monkeypatch.setattr(cores, "LOST_AT_START", 2)
    with pytest.raises(
        RunningError, match=r"2 processes ended .* \(the last by exit code 3\); build with --jobs 1"
    ):
        engine.build(farm, tmp_path / "build", now=MAY_3, jobs=2)
    assert not (tmp_path / "build").exists()
    assert not surveying(os.getpid())


STUCK = """
import sys
import deadly
from atlas.cli import main
from atlas.running import cores

if __name__ == "__main__":
    cores.serve = deadly.serve_stuck
    main(sys.argv[1:])
"""


@pytest.fixture
def command(farm: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """The command in a group of its own, as a terminal puts it; it stays at one field until it is stopped."""
    script = tmp_path / "stuck.py"
    script.write_text(STUCK)
    path = os.pathsep.join(str(p) for p in (ROOT, ROOT / "tests" / "faults"))
    run = subprocess.Popen(
        [sys.executable, str(script), "build", str(farm), "--out", str(tmp_path / "build"), "--jobs", "2"],
        env={**os.environ, "PYTHONPATH": path}, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        yield run
    finally:
        if run.poll() is None:
            os.killpg(run.pid, signal.SIGKILL)
        run.communicate()


@pytest.mark.parametrize("fields", [0, 9])
def test_ctrl_c_ends_everything_and_leaves_the_old_atlas(
    tmp_path: Path, command: subprocess.Popen[str], fields: int
) -> None:
    """As soon as a process is there, and when some fields are done; the whole group gets the signal."""
    staged = tmp_path / ".build.next" / "fields"
    until = time.monotonic() + WITHIN_S
    while time.monotonic() < until and not (surveying(command.pid) and len(list(staged.glob("*.html"))) >= fields):
        assert command.poll() is None, command.communicate()
        time.sleep(0.02)
    processes = surveying(command.pid)
    assert processes
    os.killpg(command.pid, signal.SIGINT)
    _, said = command.communicate(timeout=WITHIN_S)
    assert command.returncode == 1
    assert re.fullmatch(r"\s*Aborted!\s*", said), said
    assert not (tmp_path / "build").exists()
    assert not staged.parent.exists()
    assert not [pid for pid in processes if Path(f"/proc/{pid}").exists()]
