"""A build with paper, killed as it sets, binds and publishes: the old atlas whole, the next as if never killed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import small_farm

# In a process of its own, which forks and sets nothing itself: one forked after that waits for threads for ever.
KILLED = """
import os, shutil, signal, sys
from datetime import UTC, datetime
from pathlib import Path

from atlas import engine
from atlas.editions import publishing
from atlas.editions.shared import load_paper
from atlas.settings import parse
from quick_farm import settings

load_paper()
place, write, exchange = Path(sys.argv[1]), publishing.Staging.write, publishing._exchange


def build(out, pdf):
    told = parse({**settings().model_dump(mode="json", exclude_unset=True), "print": {"pdf": pdf}})
    engine.build(place / "farm.gpkg", place / out, settings=told, now=datetime(2026, 5, 3, 6, tzinfo=UTC), jobs=1)


def in_a_child(out, dying=""):
    child = os.fork()
    if child:
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
        return

    def written(stage, path, content):
        if dying and path.startswith(dying):
            os.kill(os.getpid(), signal.SIGKILL)
        write(stage, path, content)

    def exchanged(new, to):
        exchange(new, to)
        if dying == "exchange":
            os.kill(os.getpid(), signal.SIGKILL)

    publishing.Staging.write, publishing._exchange = written, exchanged
    build(out, True)
    os._exit(0)


build("build", False)
shutil.copytree(place / "build", place / "before")
shutil.copytree(place / "build", place / "never_killed")
for dying in sys.argv[2:]:
    in_a_child("build", dying)
shutil.copytree(place / "build", place / "after_kills")
in_a_child("build", "exchange")
in_a_child("never_killed")
"""
MOMENTS = ("print/fields/", "print/atlas", "data/state/edition.json")
ROOT = Path(__file__).parents[2]


def files(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


def test_killed_while_paper_is_set_bound_and_published(tmp_path: Path) -> None:
    """Three die over one another's remains, the fourth right after its exchange."""
    small_farm.write(tmp_path / "farm.gpkg", fields=1)
    ended = subprocess.run(
        [sys.executable, "-c", KILLED, str(tmp_path), *MOMENTS],
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'tests'}", "PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
        stdout=subprocess.PIPE, text=True, check=True, timeout=300,
    )  # fmt: skip
    assert ended.stdout.split() == ["-9", "-9", "-9", "-9", "0"]
    before, after, whole = (files(tmp_path / name) for name in ("before", "after_kills", "never_killed"))
    assert after == before
    assert files(tmp_path / "build") == whole
    assert whole["print/atlas.pdf"].startswith(b"%PDF")
    assert "print/atlas.pdf" not in before
