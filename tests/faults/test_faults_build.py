"""Builds that die, find no room or may not write: the atlas opens whole, and the next build is right."""

from __future__ import annotations

import json
import os
import random
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import quick_farm
import small_farm
from shapely.geometry import box

from atlas import engine
from atlas.cli import main
from atlas.editions import publishing
from atlas.editions.publishing import is_atlas
from atlas.editions.state import unpack
from atlas.errors import AtlasError
from atlas.farm import change
from atlas.farm.opening import open_farm

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
MAY_4 = MAY_3 + timedelta(days=1)
SETTINGS = quick_farm.settings()
KILLS = 30


def files(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


def build(farm: Path, out: Path, now: datetime = MAY_4) -> engine.BuildReport:
    return engine.build(farm, out, settings=SETTINGS, now=now, jobs=1)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm changed since map 1, map 1 itself in `first`, and map 2 as it must come out in `second`."""
    folder = tmp_path_factory.mktemp("killed")
    farm = small_farm.write(folder / "farm.gpkg", fields=2)
    build(farm, folder / "first", MAY_3)
    west, south, east, north = open_farm(farm, SETTINGS, MAY_4).parcels[1].shape.bounds
    inner = box(west + 15, south + 15, east - 15, north - 15)
    change.mark(farm, "no_go", inner, reach_m=1.0, accuracy_m=1.0, seen_at=MAY_4, settings=SETTINGS)
    shutil.copytree(folder / "first", folder / "second")
    build(farm, folder / "second")
    return folder


@pytest.fixture
def out(place: Path) -> Iterator[Path]:
    """A fresh copy of map 1 to build into; what a killed build left beside it stays until the next test."""
    target = place / "build"
    shutil.copytree(place / "first", target)
    yield target
    for left in (target, place / ".build.next"):
        shutil.rmtree(left, ignore_errors=True)


def check_whole(atlas: Path) -> int:
    """Whether an atlas is all of one edition; its number."""
    assert is_atlas(atlas)
    data = json.loads((atlas / "data" / "atlas.json").read_bytes())
    number = int(data["edition"]["number"])
    assert json.loads((atlas / "data" / "state" / "edition.json").read_bytes())["edition"] == data["edition"]
    assert f'"number": {number}' in (atlas / "assets" / "edition.js").read_text()
    for field in data["fields"]:
        page = atlas / field["page"]
        assert page.is_file()
        assert page.with_suffix(".js").is_file()
        state = unpack((atlas / "data" / "state" / f"{page.stem}.z").read_bytes())
        assert state is not None
        assert state.figures == field
        assert f'data-number="{state.number}"' in page.read_text()
    assert len(list((atlas / "fields").glob("*.html"))) == len(data["fields"])
    for page in atlas.rglob("*.html"):
        for link in re.findall(r'(?:href|src)="([^"#:]+)"', page.read_text()):
            assert (page.parent / link).exists(), f"{page.name} asks for {link}"
    with sqlite3.connect(atlas / "data" / "atlas.gpkg") as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    db.close()
    return number


def check_farm(farm: Path, before: bytes) -> None:
    with sqlite3.connect(farm) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    db.close()
    assert farm.read_bytes() == before, "a build wrote to the farm file"


def in_child(do: Callable[[], object]) -> int:
    """Fork, do it, leave with 0; the child's process id."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            do()
            code = 0
        finally:
            os._exit(code)
    return child


def unstamped(atlas: Path) -> dict[str, bytes]:
    """An atlas's files without map numbers, dates of issue, and what tells of the maps before."""
    told = {n: c for n, c in files(atlas).items() if not n.startswith("data/state/") and n != "changes.html"}
    for name in told:
        if name.endswith((".html", ".js", ".json")):
            text = told[name].decode()
            text = re.sub(r'(data-number="|data-edition="|"number": ?)\d+', r"\1N", text)
            text = re.sub(r"Map \d+, \d+ May 2026", "Map N", text)
            text = re.sub(r'"issued_at": "[^"]*"', "", text)
            told[name] = text.encode()
    return told


def test_killed_at_random_moments(place: Path, out: Path, tmp_path: Path) -> None:
    farm, before = place / "farm.gpkg", (place / "farm.gpkg").read_bytes()
    first, second = files(place / "first"), files(place / "second")
    begun = time.perf_counter()
    assert os.waitpid(in_child(lambda: build(farm, tmp_path / "timed")), 0)[1] == 0
    longest = time.perf_counter() - begun  # moments are drawn up to here
    chance = random.Random(30)
    found: list[tuple[bool, int]] = []
    while sum(killed for killed, _ in found) < KILLS and len(found) < 4 * KILLS:
        child = in_child(lambda: build(farm, out))
        moment = chance.uniform(0, longest)
        time.sleep(moment)
        os.kill(child, signal.SIGKILL)
        killed = os.WIFSIGNALED(os.waitpid(child, 0)[1])
        if not killed:  # it was quicker than that: the first may have met a busy machine
            longest = min(longest, 1.05 * moment)
        number = check_whole(out)
        assert files(out) == {1: first, 2: second}[number]
        found.append((killed, number))
        check_farm(farm, before)
        if number == 2:
            shutil.rmtree(out)
            shutil.copytree(place / "first", out)
    assert len([1 for killed, number in found if killed and number == 1]) > KILLS // 3, "the kills came too late"
    assert sum(killed for killed, _ in found) == KILLS
    build(farm, out)  # in the folder that all the killed ones left behind
    assert files(out) == second
    assert sorted(p.name for p in place.iterdir()) == ["build", "farm.gpkg", "farm.tif", "first", "second"]
    build(farm, tmp_path / "scratch")
    assert unstamped(out) == unstamped(tmp_path / "scratch")


@pytest.mark.parametrize("after_exchange", [False, True])
def test_killed_around_the_exchange(
    place: Path, out: Path, after_exchange: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not left to chance: dead right before the exchange, and right after it with the old atlas still beside."""
    exchange = publishing._exchange

    def dying(new: Path, to: Path) -> None:
        if after_exchange:
            exchange(new, to)
        os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr(publishing, "_exchange", dying)
    assert os.WIFSIGNALED(os.waitpid(in_child(lambda: build(place / "farm.gpkg", out)), 0)[1])
    monkeypatch.undo()
    assert files(out) == files(place / ("second" if after_exchange else "first"))
    assert (place / ".build.next").is_dir()
    report = build(place / "farm.gpkg", out)
    assert report.unchanged == after_exchange
    assert files(out) == files(place / "second")
    if not after_exchange:
        assert not (place / ".build.next").exists()


def test_killed_at_each_file_it_writes(place: Path, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = publishing.Staging.write
    first = files(place / "first")
    step, at, dead = 4, 0, 0
    while True:
        left = [at]

        def dying(stage: publishing.Staging, name: str, content: bytes, left: list[int] = left) -> None:
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            left[0] -= 1
            write(stage, name, content)

        monkeypatch.setattr(publishing.Staging, "write", dying)
        status = os.waitpid(in_child(lambda: build(place / "farm.gpkg", out)), 0)[1]
        if not os.WIFSIGNALED(status):
            break
        assert files(out) == first
        dead, at = dead + 1, at + step
    assert dead > 5
    assert status == 0
    assert files(out) == files(place / "second")


def test_the_command_itself_killed(place: Path, out: Path, tmp_path: Path) -> None:
    """As a user runs it, in a process of its own, with a settings file."""
    settings = tmp_path / "atlas.toml"
    settings.write_text("[farm]\nname = 'Other'\n")
    command = [sys.executable, "-m", "atlas.cli", "build", str(place / "farm.gpkg"), "--out", str(out)]
    first = files(place / "first")
    for moment in (0.2, None):  # while it starts, and as soon as its folder is there
        with subprocess.Popen([*command, "--settings", str(settings)], stderr=subprocess.DEVNULL) as run:
            until = time.monotonic() + 60
            while moment is None and not (place / ".build.next" / "fields").exists() and time.monotonic() < until:
                time.sleep(0.01)
            time.sleep(moment or 0)
            run.kill()
        assert run.returncode == -signal.SIGKILL
        assert files(out) == first
    assert (place / ".build.next").exists()


def test_a_first_build_killed_leaves_no_atlas_or_a_whole_one(place: Path, tmp_path: Path) -> None:
    chance = random.Random(3)
    out = tmp_path / "new"
    for _ in range(4):
        child = in_child(lambda: build(place / "farm.gpkg", out))
        time.sleep(chance.uniform(0, 0.5))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        if out.exists():
            assert check_whole(out) == 1
            break
    build(place / "farm.gpkg", out)
    assert check_whole(out) == 1


def said(command: list[str], log: Path, before: Callable[[], None]) -> tuple[int, str]:
    """Run a command of ours in a child under `before`'s restrictions; exit code and what stood on stderr."""

    def run() -> None:
        with log.open("w") as sink:
            os.dup2(sink.fileno(), 2)
            sys.stderr = sink
            before()
            try:
                main(command, standalone_mode=False)
            except SystemExit as e:
                sink.flush()
                os._exit(int(e.code or 0))

    log.touch()
    log.chmod(0o666)
    status = os.waitpid(in_child(run), 0)[1]
    return os.waitstatus_to_exitcode(status), log.read_text()


@pytest.mark.parametrize("kilobytes", [1, 20, 60, 100])
def test_files_that_may_not_grow_leave_the_old_atlas(
    place: Path, out: Path, tmp_path: Path, kilobytes: int
) -> None:
    """A quota of the system: every write beyond so many bytes of a file fails (setrlimit, EFBIG)."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (kilobytes * 1024, kilobytes * 1024))

    settings = tmp_path / "atlas.toml"
    settings.write_text(settings_text())
    command = ["build", str(place / "farm.gpkg"), "--out", str(out), "--settings", str(settings)]
    code, words = said(command, tmp_path / "log", limit)
    refusal = words.strip().splitlines()[-1]
    assert code == 2, words
    assert re.search(r"cannot be (written|published) \(.+\).*old atlas stays", refusal), words
    assert "Traceback" not in words
    assert files(out) == files(place / "first")
    assert not (place / ".build.next").exists()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """A disk of so many kilobytes."""
    folder = tmp_path / "disk"
    folder.mkdir()

    def mount(kilobytes: int) -> Path:
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(folder)],
            capture_output=True,
            check=False,
        )
        if made.returncode:
            pytest.skip("a disk of a given size can only be mounted by root; the quota above is for everyone")
        return folder

    yield mount
    subprocess.run(["umount", str(folder)], capture_output=True, check=False)


@pytest.mark.parametrize("room", [0.02, 0.3, 0.6, 0.8, 0.9, 0.97])
def test_a_full_disk_leaves_the_old_atlas(
    place: Path, small_disk: Callable[[int], Path], tmp_path: Path, room: float
) -> None:
    """Room for the old atlas and a part of the next one."""
    size = sum(-(-len(content) // 4096) * 4 for content in files(place / "second").values())
    disk = small_disk(size + int(size * room))
    out = disk / "build"
    shutil.copytree(place / "first", out)
    settings = tmp_path / "atlas.toml"
    settings.write_text(settings_text())
    command = ["build", str(place / "farm.gpkg"), "--out", str(out), "--settings", str(settings)]
    code, words = said(command, tmp_path / "log", lambda: None)
    assert (code, words.count("\n")) == (2, 1), words
    assert "cannot be" in words
    assert "old atlas stays" in words
    assert files(out) == files(place / "first")
    assert sorted(p.name for p in disk.iterdir()) == ["build"]


def settings_text() -> str:
    """The quick settings, every field's page to be written anew.

    Without paper: what sets it keeps threads, and a process forked beside threads waits for them for ever.
    """
    raw = SETTINGS.model_dump(mode="json", exclude_unset=True)
    lines = ["[farm]", 'name = "Renamed"', "[print]", "pdf = false"]
    for kind in ("machines", "drivers", "grounds"):
        for key, table in raw[kind].items():
            lines += [f"[{kind}.{key}]", *(f"{name} = {json.dumps(value)}" for name, value in table.items())]
    return "\n".join(lines) + "\n"


def test_a_folder_that_may_not_be_written_gets_a_sentence(place: Path, tmp_path: Path) -> None:
    """As an ordinary user in someone else's folder; pytest's own folders nobody else may even read."""
    folder = Path(tempfile.mkdtemp(prefix="field-atlas-"))
    log = (tmp_path / "log").open("w+")
    try:
        shutil.copy(place / "farm.gpkg", folder / "farm.gpkg")
        shutil.copytree(place / "first", folder / "build")
        folder.chmod(0o555)

        def try_it() -> None:
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            try:
                build(folder / "farm.gpkg", folder / "build")
            except AtlasError as e:
                log.write(str(e))
                log.flush()

        assert os.waitpid(in_child(try_it), 0)[1] == 0
        log.seek(0)
        assert log.read() == f"{folder}: cannot be written (Permission denied); name another folder with --out."
        assert files(folder / "build") == files(place / "first")
    finally:
        log.close()
        folder.chmod(0o755)
        shutil.rmtree(folder)
