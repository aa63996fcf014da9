"""The page of today's sheet: by which way in each field is entered."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import small_farm

from atlas.driving.machines import rig
from atlas.farm.opening import open_farm
from atlas.pages.context import page_context
from atlas.pages.day import day_page
from atlas.pages.overview import entry_of
from atlas.pages.overview_relief import farm_relief
from atlas.settings import Settings
from atlas.survey import survey_field

NOW = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)
SETTINGS = Settings()


def test_each_field_is_entered_by_its_own_gate(tmp_path: Path) -> None:
    """Gates of the next fields lie within 30 m and come first in the file; none of them leads into this one."""
    farm = open_farm(small_farm.write(tmp_path / "farm.gpkg"), SETTINGS, NOW)
    try:
        machines = rig(SETTINGS)
        ctx = page_context(farm, SETTINGS, machines, 1, NOW)
        surveys = [survey_field(farm, parcel, SETTINGS, machines) for parcel in farm.parcels]
        entries = [entry_of(survey, ctx) for survey in surveys]
        page = day_page(entries, ctx, farm_relief(farm).ways_in)["day.html"].decode()
    finally:
        farm.terrain.close()  # type: ignore[attr-defined]  # the opened terrain has it, the protocol need not
    told = re.findall(r'data-way="([^"]*)"', page)
    assert told == [f"Gate {n}, {w.place}" for n, w in enumerate((e.ways_in[0] for e in entries), start=1)]
    assert all(e.ways_in[0].place for e in entries)
    assert [[w.name for w in s.ways_in] for s in surveys] == [["Gate 1"], ["Gate 2"], ["Gate 3"], ["Gate 4"]]
