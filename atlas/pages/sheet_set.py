"""Which machine, ground and driver a sheet shows, and which grounds a worker may choose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from atlas.driving.grounds import NEEDED
from atlas.driving.machines import Rig
from atlas.driving.records import Drive
from atlas.pages.context import PageContext
from atlas.survey import FieldSurvey


@dataclass(frozen=True)
class SheetSet:
    """One choice of machine, ground and driver, by key."""

    machine: str
    ground: str
    driver: str


def counts_as(survey: FieldSurvey, rig: Rig) -> str:
    """The ground a field counts as: the released one, or `wet` where nothing is released."""
    released = survey.release.ground if survey.release else NEEDED
    return released if released in rig.grounds else NEEDED


def may_choose(survey: FieldSurvey, rig: Rig, ground: str) -> tuple[str, ...]:
    """The grounds that may be chosen where `ground` counts: it, and every worse one, never a better.

    Worse grips no better and sinks no less. A ground that would still open a single cell of this field to any
    machine (a farm's own grounds can do that near a bank) is left out as well.
    """
    return tuple(g for g in rig.no_better_than(ground) if _opens_nothing(survey, ground, g))


def _opens_nothing(survey: FieldSurvey, ground: str, other: str) -> bool:
    if other == ground:
        return True
    inside = survey.terrain.covered > 0
    zones = {(d.machine, d.ground, d.driver): d.zone for d in survey.driving.drives}
    return all(
        bool(np.all(zones[machine, other, driver][inside] >= zone[inside]))
        for (machine, of_ground, driver), zone in zones.items()
        if of_ground == ground
    )


def shown(survey: FieldSurvey, ctx: PageContext) -> SheetSet:
    """What paper and a page without scripts show: the farm's default set, on a ground the release allows."""
    rig = ctx.rig
    ground = counts_as(survey, rig)
    wanted = rig.shown.ground
    if wanted is not None and wanted in may_choose(survey, rig, ground):
        ground = wanted
    return SheetSet(rig.shown.machine, ground, rig.shown.driver)


def drive_of(survey: FieldSurvey, chosen: SheetSet) -> Drive | None:
    """The drive of a choice; None where the terrain is too coarse for zones."""
    key = (chosen.machine, chosen.ground, chosen.driver)
    return next((d for d in survey.driving.drives if (d.machine, d.ground, d.driver) == key), None)
