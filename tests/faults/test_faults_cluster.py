"""A real Dask cluster on this computer: the same bytes as a local build, also when its processes are killed."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import deadly
import many_fields
import pytest
from dask_processes import Cluster

from atlas import engine
from atlas.running import cluster as running

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
FEW = 24


def files(atlas: Path) -> dict[str, bytes]:
    return {str(p.relative_to(atlas)): p.read_bytes() for p in sorted(atlas.rglob("*")) if p.is_file()}


def build(farm: Path, out: Path, progress: engine.Progress | None = None, **how: object) -> engine.BuildReport:
    settings = many_fields.settings_file(farm.with_suffix(".toml"))
    return engine.build(farm, out, settings_path=settings, now=MAY_3, progress=progress, **how)  # type: ignore[arg-type]


def once(at: int, do: Callable[[], None]) -> engine.Progress:
    """Does something when so many fields are done."""

    def step(done: int, _: int) -> None:
        if done == at:
            do()

    return step


def kill(*processes: object) -> None:
    for process in processes:
        os.kill(process.pid, signal.SIGKILL)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A farm of a few fields, and its atlas as built here in `here`."""
    folder = tmp_path_factory.mktemp("few")
    farm = many_fields.write(folder / "farm.gpkg", FEW)
    build(farm, folder / "here", jobs=1)
    return farm


def test_a_worker_killed_in_the_middle_costs_its_batch_only(
    tmp_path: Path, small_farm_file: Path, small_atlas: Path
) -> None:
    """300 fields; then, on the worker that is left, a farm with paper as well."""
    farm = many_fields.write(tmp_path / "farm.gpkg", 300)
    build(farm, tmp_path / "here", jobs=2)
    with Cluster(tmp_path) as cluster:
        cluster.add_workers(2, "--no-nanny")
        step = once(150, lambda: kill(cluster.workers[0]))
        report = build(farm, tmp_path / "there", step, cluster=cluster.address)
        assert cluster.workers[0].wait() == -signal.SIGKILL
        assert cluster.workers[1].poll() is None
        engine.build(small_farm_file, tmp_path / "paper", now=MAY_3, cluster=cluster.address)
    assert (report.fields, report.failed, report.remarks) == (300, (), ())
    assert files(tmp_path / "there") == files(tmp_path / "here")
    assert files(tmp_path / "paper") == files(small_atlas)


def test_a_field_that_kills_its_worker_each_time_is_told_and_no_other(few: Path, tmp_path: Path) -> None:
    with Cluster(tmp_path, allowed_failures=0) as cluster:
        cluster.add_workers(2, "--nanny", "--preload", deadly.__file__)
        report = build(few, tmp_path / "build", cluster=cluster.address)
    (failed,) = report.failed
    assert f"field '{deadly.DEADLY}' (Plot 7): the process that surveyed it was lost each time" in failed
    assert report.at_fault
    told = json.loads((tmp_path / "build" / "data" / "atlas.json").read_bytes())["fields"]
    assert len(told) == FEW - 1
    assert deadly.DEADLY not in {f["field_id"] for f in told}
    assert "Plot 7.</strong> Do not drive there" in (tmp_path / "build" / "index.html").read_text()


@pytest.mark.parametrize("scheduler_too", [False, True])
def test_when_nobody_is_left_the_rest_is_surveyed_here(
    few: Path, tmp_path: Path, scheduler_too: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(running, "PATIENCE_S", 1.0)
    monkeypatch.setattr(running, "LOOK_S", 0.25)
    with Cluster(tmp_path) as cluster:
        cluster.add_workers(1, "--no-nanny")
        dying = [*cluster.workers, *([cluster.scheduler] if scheduler_too else [])]
        report = build(few, tmp_path / "build", once(5, lambda: kill(*dying)), cluster=cluster.address, jobs=1)
    (remark,) = report.remarks
    assert "no worker was left" in remark
    assert "fields were surveyed on this computer instead" in remark
    assert files(tmp_path / "build") == files(few.parent / "here")
