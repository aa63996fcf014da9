"""What is looked over before a cluster gets work, and on each worker again: one sentence for each that differs."""

from __future__ import annotations

import pickle
import shutil
import socket
import sys
from dataclasses import astuple, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import quick_farm
import small_farm
from click.testing import CliRunner

from atlas import engine
from atlas.cli import main
from atlas.driving.machines import rig
from atlas.editions.keys import code_digest, field_key, shared_key
from atlas.errors import RunningError
from atlas.farm.opening import open_farm
from atlas.pages.context import page_context
from atlas.running import cluster_check, cluster_worker, here
from atlas.running.records import Job, Task

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()


@pytest.fixture(scope="module")
def farm_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_farm.write(tmp_path_factory.mktemp("farm") / "farm.gpkg", fields=2)


@pytest.fixture
def told(farm_file: Path) -> tuple[Task, list[Job]]:
    """A build's task and the jobs of its two fields."""
    farm = open_farm(farm_file, SETTINGS, MAY_3)
    shared = shared_key(farm, SETTINGS)
    context = page_context(farm, SETTINGS, rig(SETTINGS), 1, MAY_3)
    jobs = [Job(i, p.slug, field_key(shared, farm, p, SETTINGS)) for i, p in enumerate(farm.parcels)]
    return Task(farm_file, SETTINGS, farm.as_of, context), jobs


@pytest.mark.parametrize("address", ["tcp://10.0.0.7:8786", "tcp://head:1", "tcp://[::1]:8786"])
def test_a_scheduler_s_address(address: str) -> None:
    cluster_check.check_address(address)


@pytest.mark.parametrize(
    "address",
    ["", "head:8786", "tcp://", "tcp://head", "tcp://head:0", "tcp://head:99999", "tcp://head:x", "tcp://:8786",
     "http://head:8786", "tcp://a@head:8786", "tcp://head:8786/x", "tcp://head:8786?x", "tcp://[::1:8786"],
)  # fmt: skip
def test_anything_else_is_refused_before_the_farm_file_is_opened(address: str, tmp_path: Path) -> None:
    with pytest.raises(RunningError, match="is no address of a cluster; write it as tcp://host:port"):
        engine.build(tmp_path / "none.gpkg", tmp_path / "build", cluster=address)


def test_a_wrong_address_is_one_sentence_and_exit_code_2(farm_file: Path, tmp_path: Path) -> None:
    ran = CliRunner().invoke(main, ["build", str(farm_file), "--out", str(tmp_path / "b"), "--cluster", "head"])
    assert (ran.exit_code, ran.stderr.count("\n")) == (2, 1)
    assert "'head' is no address of a cluster" in ran.stderr


def test_without_dask_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(RunningError, match=r"not installed; install field-atlas\[cluster\]"),
        cluster_check.connected("tcp://127.0.0.1:8786"),
    ):
        pass


def test_a_scheduler_that_does_not_answer(
    farm_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A port that is taken by us, where nobody listens."""
    monkeypatch.setattr(cluster_check, "CONNECT_S", 1.0)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(RunningError, match=rf"^{address}: no scheduler answers there within 1 s; is it run"):
            engine.build(farm_file, tmp_path / "build", settings=SETTINGS, now=MAY_3, cluster=address)
    assert not (tmp_path / "build").exists()


def versions(**packages: str | None) -> dict[str, Any]:
    """As Dask tells them of a process."""
    same = {"python": "3.11.7.final.0", "atlas": "0.1.0", "numpy": "2.4.6", "numba": "0.68.1"}
    return {"packages": {**same, **packages}}


class Told:
    """A scheduler and one worker, as a client tells of them."""

    def __init__(self, scheduler: dict[str, Any], worker: dict[str, Any], facts: dict[str, str]) -> None:
        self._versions = {"client": versions(), "scheduler": scheduler, "workers": {"tcp://a:1": worker}}
        self._facts = facts

    def get_versions(self, packages: list[str]) -> dict[str, Any]:
        assert {"atlas", "numpy", "numba"} <= set(packages)
        return self._versions

    def run(self, function: object, path: str, on_error: str) -> dict[str, dict[str, str]]:
        assert function is cluster_worker.facts
        assert (Path(path).name, on_error) == ("farm.gpkg", "ignore")
        return {"tcp://a:1": self._facts}


def test_a_worker_that_is_as_we_are_passes(farm_file: Path) -> None:
    facts = cluster_worker.facts(str(farm_file))
    other_patch = versions(python="3.11.2.final.0")
    assert cluster_check.check_alike(Told(versions(), other_patch, facts), str(farm_file)) == facts


@pytest.mark.parametrize(
    ("scheduler", "worker", "sentence"),
    [
        (
            {},
            {"python": "3.12.1.final.0"},
            "worker tcp://a:1 has Python 3.12, this computer 3.11; install",
        ),
        ({"python": "3.10.1.final.0"}, {}, "the scheduler has Python 3.10, this computer 3.11"),
        ({"atlas": None}, {}, "the scheduler has no field-atlas; install the same field-atlas everywhere"),
        ({}, {"atlas": None}, "worker tcp://a:1 has no field-atlas"),
        ({}, {"atlas": "0.0.9"}, "worker tcp://a:1 has field-atlas 0.0.9, this computer 0.1.0"),
        ({}, {"numpy": "1.26.4"}, r"worker tcp://a:1 has numpy 1\.26\.4, this computer 2\.4\.6"),
        ({}, {"numba": "0.60.0"}, r"worker tcp://a:1 has numba 0\.60\.0"),
    ],
)
def test_a_worker_or_scheduler_with_other_versions_is_refused(
    farm_file: Path, scheduler: dict[str, str | None], worker: dict[str, str | None], sentence: str
) -> None:
    client = Told(versions(**scheduler), versions(**worker), cluster_worker.facts(str(farm_file)))
    with pytest.raises(RunningError, match=sentence):
        cluster_check.check_alike(client, str(farm_file))


@pytest.mark.parametrize(
    ("found", "sentence"),
    [
        (
            {"file": "- No such file or directory"},
            r"does not see .*farm\.gpkg \(No such file or directory\)",
        ),
        ({"file": "12 abc"}, r"sees another file as .*farm\.gpkg than this computer does"),
        ({"code": "abc"}, "runs another field-atlas than this computer does"),
    ],
)
def test_a_worker_that_sees_another_file_or_runs_other_code_is_refused(
    farm_file: Path, found: dict[str, str], sentence: str
) -> None:
    client = Told(versions(), versions(), {**cluster_worker.facts(str(farm_file)), **found})
    with pytest.raises(RunningError, match=f"^Worker tcp://a:1 {sentence}"):
        cluster_check.check_alike(client, str(farm_file))


def test_what_a_file_is_known_by(farm_file: Path, tmp_path: Path) -> None:
    mark = cluster_worker.file_mark(str(farm_file))
    copied = Path(shutil.copyfile(farm_file, tmp_path / "copy.gpkg"))
    assert cluster_worker.file_mark(str(copied)) == mark
    content = bytearray(copied.read_bytes())
    for at in (27, len(content) - 1):  # the count of changes in an SQLite file's head; its last byte
        copied.write_bytes(content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :])
        assert cluster_worker.file_mark(str(copied)) != mark
    copied.write_bytes(content + b"x")
    assert cluster_worker.file_mark(str(copied)) != mark
    assert cluster_worker.file_mark(str(tmp_path / "none")) == "- No such file or directory"
    assert cluster_worker.facts(str(farm_file)) == {"code": code_digest(), "file": mark}


def test_a_batch_is_what_is_surveyed_here(told: tuple[Task, list[Job]]) -> None:
    task, jobs = told
    expected = cluster_worker.facts(str(task.farm_path))
    answer = cluster_worker.batch(pickle.dumps(task), expected, [astuple(job) for job in jobs])
    farm = open_farm(task.farm_path, SETTINGS, MAY_3)
    assert cluster_worker.unpack(answer) == list(here.outcomes(task, farm, jobs))


def test_a_worker_that_came_later_is_looked_over_too(told: tuple[Task, list[Job]]) -> None:
    task, jobs = told
    packed = pickle.dumps(replace(task, as_of=MAY_3.replace(hour=7)))  # none that is open already
    expected = cluster_worker.facts(str(task.farm_path))
    with pytest.raises(RunningError, match="A worker of the cluster runs another field-atlas"):
        cluster_worker.batch(packed, {**expected, "code": "other"}, [])
    with pytest.raises(RunningError, match="A worker of the cluster sees another file as"):
        cluster_worker.batch(packed, {**expected, "file": "1 x"}, [astuple(jobs[0])])


def test_a_worker_that_reads_other_heights_for_a_field_is_refused(told: tuple[Task, list[Job]]) -> None:
    """The farm file may be the same, and a raster beside it another."""
    task, jobs = told
    expected = cluster_worker.facts(str(task.farm_path))
    for wrong in (replace(jobs[1], key="other"), replace(jobs[1], place=7)):
        with pytest.raises(RunningError, match=r"farm\.gpkg: a worker .* something else for field 'upper-meadow'"):
            cluster_worker.batch(pickle.dumps(task), expected, [astuple(wrong)])
