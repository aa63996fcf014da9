"""Every machine on every ground for every driver in one field: from tilt, limits and closures to zones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from atlas.driving.closing import Closing
from atlas.driving.grounds import NEEDED
from atlas.driving.limits import Limits, limits
from atlas.driving.machines import Machine, Rig
from atlas.driving.records import Tilt
from atlas.driving.zones import Cells, Verdicts, judge, tilt_of_cells
from atlas.settings import Settings
from atlas.terrain.figures import TerrainSurvey
from atlas.terrain.stance import Stance, stance
from atlas.terrain.stance_kernel import bilinear_terms


def stand(terrain: TerrainSurvey, rig: Rig) -> tuple[Tilt, ...]:
    """How each machine stands on each cell; set-ups on the same wheels stand alike and are worked out once."""
    stood: dict[tuple[float, float], Stance] = {}
    z, gradient, covered = terrain.z, terrain.gradient, terrain.covered
    terms = bilinear_terms(z)
    for m in rig.machines.values():
        wheels = (m.track_m, m.wheelbase_m)
        if wheels not in stood:
            stood[wheels] = stance(
                z, gradient, covered, track_m=m.track_m, wheelbase_m=m.wheelbase_m, terms=terms
            )
    return tuple(tilt(m, stood[(m.track_m, m.wheelbase_m)]) for m in rig.machines.values())


def tilt(m: Machine, found: Stance) -> Tilt:
    """A stance under its machine's name."""
    return Tilt(
        m.key,
        found.any_roll,
        found.any_pitch,
        found.any_stance,
        found.fall_roll,
        found.fall_pitch,
        found.fall_stance,
    )


def verdicts(
    terrain: TerrainSurvey, closed: Closing, tilts: Sequence[Tilt], rig: Rig, settings: Settings
) -> dict[tuple[str, str], Verdicts]:
    """Verdicts by machine and ground, each for all drivers in the rig's order. `tilts` is what `stand` gives."""
    covered = terrain.covered
    cells = Cells(np.flatnonzero(covered > 0), terrain.gradient.steepness, covered, terrain.grid.cell_area)
    practised = [d.practised for d in rig.drivers.values()]
    found = {}
    for m, of_machine in zip(rig.machines.values(), tilts, strict=True):
        on_wet = _for_drivers(m, NEEDED, rig, settings)
        packed = tilt_of_cells(of_machine, cells, on_wet[0].roll_error, on_wet[0].pitch_error)
        for ground in rig.grounds:
            on_ground = _for_drivers(m, ground, rig, settings)
            falls = closed.falls(m, on_ground[0].on_foot)
            marks = closed.markings(m, ground)
            found[(m.key, ground)] = judge(cells, packed, m, on_ground, on_wet, marks, falls, practised)
    return found


def _for_drivers(m: Machine, ground: str, rig: Rig, settings: Settings) -> list[Limits]:
    return [limits(m, rig.grounds[ground], d, settings) for d in rig.drivers.values()]
