"""Publishing is one move: a reader finds the old atlas or the new one, whole, and nothing else is touched."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from atlas.editions import publishing
from atlas.editions.publishing import check_target, is_atlas, staging
from atlas.errors import OutputError

HEAD = b'{"format": "field-atlas/1", "edition": {}}'


def publish(out: Path, text: str) -> None:
    with staging(out) as stage:
        stage.write("data/atlas.json", HEAD)
        stage.write("index.html", text.encode())


def half_way(out: Path) -> None:
    with staging(out) as stage:
        stage.write("index.html", b"two")
        raise RuntimeError("half way")


def test_first_and_next_atlas_replace_each_other_whole(tmp_path: Path) -> None:
    out = tmp_path / "build"
    publish(out, "one")
    (out / "only_in_one.html").write_text("x")
    publish(out, "two")
    assert (out / "index.html").read_text() == "two"
    assert not (out / "only_in_one.html").exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["build"]


def test_an_error_leaves_the_atlas_that_was_there(tmp_path: Path) -> None:
    out = tmp_path / "build"
    publish(out, "one")
    with pytest.raises(RuntimeError, match="half way"):
        half_way(out)
    assert (out / "index.html").read_text() == "one"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["build"]


def test_dot_files_of_an_empty_folder_are_carried_over(tmp_path: Path) -> None:
    out = tmp_path / "build"
    out.mkdir()
    (out / ".gitignore").write_text("*\n")
    publish(out, "one")
    publish(out, "two")
    assert (out / ".gitignore").read_text() == "*\n"


@pytest.mark.parametrize("name", ["notes.txt", "index.html"])
def test_a_folder_that_holds_anything_else_is_refused(tmp_path: Path, name: str) -> None:
    out = tmp_path / "papers"
    out.mkdir()
    (out / name).write_text("mine")
    with pytest.raises(OutputError, match=f"holds something else than an atlas .'{name}'"):
        publish(out, "one")
    assert (out / name).read_text() == "mine"


def test_a_file_and_a_link_are_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="is a file"):
        check_target(tmp_path / "file")
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with pytest.raises(OutputError, match="is a link"):
        check_target(tmp_path / "link")


@pytest.mark.parametrize("name", ["../outside.html", "/etc/outside.html", "a/../../outside.html", ""])
def test_nothing_is_written_outside(tmp_path: Path, name: str) -> None:
    with pytest.raises(OutputError, match="outside the atlas"), staging(tmp_path / "build") as stage:
        stage.write(name, b"x")
    assert list(tmp_path.rglob("outside.html")) == []


def test_a_second_build_of_the_same_atlas_is_refused_while_the_first_runs(tmp_path: Path) -> None:
    folder = tmp_path / ".build.next"
    folder.mkdir()
    held = os.open(folder, os.O_RDONLY)
    fcntl.flock(held, fcntl.LOCK_EX)
    try:
        with pytest.raises(OutputError, match="another build is writing"):
            publish(tmp_path / "build", "one")
    finally:
        os.close(held)
    publish(tmp_path / "build", "one")


def test_a_read_only_place_gets_a_sentence() -> None:
    place = Path("/proc/1/field-atlas")  # nobody may write here, not even root
    with pytest.raises(OutputError, match="cannot be written"):
        publish(place / "build", "one")


KILLED = """
import sys, itertools
from pathlib import Path
from atlas.editions import publishing
from atlas.editions.publishing import staging
out = Path(sys.argv[1])
for n in itertools.count():
    with staging(out) as stage:
        stage.write("data/atlas.json", b'{"format": "field-atlas/1", "edition": {}}')
        for i in range(20):
            stage.write(f"fields/{i}.html", str(n).encode())
    print(n, flush=True)
"""


def test_killed_at_any_moment_the_atlas_is_whole(tmp_path: Path) -> None:
    out = tmp_path / "build"
    publish(out, "first")
    for round_ in range(12):
        child = subprocess.Popen([sys.executable, "-c", KILLED, str(out)], stdout=subprocess.PIPE)
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(0.003 * round_ + 0.001)
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        assert is_atlas(out)
        pages = sorted((out / "fields").iterdir())
        assert len(pages) == 20
        assert len({p.read_text() for p in pages}) == 1, "pages of two editions in one atlas"
    publish(out, "last")
    assert (out / "index.html").read_text() == "last"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["build"]


def test_keeping_a_file_takes_it_over_as_it_is(tmp_path: Path) -> None:
    out = tmp_path / "build"
    publish(out, "one")
    with staging(out) as stage:
        stage.write("data/atlas.json", HEAD)
        assert stage.keep("index.html")
        assert not stage.keep("never.html")
    assert (out / "index.html").read_text() == "one"


def test_a_build_that_takes_over_right_after_an_exchange_keeps_its_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between one build's exchange and its tidying up, the next one may claim the folder: it is not ours then."""
    out = tmp_path / "build"
    publish(out, "one")
    exchange = publishing._exchange
    taken = []

    def taken_over(new: Path, to: Path) -> None:
        exchange(new, to)
        taken.append(publishing._claim(new))
        (new / "theirs.html").write_text("half written")

    monkeypatch.setattr(publishing, "_exchange", taken_over)
    publish(out, "two")
    assert (out / "index.html").read_text() == "two"
    assert (tmp_path / ".build.next" / "theirs.html").read_text() == "half written"
    os.close(taken[0])


def test_a_folder_that_was_exchanged_while_it_was_being_locked_is_not_claimed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock on a folder that has another name by now guards nothing."""
    folder = tmp_path / ".build.next"
    lock = fcntl.flock
    moved: list[Path] = []

    def late(handle: int, how: int) -> None:
        lock(handle, how)
        if not moved:
            moved.append(folder.rename(tmp_path / "build"))

    monkeypatch.setattr(fcntl, "flock", late)
    handle = publishing._claim(folder)
    assert os.path.samestat(os.fstat(handle), folder.stat())
    assert moved
    os.close(handle)
