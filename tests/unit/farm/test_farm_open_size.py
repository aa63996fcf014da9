"""What an opened farm holds: a few kilobytes a field, so that a region's fields fit beside everything else."""

from __future__ import annotations

import gc
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import many_fields
import quick_farm

from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm

MAY_3 = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = quick_farm.settings()
MOST_BYTES = 600  # of Python's own, a field with an id, a name, a use and its outline's wrapper


def held(farm_file: Path) -> tuple[Farm, int]:
    """A farm, and how many bytes of Python's memory stay taken once it is open."""
    open_farm(farm_file, SETTINGS, MAY_3)  # what is loaded and kept by the first of all
    gc.collect()
    tracemalloc.start()
    try:
        farm = open_farm(farm_file, SETTINGS, MAY_3)
        gc.collect()
        return farm, tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()


def test_an_opened_farm_keeps_no_rows_beside_its_records(tmp_path: Path) -> None:
    few, many = (held(many_fields.write(tmp_path / f"{count}.gpkg", count)) for count in (100, 400))
    assert len(many[0].parcels) == 400
    assert (many[1] - few[1]) / 300 < MOST_BYTES
