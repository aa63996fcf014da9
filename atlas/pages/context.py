"""What every page says beside its own matter: whose atlas it is, whom to ring, which map, from which terrain."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from atlas.farm.heights_said import sigma_assumed
from atlas.settings import Settings

if TYPE_CHECKING:
    from atlas.driving.machines import Rig
    from atlas.farm.farm import Farm


@dataclass(frozen=True)
class TerrainNote:
    """Where the heights come from and how far they can be trusted; lengths in metres."""

    source: str  # stated, or "not stated"
    date: str  # stated, or ""
    cell_x_m: float
    cell_y_m: float
    sigma_m: float
    sigma_assumed: bool  # nobody stated the height error: the default stands
    crs: str


@dataclass(frozen=True)
class PageContext:
    """The same for every page of one edition. Picklable, so that a worker process can render."""

    farm_name: str
    lead_name: str
    lead_phone: str
    emergency_number: str
    languages: tuple[str, ...]
    number: int  # of this map
    issued_at: datetime
    terrain: TerrainNote
    rig: Rig
    settings: Settings


def page_context(farm: Farm, settings: Settings, rig: Rig, number: int, issued_at: datetime) -> PageContext:
    """Gather what pages say of the farm. The farm's own name in the settings goes before the file's."""
    grid = farm.terrain.grid
    note = TerrainNote(
        farm.terrain.source,
        farm.terrain.date,
        grid.cell_x,
        grid.cell_y,
        settings.terrain.dem_sigma_m,
        sigma_assumed(settings),
        grid.crs.to_string(),
    )
    who = settings.farm
    return PageContext(
        who.name or farm.name,
        who.lead_name,
        who.lead_phone,
        who.emergency_number,
        who.languages,
        number,
        issued_at,
        note,
        rig,
        settings,
    )
