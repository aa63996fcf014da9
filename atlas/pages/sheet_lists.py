"""The lists of a sheet that do not change with the machine: markings by tag, ways in, what is unconfirmed."""

from __future__ import annotations

from dataclasses import dataclass

from atlas import words
from atlas.driving.entering import lets_in
from atlas.driving.hazards import keep_away_m, severity
from atlas.driving.machines import Machine, Rig
from atlas.driving.places import place_words
from atlas.driving.records import TaggedHazard
from atlas.farm.records import WayIn
from atlas.languages import tr
from atlas.pages.render import by_the_clock, day, listed, metres, place
from atlas.settings import Settings
from atlas.survey import FieldSurvey
from atlas.words import N_, short


@dataclass(frozen=True)
class KeepOff:
    """One marking as the list shows it; distances are from the marking to the nearest part of the machine."""

    tag: int
    kind: str
    severity: str
    place: str
    soft: bool  # a wet spot that one may cross where the sums allow it
    far: str  # reach and accuracy together
    far_wet: str  # the same on wet ground, where that is further
    reach: str
    accuracy: str
    note: str
    seen: str
    seen_by: str
    unconfirmed: bool
    assumed: tuple[str, ...]
    hazard_id: str


@dataclass(frozen=True)
class WayLine:
    name: str
    place: str
    width: str
    load: str
    ambulance: bool
    note: str
    not_for: str  # machines that it does not let in


ASSUMED = {
    "reach_m": N_("how far to keep away"),
    "accuracy_m": N_("how exactly it was placed"),
    "severity": N_("how soft"),
    "depth_m": N_("how deep"),
}


def keep_off(survey: FieldSurvey, settings: Settings) -> tuple[KeepOff, ...]:
    return tuple(_keep_off(tagged, settings) for tagged in survey.driving.hazards)


def _keep_off(tagged: TaggedHazard, settings: Settings) -> KeepOff:
    h = tagged.hazard
    far, wet = (keep_away_m(h, settings, soaked=soaked) for soaked in (False, True))
    return KeepOff(
        tagged.tag,
        tr(words.HAZARDS[h.kind]),
        tr(words.SEVERITIES.get(h.severity, "")) if h.kind == "wet_spot" else "",
        place(tagged.place),
        h.kind == "wet_spot" and severity(h) < 3,
        metres(far + h.accuracy_m),
        metres(wet + h.accuracy_m) if wet > far else "",
        metres(far),
        metres(h.accuracy_m),
        h.note,
        day(by_the_clock(h.seen_at)) if h.seen_at else "",
        h.seen_by,
        h.unconfirmed,
        tuple(tr(ASSUMED.get(column, column)) for column in h.assumed),
        h.hazard_id,
    )


def ways(survey: FieldSurvey, rig: Rig) -> tuple[WayLine, ...]:
    return tuple(_way(w, survey, rig) for w in survey.ways_in)


def _way(way: WayIn, survey: FieldSurvey, rig: Rig) -> WayLine:
    width = "" if way.width_m is None else metres(way.width_m)
    load = "" if way.max_load_t is None else f"{short(way.max_load_t)} t"
    where = place(place_words(way.shape, survey.parcel.shape))
    kept_out = [machine_label(m) for m in rig.machines.values() if not lets_in(way, m)]
    return WayLine(
        way.name or way.way_in_id,
        where,
        width,
        load,
        way.ambulance,
        way.note,
        listed(kept_out) if kept_out else "",
    )


def ground_label(key: str) -> str:
    """A ground as people read it; a farm's own grounds go by their key."""
    return tr(words.GROUNDS[key]) if key in words.GROUNDS else key.replace("_", " ")


def driver_label(key: str) -> str:
    return tr(words.DRIVERS[key]) if key in words.DRIVERS else key.replace("_", " ")


def machine_label(machine: Machine) -> str:
    """A machine's own name; the built-in examples' names are words of ours."""
    return tr(machine.name) if machine.example else machine.name


def hours(value: float) -> str:
    """Working time to the quarter of an hour, at least one."""
    quarters = max(1, round(value * 4))
    return f"{short(quarters / 4)} h"
