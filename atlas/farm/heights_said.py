"""Which heights a verdict rests on, in one sentence: every limit on a page is only as good as they are."""

from __future__ import annotations

from atlas.farm.farm import Terrain
from atlas.settings import Settings


def sigma_assumed(settings: Settings) -> bool:
    """Whether the heights' uncertainty is our default, since nobody has stated one."""
    return "dem_sigma_m" not in settings.terrain.model_fields_set


def heights_sentence(terrain: Terrain, settings: Settings) -> str:
    """Source, date, cell and uncertainty, each as stated, or that nobody has stated it."""
    grid = terrain.grid
    cell = f"{grid.cell_x:.4g}" if grid.cell_x == grid.cell_y else f"{grid.cell_x:.4g} × {grid.cell_y:.4g}"
    source = terrain.source if terrain.source not in ("", "not stated") else "source not stated"
    date = f"flown {terrain.date}" if terrain.date else "date not stated"
    stated = "assumed, nobody has stated it" if sigma_assumed(settings) else "stated"
    return (
        f"Heights: {source}, {date}, {cell} m cells, uncertain by {settings.terrain.dem_sigma_m:g} m ({stated})."
    )
