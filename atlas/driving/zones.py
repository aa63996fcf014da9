"""Where one machine may drive: tilt against limits, then what is marked and what falls away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from atlas.driving import zones_kernel as k
from atlas.driving.hazards import Markings
from atlas.driving.limits import Limits
from atlas.driving.machines import Machine
from atlas.driving.records import Reason, Tilt
from atlas.grid import Bytes, Floats, Floats32

TILT_PARTS = ("any_roll", "any_pitch", "any_stance", "fall_roll", "fall_pitch", "fall_stance")


@dataclass(frozen=True)
class Falls:
    """What drops do to each cell, (rows, cols): 0, or the Reason. `closed` keeps out; `below` is ground whose
    straight way down ends at a drop."""

    closed: Bytes
    below: Bytes


@dataclass(frozen=True)
class Verdicts:
    """Zone and deciding reason per cell, (drivers, rows, cols), and covered square metres, (drivers, zones)."""

    zone: Bytes
    reason: Bytes
    area_m2: Floats


@dataclass(frozen=True)
class Cells:
    """The covered cells of a field as flat indices, with its Horn steepness and covered fractions."""

    index: npt.NDArray[np.int64]
    steepness: Floats
    covered: Floats32
    cell_area: float


def judge(
    cells: Cells,
    tilt: Floats32,
    machine: Machine,
    on_ground: Sequence[tuple[Limits, bool]],
    on_wet: Sequence[tuple[Limits, bool]],
    marks: Markings,
    falls: Falls,
) -> Verdicts:
    """Verdicts of one machine on one ground for each driver (limits, practised), and the same on wet ground,
    which counts at wet spots. `tilt` is `tilt_of_cells`."""
    shape = cells.covered.shape
    zone = np.full((len(on_ground), cells.covered.size), 4, dtype=np.uint8)
    reason = np.full_like(zone, int(Reason.NO_HEIGHT))
    share = np.zeros((len(on_ground), 5))
    k.judge(
        cells.index,
        tilt,
        cells.steepness.ravel(),
        cells.covered.ravel(),
        _rows(on_ground, machine),
        _rows(on_wet, machine),
        marks.closed_tag.ravel(),
        marks.foot_tag.ravel(),
        marks.wet_tag.ravel(),
        marks.wet_sink_m.ravel(),
        falls.closed.ravel(),
        falls.below.ravel(),
        zone,
        reason,
        share,
    )
    return Verdicts(zone.reshape(-1, *shape), reason.reshape(-1, *shape), share * cells.cell_area)


def tilt_of_cells(tilt: Tilt, cells: Cells) -> Floats32:
    """The six extremes of the covered cells side by side, (cells, 6)."""
    return np.stack([getattr(tilt, part).ravel()[cells.index] for part in TILT_PARTS], axis=1)


def _rows(limits: Sequence[tuple[Limits, bool]], m: Machine) -> Floats:
    rows = np.empty((len(limits), k.LIMIT_COLUMNS))
    for row, (lim, practised) in zip(rows, limits, strict=True):
        row[k.SIDE], row[k.CLIMB], row[k.GRIP], row[k.ON_FOOT] = lim.side, lim.climb, lim.grip, lim.on_foot
        row[k.SINK], row[k.TRACK], row[k.WHEELBASE] = lim.sink_m, m.track_m, m.wheelbase_m
        row[k.ROLL_ERROR], row[k.PITCH_ERROR] = lim.roll_error, lim.pitch_error
        row[k.GRIP_REASON] = Reason.GRIP_UP if lim.grip_up <= lim.grip_down else Reason.GRIP_DOWN
        row[k.NEW] = 0.0 if practised else 1.0
    return rows
