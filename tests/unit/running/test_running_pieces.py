"""What a process that surveys is sent and what it loads: one field's rows, and nothing that reads a farm file."""

from __future__ import annotations

import pickle
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import many_fields
import pytest
import several_farms
import shapely

from atlas.driving.machines import rig
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.pages.context import page_context
from atlas.running import field
from atlas.running.pieces import piece_of, without_rows
from atlas.running.records import Job, Task

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = several_farms.settings()
# What reads tables and draws folium's maps takes some 100 MB and a third of a second in each process.
NOT_LOADED = ("pandas", "geopandas", "pyogrio", "fiona", "folium", "requests", "atlas.farm.opening")


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    path = several_farms.write(tmp_path_factory.mktemp("pieces") / "farm.gpkg", ("Au", "Berg", "Au", "Berg"))
    return open_farm(path, SETTINGS, MAY_3)


def test_a_field_comes_out_the_same_from_its_piece_alone(farm: Farm) -> None:
    context = page_context(farm, SETTINGS, rig(SETTINGS), 1, MAY_3)
    task = Task(farm.path, SETTINGS, MAY_3, context)
    rest = pickle.loads(pickle.dumps(without_rows(farm)))
    assert (rest.parcels, rest.hazards, rest.ways_in, rest.remarks) == ((), (), (), ())
    for place, parcel in enumerate(farm.parcels):
        job = Job(place, parcel.slug, "key")
        piece = pickle.loads(pickle.dumps(piece_of(farm, job, SETTINGS)))
        assert piece.parcel == parcel
        found = field.attempt_piece(task, rest, piece)
        assert found.failure is None
        assert found == field.attempt(task, farm, job)
    kept = [*(p.shape for p in farm.parcels), *(h.shape for h in farm.hazards)]
    assert not shapely.is_prepared(kept).any()  # or a farm surveyed in one process would grow with each field


def test_a_piece_does_not_grow_with_the_farm(tmp_path: Path) -> None:
    sizes = []
    for count in (200, 400):
        farm = open_farm(many_fields.write(tmp_path / f"{count}.gpkg", count), SETTINGS, MAY_3)
        pieces = [piece_of(farm, Job(i, p.slug, "key"), SETTINGS) for i, p in enumerate(farm.parcels)]
        sizes.append(max(len(pickle.dumps(piece)) for piece in pieces))
        assert max(len(piece.parcels) for piece in pieces) < 100
    assert sizes[1] < sizes[0] + 500  # what numbers of more digits take
    assert len(pickle.dumps(without_rows(farm))) < 20_000


def test_a_process_that_surveys_loads_nothing_that_reads_a_farm_file() -> None:
    code = f"import sys, atlas.running.cores; print([m for m in {NOT_LOADED!r} if m in sys.modules])"
    ran = subprocess.run(
        [sys.executable, "-c", code], cwd=Path(__file__).parents[3], capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "[]"
