"""Where one machine may drive: tilt against limits, then what is marked and what falls away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from atlas.driving import zones_kernel as k
from atlas.driving.hazards import Markings
from atlas.driving.limits import Limits, softened, stance_error
from atlas.driving.machines import Machine
from atlas.driving.records import Reason, Tilt, Zone
from atlas.grid import Bytes, Floats, Floats32

Ints = npt.NDArray[np.int64]
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
    on_ground: Sequence[Limits],
    on_wet: Sequence[Limits],
    marks: Markings,
    falls: Falls,
    practised: Sequence[bool],
) -> Verdicts:
    """Verdicts of one machine on one ground, one per driver.

    `tilt` is `tilt_of_cells`; `on_wet` are the same drivers' limits on wet ground, which count on wet spots;
    drivers who are not `practised` do hand work where straight down ends at a drop, and for those who are the
    drop is named as the reason.

    A verdict's reason is, for tilt, the limit exceeded by the largest share of itself: in every direction where
    the verdict is straight up or down, near the fall line where it is hand work, and the on-foot limit where it
    is keep out. A wet spot or a drop is the reason where it makes the verdict worse; any other marking also where
    it closes a cell just as far as the ground does, since people look for it there.
    """
    zone = np.full((len(on_ground), cells.covered.size), int(Zone.UNSURVEYED), dtype=np.uint8)
    reason = np.full_like(zone, int(Reason.NO_HEIGHT))
    share = np.zeros((len(on_ground), len(Zone)))
    k.judge_cells(
        cells.index,
        tilt,
        cells.steepness.ravel(),
        cells.covered.ravel(),
        _rows(on_ground, machine, practised),
        _rows(on_wet, machine, practised),
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
    shape = (len(on_ground), *cells.covered.shape)
    return Verdicts(zone.reshape(shape), reason.reshape(shape), share * cells.cell_area)


def tilt_of_cells(tilt: Tilt, cells: Cells, roll_error: float, pitch_error: float) -> Floats32:
    """The six extremes of the covered cells, (6, cells), each with what not knowing adds to it."""
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
    """Zone and reason for one driver in plain numpy, (rows, cols); what the kernel is held to."""
    at = cells.index
    steep = cells.steepness.ravel()[at]
    zone, reason = _by_tilt(tilt, steep, own)
    wet_tag, wet_sink = marks.wet_tag.ravel()[at], marks.wet_sink_m.ravel()[at]
    for sink in np.unique(wet_sink[wet_tag > 0]):
        softer, _ = _by_tilt(tilt, steep, softened(own, wet, float(sink), machine))
        worse = (wet_tag > 0) & (wet_sink == sink) & (softer > zone)
        zone, reason = np.where(worse, softer, zone), np.where(worse, Reason.TAG + wet_tag, reason)
    below, foot = falls.below.ravel()[at], marks.foot_tag.ravel()[at]
    drop, closed = falls.closed.ravel()[at], marks.closed_tag.ravel()[at]
    hits = (below > 0) & (zone == Zone.UP_DOWN)
    reason = np.where(hits, below, reason)
    zone = np.where(hits & (not practised), Zone.ON_FOOT, zone)
    for mark, verdict, why, up_to in (
        (foot, Zone.ON_FOOT, Reason.TAG + foot, Zone.ON_FOOT),
        (drop, Zone.KEEP_OUT, drop, Zone.ON_FOOT),
        (closed, Zone.KEEP_OUT, Reason.TAG + closed, Zone.KEEP_OUT),
    ):
        hits = (mark > 0) & (zone <= up_to)
        zone, reason = np.where(hits, verdict, zone), np.where(hits, why, reason)
    full_zone = np.full(cells.covered.size, int(Zone.UNSURVEYED), dtype=np.uint8)
    full_reason = np.full(cells.covered.size, int(Reason.NO_HEIGHT), dtype=np.uint8)
    full_zone[at], full_reason[at] = zone, reason
    return full_zone.reshape(cells.covered.shape), full_reason.reshape(cells.covered.shape)


def _by_tilt(tilt: Floats32, steep: Floats, lim: Limits) -> tuple[Ints, Ints]:
    grip = Reason.GRIP_UP if lim.grip_up <= lim.grip_down else Reason.GRIP_DOWN
    reasons = np.array([Reason.SIDE, Reason.CLIMB, grip])
    sink = np.array([lim.roll_sink, lim.pitch_sink, 0.0])
    most = np.array([lim.side, lim.climb, lim.grip])
    at_any, at_fall = tilt[:3].T, tilt[3:].T
    conditions = [
        np.isnan(tilt[0]) | np.isnan(steep),
        (at_any <= most + k.HAIR - sink).all(axis=1),
        (at_fall <= most + k.HAIR - sink).all(axis=1),
        steep <= lim.on_foot + k.HAIR,
    ]
    zone = np.select(conditions, [Zone.UNSURVEYED, Zone.ANY_WAY, Zone.UP_DOWN, Zone.ON_FOOT], Zone.KEEP_OUT)
    why_any, why_fall = (reasons[((t + sink) * (1 / most)).argmax(axis=1)] for t in (at_any, at_fall))
    by_zone = [Reason.NO_HEIGHT, Reason.WITHIN, why_any, why_fall]
    return zone, np.select(conditions, by_zone, Reason.ON_FOOT)


def _rows(limits: Sequence[Limits], m: Machine, practised: Sequence[bool]) -> Floats:
    rows = np.empty((len(limits), k.LIMIT_COLUMNS))
    for row, lim, used_to_it in zip(rows, limits, practised, strict=True):
        row[k.SIDE], row[k.CLIMB], row[k.GRIP], row[k.ON_FOOT] = lim.side, lim.climb, lim.grip, lim.on_foot
        row[k.SINK], row[k.TRACK], row[k.WHEELBASE] = lim.sink_m, m.track_m, m.wheelbase_m
        row[k.GRIP_REASON] = Reason.GRIP_UP if lim.grip_up <= lim.grip_down else Reason.GRIP_DOWN
        row[k.NEW] = 0.0 if used_to_it else 1.0
    return rows
