"""The small farm's fields shared out among several farms, quick to build."""

from __future__ import annotations

from pathlib import Path

import quick_farm
import small_farm

from atlas.settings import PrintTable, Settings

FARMS = ("Oberhof", "Unter & Sohn", "Oberhof", "", "Unter & Sohn", "Oberhof")


def write(path: Path, farms: tuple[str, ...] = FARMS) -> Path:
    """A farm file of as many small fields as `farms` names farms for."""
    return small_farm.write(path, fields=len(farms), farms=farms)


def settings(pdf: bool = False, languages: tuple[str, ...] = ("en",)) -> Settings:
    quick = quick_farm.settings()
    farm = quick.farm.model_copy(update={"languages": languages, "emergency_number": "112"})
    return quick.model_copy(update={"print": PrintTable(pdf=pdf), "farm": farm})
