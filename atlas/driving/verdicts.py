"""Every machine on every ground for every driver in one field: from tilt, limits and closures to zones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from atlas.driving.closing import Closing
from atlas.driving.grounds import NEEDED
from atlas.driving.limits import limits_of
from atlas.driving.machines import Machine, Rig
from atlas.driving.records import Tilt
from atlas.driving.zones import LimitRows, Verdicts, cells_of, judge, limit_rows, tilt_of_cells
from atlas.settings import OnFootTable, Settings
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
            stood[wheels] = stance(z, gradient, covered, track_m=m.track_m, wheelbase_m=m.wheelbase_m, terms=terms)
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
    cells = cells_of(terrain.covered, terrain.gradient)
    table = limit_rows_of(rig, settings.on_foot, settings.terrain.dem_sigma_m)
    found = {}
    for m, of_machine in zip(rig.machines.values(), tilts, strict=True):
        own = table[m.key]
        packed = tilt_of_cells(of_machine, cells, own.roll_error, own.pitch_error)
        for ground, rows in own.rows.items():
            falls = closed.falls(m, own.on_foot[ground])
            found[(m.key, ground)] = judge(cells, packed, rows, closed.markings(m, ground), falls)
    return found


@dataclass(frozen=True)
class MachineLimits:
    """What one machine's verdicts need: limits and on-foot limit by ground, and what not knowing heights adds."""

    rows: dict[str, LimitRows]
    on_foot: dict[str, float]
    roll_error: float
    pitch_error: float


@lru_cache(maxsize=8)
def limit_rows_of(rig: Rig, on_foot: OnFootTable, sigma: float) -> dict[str, MachineLimits]:
    """All limits of a farm, by machine; the same for all its fields, so worked out once."""
    practised = [d.practised for d in rig.drivers.values()]
    table = {}
    for m in rig.machines.values():
        by_ground = {
            key: [limits_of(m, ground, d, on_foot, sigma) for d in rig.drivers.values()]
            for key, ground in rig.grounds.items()
        }
        wet = by_ground[NEEDED]
        table[m.key] = MachineLimits(
            {key: limit_rows(m, own, wet, practised) for key, own in by_ground.items()},
            {key: own[0].on_foot for key, own in by_ground.items()},
            wet[0].roll_error,
            wet[0].pitch_error,
        )
    return table
