"""Why ground is closed, added up by cause: what the first sentences and the lists beside the map are made from."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from atlas.driving import place_names as names
from atlas.driving.features import place_by
from atlas.driving.places import PlaceFrame, untranslated
from atlas.driving.records import Drive, Reason, TaggedHazard, Zone
from atlas.grid import Bytes, Mask

KEY_OF_REASON = {
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
class Cause:
    """One reason for which some of a field is closed: its key (a hazard's kind, or one of the keys above), the
    square metres, where in words, and the tags of the markings behind it. `by_thing`: the place is told by
    something on the ground ("above the wall")."""

    key: str
    area_m2: float
    place: str
    tags: tuple[int, ...] = ()
    by_thing: bool = False


def closed_causes(
    frame: PlaceFrame,
    hazards: Sequence[TaggedHazard],
    drive: Drive,
    tr: Callable[[str], str] = untranslated,
) -> tuple[Cause, ...]:
    """Everything that closes ground to one machine, largest area first.

    Their areas add up to hand work, keep-out and unmeasured ground together, cells at the edge by the part of
    them that lies in the field.
    """
    inside = frame.weight > 0
    closed = inside & (drive.zone >= Zone.ON_FOOT)
    kinds: dict[int, str] = {one.tag: one.hazard.kind for one in hazards}
    found: dict[str, list[int]] = {}
    for code in np.flatnonzero(np.bincount(drive.reason[closed], minlength=256)):
        found.setdefault(_key(int(code), kinds), []).append(int(code))
    causes = [_cause(key, codes, closed, frame, hazards, drive.reason, tr) for key, codes in found.items()]
    return tuple(sorted(causes, key=lambda one: (-one.area_m2, one.key)))


def patch(
    key: str,
    mask: Mask,
    frame: PlaceFrame,
    hazards: Sequence[TaggedHazard],
    tr: Callable[[str], str] = untranslated,
    tags: tuple[int, ...] = (),
) -> Cause:
    """Any other patch of a field, with its area and place."""
    spread = frame.spread(mask)
    area, whole = float(spread.sum()), float(frame.total.sum())
    place = frame.words(spread, tr)
    near_thing = key in ("drop", "drop_below") or (not tags and area < 0.05 * whole)
    thing = ""
    if near_thing or place == tr(names.SEVERAL):
        thing = place_by(mask, frame, hazards, tr)
    return Cause(key, area, thing or place, tags, bool(thing))


def _key(reason: int, kinds: Mapping[int, str]) -> str:
    if reason > Reason.TAG:
        return kinds.get(reason - Reason.TAG, "obstacle")
    return KEY_OF_REASON.get(Reason(reason), "steep")


def _cause(
    key: str,
    codes: list[int],
    closed: Mask,
    frame: PlaceFrame,
    hazards: Sequence[TaggedHazard],
    reason: Bytes,
    tr: Callable[[str], str],
) -> Cause:
    tags = tuple(code - Reason.TAG for code in codes if code > Reason.TAG)
    return patch(key, closed & np.isin(reason, codes), frame, hazards, tr, tags)
