"""Why ground is closed, added up by cause: what the first sentences and the lists beside the map are made from."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from numba import njit
from shapely.geometry import MultiPolygon, Polygon

from atlas.driving import place_names as names
from atlas.driving.features import Things, place_by, things
from atlas.driving.places import CODES, PlaceFrame, place_frame, untranslated
from atlas.driving.records import Drive, Reason, TaggedHazard, Zone
from atlas.farm.records import HAZARD_KINDS
from atlas.grid import Bytes, Floats, Floats32, Grid, Mask

Translate = Callable[[str], str]

TERRAIN_KEYS = ("steep", "slippery", "drop", "drop_below", "unknown_edge", "unsurveyed")
KEYS = (*TERRAIN_KEYS, *HAZARD_KINDS)
OPEN_KEYS = ("up_down", "to_drop", "no_turn", "cut_off")
NO_CAUSE = 255
KEY_OF_REASON = {
    Reason.WITHIN: "steep",  # not met on closed ground
    Reason.SIDE: "steep",
    Reason.CLIMB: "steep",
    Reason.ON_FOOT: "steep",
    Reason.GRIP_UP: "slippery",
    Reason.GRIP_DOWN: "slippery",
    Reason.DROP: "drop",
    Reason.DROP_BELOW: "drop_below",
    Reason.UNKNOWN_EDGE: "unknown_edge",
    Reason.NO_HEIGHT: "unsurveyed",
}


@dataclass(frozen=True)
class FieldWords:
    """What the words about one field need, worked out once and used for all its drives."""

    frame: PlaceFrame
    hazards: tuple[TaggedHazard, ...]
    things: Things
    key_of_reason: Bytes  # index into KEYS per reason, (256,)
    _tallies: dict[tuple[int, bytes], _Tally] = field(default_factory=dict, repr=False, compare=False)

    def tally(self, group: Bytes, groups: int) -> _Tally:
        """What of each of so many groups lies where; `group` per cell, or NO_CAUSE, (cells,). Drives that agree on
        it share it."""
        key = (groups, hashlib.sha256(group.tobytes()).digest())
        if key not in self._tallies:
            self._tallies[key] = _tally(self, group, groups)
        return self._tallies[key]


@dataclass(frozen=True)
class Cause:
    """One reason for which some of a field is closed: its key (of KEYS), the square metres, where in words, and
    the tags of the markings behind it. `by_thing`: the place is told by something on the ground ("above the
    wall")."""

    key: str
    area_m2: float
    place: str
    tags: tuple[int, ...] = ()
    by_thing: bool = False


def field_words(
    shape: Polygon | MultiPolygon, grid: Grid, covered: Floats32, z: Floats, hazards: Sequence[TaggedHazard]
) -> FieldWords:
    """Prepare the words of one field; `covered` and `z` are (rows, cols) of its terrain's grid."""
    frame = place_frame(shape, grid, covered, z)
    keys = np.full(256, KEYS.index("steep"), dtype=np.uint8)
    for reason, key in KEY_OF_REASON.items():
        keys[reason] = KEYS.index(key)
    for one in hazards:
        keys[min(255, Reason.TAG + one.tag)] = KEYS.index(one.hazard.kind)
    return FieldWords(frame, tuple(hazards), things(frame, z, hazards), keys)


def closed_causes(field: FieldWords, drive: Drive, tr: Translate = untranslated) -> tuple[Cause, ...]:
    """Everything that closes ground to one machine, largest area first.

    Their areas add up to hand work, keep-out and unmeasured ground together (where the field does not reach past
    its window of heights), cells at the edge by the part of them that lies in the field.
    """
    group, met = _closed_by(
        drive.zone.ravel(), drive.reason.ravel(), field.frame.cells, field.key_of_reason, int(Zone.ON_FOOT)
    )
    found = field.tally(group, len(KEYS))
    tags: dict[int, tuple[int, ...]] = {}
    for tag in (np.flatnonzero(met[Reason.TAG + 1 :]) + 1).tolist():
        key = int(field.key_of_reason[Reason.TAG + tag])
        tags[key] = (*tags.get(key, ()), tag)
    causes = [
        _cause(KEYS[i], field, found, i, tr, tags.get(i, ()))
        for i in np.flatnonzero(found.spread.sum(axis=1) > 0).tolist()
    ]
    return tuple(sorted(causes, key=lambda one: (-one.area_m2, one.key)))


def open_groups(field: FieldWords, drive: Drive) -> dict[str, Bytes]:
    """What is to be said of open ground: per key of OPEN_KEYS 0 in the cells it holds in, else NO_CAUSE, (cells,).
    What holds nowhere is left out."""
    groups, holds = _open_by(
        drive.zone.ravel(),
        drive.reason.ravel(),
        drive.no_turn.ravel(),
        drive.cut_off.ravel(),
        field.frame.cells,
        int(Zone.UP_DOWN),
        np.array([Reason.DROP_BELOW, Reason.UNKNOWN_EDGE], dtype=np.uint8),
    )
    return {key: group for key, group, some in zip(OPEN_KEYS, groups, holds, strict=True) if some}


def patches(field: FieldWords, groups: dict[str, Bytes], tr: Translate = untranslated) -> dict[str, Cause]:
    """Area and place of other patches: cells of 0 in groups as those of `open_groups`."""
    return {key: _cause(key, field, field.tally(group, 1), 0, tr, ()) for key, group in groups.items()}


@dataclass(frozen=True)
class _Tally:
    spread: Floats  # square metres, (groups, place codes)
    rise: Floats  # square metres times height, (groups,); of cells with a height
    measured: Floats  # square metres with a height, (groups,)
    near: Floats  # square metres near each thing, (groups, things)


def _tally(field: FieldWords, group: Bytes, groups: int) -> _Tally:
    frame = field.frame
    out = _Tally(
        np.zeros((groups, CODES)),
        np.zeros(groups),
        np.zeros(groups),
        np.zeros((groups, len(field.things.names))),
    )
    _add_up(
        group, frame.code, frame.weight, frame.z, field.things.near, out.spread, out.rise, out.measured, out.near
    )
    return out


@njit(cache=True)
def _closed_by(
    zone: Bytes, reason: Bytes, cells: npt.NDArray[np.int64], key_of_reason: Bytes, closed_from: int
) -> tuple[Bytes, Mask]:
    """Per cell the place in KEYS of what closes it, or NO_CAUSE, (cells,); and which reasons close any, (256,)."""
    group, met = np.full(cells.size, NO_CAUSE, dtype=np.uint8), np.zeros(256, dtype=np.bool_)
    for i in range(cells.size):
        if zone[cells[i]] >= closed_from:
            why = reason[cells[i]]
            group[i] = key_of_reason[why]
            met[why] = True
    return group, met


@njit(cache=True)
def _open_by(
    zone: Bytes, reason: Bytes, no_turn: Bytes, cut_off: Bytes, cells: npt.NDArray[np.int64], up_down: int,
    to_drop: Bytes,
) -> tuple[Bytes, Mask]:  # fmt: skip
    """The groups of OPEN_KEYS, (keys, cells), and which of them hold anywhere; `to_drop`: the two reasons."""
    group, holds = np.full((4, cells.size), NO_CAUSE, dtype=np.uint8), np.zeros(4, dtype=np.bool_)
    for i in range(cells.size):
        cell = cells[i]
        if cut_off[cell] > 0:  # told of by itself, as more ground; to go there would be no word to act on
            group[3, i] = 0
            holds[3] = True
            continue
        if zone[cell] == up_down:
            group[0, i] = 0
            holds[0] = True
            if reason[cell] == to_drop[0] or reason[cell] == to_drop[1]:
                group[1, i] = 0
                holds[1] = True
        if no_turn[cell] > 0:
            group[2, i] = 0
            holds[2] = True
    return group, holds


@njit(cache=True)
def _add_up(
    group: Bytes,
    code: npt.NDArray[np.int64],
    weight: Floats,
    z: Floats,
    near_thing: Mask,
    spread: Floats,
    rise: Floats,
    measured: Floats,
    near: Floats,
) -> None:
    for i in range(group.size):
        g = group[i]
        if g == NO_CAUSE:
            continue
        spread[g, code[i]] += weight[i]
        if not np.isnan(z[i]):
            rise[g] += weight[i] * z[i]
            measured[g] += weight[i]
        for t in range(near_thing.shape[0]):
            if near_thing[t, i]:
                near[g, t] += weight[i]


def _cause(key: str, field: FieldWords, found: _Tally, i: int, tr: Translate, tags: tuple[int, ...]) -> Cause:
    area = float(found.spread[i].sum())
    place = names.place_in(_marked_place(field, tags), tr) or field.frame.words(found.spread[i], tr)
    small = not tags and area < 0.05 * field.frame.total.sum()
    thing = ""
    if key in ("drop", "drop_below") or small or place == tr(names.SEVERAL):
        height = found.rise[i] / found.measured[i] if found.measured[i] > 0 else float("nan")
        thing = place_by(found.near[i] / area, height, field.things, tr, never_below=key == "drop")
    return Cause(key, area, thing or place, tags, bool(thing))


def _marked_place(field: FieldWords, tags: tuple[int, ...]) -> str:
    """Where the marking itself lies, if there is one: better than where what it closes lies."""
    if len(tags) != 1:
        return ""
    return next((one.place for one in field.hazards if one.tag == tags[0]), "")
