"""What a sheet says of each machine, ground and driver: the first sentences, why ground is closed, the areas."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from atlas import words
from atlas.driving.causes import Cause, FieldWords, closed_causes, field_words, open_groups, patches
from atlas.driving.records import ZONE_KEYS, Drive, Zone
from atlas.driving.sentences import where_not
from atlas.languages import tr
from atlas.pages.render import area
from atlas.pages.sheet_set import SheetSet
from atlas.survey import FieldSurvey
from atlas.words import N_

CAUSES = {
    "steep": N_("too steep"),
    "slippery": N_("too slippery for the wheels"),
    "drop": N_("above a drop"),
    "drop_below": N_("slopes that end at a drop"),
    "unknown_edge": N_("nobody has measured what lies below"),
    "unsurveyed": N_("not measured"),
    "cut_off": words.ZONES["cut_off"],
    **words.HAZARDS,
}
HARDLY = N_("{area} (under 1 %)")
OF_OPEN = N_("part of the open ground, but {what}")  # so that nobody adds it to the zones above


@dataclass(frozen=True)
class Line:
    """One line of a list: what, where or how much; `tags` are the markings behind it."""

    label: str
    value: str
    place: str = ""
    tags: tuple[int, ...] = ()


@dataclass(frozen=True)
class DriveWords:
    """Everything the page says of one choice, ready to be shown."""

    sentences: tuple[str, ...]
    causes: tuple[Line, ...]
    figures: tuple[Line, ...]


def frame_of(survey: FieldSurvey) -> FieldWords:
    t = survey.terrain
    return field_words(survey.parcel.shape, t.grid, t.covered, t.z, survey.driving.hazards)


def drive_words(frame: FieldWords, drive: Drive) -> DriveWords:
    """The words for one drive; `frame` is the field's, shared by all of them."""
    found = closed_causes(frame, drive, tr)
    lost = patches(frame, open_groups(frame, drive), tr).get("cut_off")
    causes = sorted((*found, lost), key=lambda c: -c.area_m2) if lost else found
    return DriveWords(where_not(frame, drive, tr, found), _causes(causes), _figures(frame, drive))


def said_of(frame: FieldWords, drives: Sequence[Drive]) -> dict[SheetSet, DriveWords]:
    """The words for every drive of a field. Drives of several machines, grounds or drivers often agree in all
    cells: what is said of one is said of the others."""
    said: dict[SheetSet, DriveWords] = {}
    alike: dict[tuple[float | None, ...], list[tuple[Drive, DriveWords]]] = {}
    for drive in drives:
        same = alike.setdefault(_areas(drive), [])
        found = next((text for other, text in same if _agree(drive, other)), None)
        if found is None:
            found = drive_words(frame, drive)
            same.append((drive, found))
        said[SheetSet(drive.machine, drive.ground, drive.driver)] = found
    return said


def _areas(d: Drive) -> tuple[float | None, ...]:
    return (*(getattr(d, f"{key}_m2") for key in ZONE_KEYS), d.cut_off_m2, d.no_turn_m2)


def _agree(a: Drive, b: Drive) -> bool:
    """Whether two drives say the same of every cell."""
    parts = ((a.zone, b.zone), (a.reason, b.reason), (a.cut_off, b.cut_off), (a.no_turn, b.no_turn))
    return all(one is other or np.array_equal(one, other) for one, other in parts)


def _causes(found: Sequence[Cause]) -> tuple[Line, ...]:
    return tuple(Line(tr(CAUSES[c.key]), area(c.area_m2), c.place, c.tags) for c in found if c.area_m2 >= 0.5)


def _figures(frame: FieldWords, drive: Drive) -> tuple[Line, ...]:
    """Areas as the map draws them, which add up to the field: open ground that the machine does not get to is told
    by itself and not as ground to drive on. After them what of the open ground has no room to turn."""
    cells, weight = frame.frame.cells, frame.frame.weight
    zone, lost = drive.zone.ravel()[cells], drive.cut_off.ravel()[cells] == 1
    any_m2, up_down_m2 = (float(weight[lost & (zone == one)].sum()) for one in (Zone.ANY_WAY, Zone.UP_DOWN))
    stuck_m2 = float(weight[~lost & (drive.no_turn.ravel()[cells] == 1)].sum())
    areas = {key: getattr(drive, f"{key}_m2") for key in ZONE_KEYS}
    whole = sum(areas.values())
    areas["any_way"] = max(0.0, areas["any_way"] - any_m2)
    areas["up_down"] = max(0.0, areas["up_down"] - up_down_m2)
    lines = [Line(tr(words.ZONES[key]), _with_share(m2, whole)) for key, m2 in areas.items()]
    if drive.cut_off_m2:
        lines.insert(2, Line(tr(words.ZONES["cut_off"]), _with_share(any_m2 + up_down_m2, whole)))
    if stuck_m2:
        label = tr(OF_OPEN).format(what=tr(words.ZONES["no_turn"]))
        lines.append(Line(label, _with_share(stuck_m2, whole)))
    return tuple(lines)


def _with_share(m2: float, whole: float) -> str:
    if whole <= 0:
        return area(m2)
    share = 100 * m2 / whole
    if 0 < share < 0.5:
        return tr(HARDLY).format(area=area(m2))
    return f"{area(m2)} ({round(share)} %)"
