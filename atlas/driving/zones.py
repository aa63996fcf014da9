"""Where one machine may drive: tilt against limits, then what is marked and what falls away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from atlas.driving import zones_kernel as k
from atlas.driving.hazards import WET_SINK_M, Markings
from atlas.driving.limits import Limits, softened, stance_error
from atlas.driving.machines import Machine
from atlas.driving.records import Reason, Tilt, Zone
from atlas.grid import Bytes, Floats, Floats32
from atlas.terrain.figures import Gradient

Ints = npt.NDArray[np.int64]
HAIR = 1e-6  # one millimetre in a kilometre: a tilt this near its limit is at it, not over it
TILT_PARTS = ("any_roll", "any_pitch", "any_stance", "fall_roll", "fall_pitch", "fall_stance")


@dataclass(frozen=True)
class Falls:
    """What drops do to each cell of a field, (cells,): 0, or the Reason. `closed` keeps out; `below` is ground
    whose straight way down ends at a drop."""

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
    """The covered cells of a field: flat indices into its grid (rows, cols), Horn steepness, covered fraction.

    Everything said of them by cell is in their order, (cells,)."""

    index: npt.NDArray[np.int64]
    steepness: Floats32
    covered: Floats32
    shape: tuple[int, int]
    cell_area: float


def cells_of(covered: Floats32, gradient: Gradient) -> Cells:
    """The cells of which some part lies in the field; `covered` (rows, cols) on the gradient's grid."""
    index = np.flatnonzero(covered > 0)
    rows, cols = covered.shape
    cell_area = gradient.grid.cell_area
    steep = np.hypot(gradient.gx.ravel()[index], gradient.gy.ravel()[index]).astype(np.float32)
    return Cells(index, steep, covered.ravel()[index], (rows, cols), cell_area)


@dataclass(frozen=True)
class LimitRows:
    """Limits of one machine on one ground as the kernels read them, a row per driver: on the ground itself, and on
    wet spots of severity 1 and 2, (severities, drivers, columns)."""

    on_ground: Floats32
    on_wet_spots: Floats32
    below_drop: Bytes  # the verdict where straight down ends at a drop, (drivers,)


def limit_rows(
    m: Machine, on_ground: Sequence[Limits], on_wet: Sequence[Limits], practised: Sequence[bool]
) -> LimitRows:
    """`on_wet` are the same drivers' limits on wet ground; `practised` says who is."""
    on_spots = [_rows(on) for on in _on_wet_spots(on_ground, on_wet, m)]
    below = np.array([Zone.UP_DOWN if used_to_it else Zone.ON_FOOT for used_to_it in practised], dtype=np.uint8)
    return LimitRows(_rows(on_ground), np.stack(on_spots), below)


def judge(cells: Cells, tilt: Floats32, rows: LimitRows, marks: Markings, falls: Falls) -> Verdicts:
    """Verdicts of one machine on one ground, one per driver.

    `tilt` is `tilt_of_cells`. Drivers who are not practised do hand work where straight down ends at a drop, and
    for those who are the drop is named as the reason.

    A verdict's reason is, for tilt, the limit exceeded by the largest share of itself: in every direction where
    the verdict is straight up or down, near the fall line where it is hand work, and the on-foot limit where it
    is keep out. A wet spot or a drop is the reason where it makes the verdict worse; any other marking also where
    it closes a cell just as far as the ground does, since people look for it there.
    """
    drivers, size = rows.on_ground.shape[0], cells.shape[0] * cells.shape[1]
    zone, reason = np.empty((drivers, size), dtype=np.uint8), np.empty((drivers, size), dtype=np.uint8)
    share = np.empty((drivers, len(Zone)))
    k.judge_ground(
        cells.index,
        tilt,
        cells.steepness,
        cells.covered,
        rows.on_ground,
        rows.on_wet_spots,
        rows.below_drop,
        marks.wet,
        marks.wet_severity,
        falls.below,
        marks.foot,
        falls.closed,
        marks.closed,
        zone,
        reason,
        share,
    )
    on_grid = (drivers, *cells.shape)
    return Verdicts(zone.reshape(on_grid), reason.reshape(on_grid), share * cells.cell_area)


def tilt_of_cells(tilt: Tilt, cells: Cells, roll_error: float, pitch_error: float) -> Floats32:
    """The six extremes of the covered cells, (6, cells), each with what not knowing adds to it."""
    packed = np.empty((6, cells.index.size), dtype=np.float32)
    errors = np.float32(roll_error), np.float32(pitch_error)
    for first in (0, 3):
        roll, pitch, stance = (getattr(tilt, part).ravel() for part in TILT_PARTS[first : first + 3])
        k.pack_tilt(cells.index, roll, pitch, stance, *errors, packed[first : first + 3])
    return packed


def tilt_of_cells_plain(tilt: Tilt, cells: Cells, roll_error: float, pitch_error: float) -> Floats32:
    """The same in plain numpy; what the kernel is held to."""
    packed = np.stack([getattr(tilt, part).ravel()[cells.index] for part in TILT_PARTS])
    for first in (0, 3):
        roll, pitch, stance = packed[first : first + 3]
        stance += stance_error(roll, pitch, stance, roll_error, pitch_error)
        roll += np.float32(roll_error)
        pitch += np.float32(pitch_error)
    return packed


def judge_plain(
    cells: Cells,
    tilt: Floats32,
    machine: Machine,
    own: Limits,
    wet: Limits,
    marks: Markings,
    falls: Falls,
    practised: bool,
) -> tuple[Bytes, Bytes]:
    """Zone and reason for one driver in plain numpy, (rows, cols); what the kernels are held to."""
    zone, reason = _by_tilt(tilt, cells.steepness, _rows([own])[0])
    for severity, (soft,) in enumerate(_on_wet_spots([own], [wet], machine), start=1):
        softer, _ = _by_tilt(tilt, cells.steepness, _rows([soft])[0])
        worse = (marks.wet > 0) & (marks.wet_severity == severity) & (softer > zone)
        zone, reason = np.where(worse, softer, zone), np.where(worse, marks.wet, reason)
    hits = (falls.below > 0) & (zone == Zone.UP_DOWN)
    reason = np.where(hits, falls.below, reason)
    zone = np.where(hits & (not practised), Zone.ON_FOOT, zone)
    for why, verdict, up_to in (
        (marks.foot, Zone.ON_FOOT, Zone.ON_FOOT),
        (falls.closed, Zone.KEEP_OUT, Zone.ON_FOOT),
        (marks.closed, Zone.KEEP_OUT, Zone.KEEP_OUT),
    ):
        hits = (why > 0) & (zone <= up_to)
        zone, reason = np.where(hits, verdict, zone), np.where(hits, why, reason)
    full_zone = np.full(cells.shape, int(Zone.UNSURVEYED), dtype=np.uint8)
    full_reason = np.full(cells.shape, int(Reason.NO_HEIGHT), dtype=np.uint8)
    full_zone.ravel()[cells.index], full_reason.ravel()[cells.index] = zone, reason
    return full_zone, full_reason


def _by_tilt(tilt: Floats32, steep: Floats32, row: Floats32) -> tuple[Ints, Ints]:
    room, per = row[k.SIDE : k.GRIP + 1], row[k.PER_SIDE : k.PER_GRIP + 1]
    sink = np.array([row[k.ROLL_SINK], row[k.PITCH_SINK], 0], dtype=np.float32)
    reasons = np.array([Reason.SIDE, Reason.CLIMB, int(row[k.GRIP_REASON])])
    at_any, at_fall = tilt[:3].T, tilt[3:].T
    conditions = [
        np.isnan(tilt[0]) | np.isnan(steep),
        (at_any <= room).all(axis=1),
        (at_fall <= room).all(axis=1),
        steep <= row[k.ON_FOOT],
    ]
    zone = np.select(conditions, [Zone.UNSURVEYED, Zone.ANY_WAY, Zone.UP_DOWN, Zone.ON_FOOT], Zone.KEEP_OUT)
    why_any, why_fall = (reasons[((t + sink) * per).argmax(axis=1)] for t in (at_any, at_fall))
    by_zone = [Reason.NO_HEIGHT, Reason.WITHIN, why_any, why_fall]
    return zone, np.select(conditions, by_zone, Reason.ON_FOOT)


def _on_wet_spots(own: Sequence[Limits], wet: Sequence[Limits], m: Machine) -> list[list[Limits]]:
    """Each driver's limits on wet spots of severity 1, then 2."""
    pairs = list(zip(own, wet, strict=True))
    return [[softened(o, w, sink, m) for o, w in pairs] for sink in WET_SINK_M.values()]


def _rows(limits: Sequence[Limits]) -> Floats32:
    """Limits as the kernels read them: what tilt they leave once the wheels have sunk, and one over each."""
    rows = np.empty((len(limits), k.LIMIT_COLUMNS), dtype=np.float32)
    for row, lim in zip(rows, limits, strict=True):
        row[k.SIDE] = lim.side - lim.roll_sink + HAIR
        row[k.CLIMB] = lim.climb - lim.pitch_sink + HAIR
        row[k.GRIP], row[k.ON_FOOT] = lim.grip + HAIR, lim.on_foot + HAIR
        row[k.PER_SIDE], row[k.PER_CLIMB], row[k.PER_GRIP] = 1 / lim.side, 1 / lim.climb, 1 / lim.grip
        row[k.ROLL_SINK], row[k.PITCH_SINK] = lim.roll_sink, lim.pitch_sink
        row[k.GRIP_REASON] = Reason.GRIP_UP if lim.grip_up <= lim.grip_down else Reason.GRIP_DOWN
    return rows
