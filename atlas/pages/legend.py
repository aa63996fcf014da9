"""The legend: a sample of each sign a sheet uses, and what it means."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from atlas import words
from atlas.pages import signs
from atlas.survey import FieldSurvey
from atlas.words import N_


@dataclass(frozen=True)
class Sign:
    """A sample and its label; `note` says what the sign does not show by itself."""

    sample: Markup
    label: str
    note: str = ""


NOTE_UP_DOWN = N_("the round end points downhill")


def zone_signs(survey: FieldSurvey) -> tuple[Sign, ...]:
    """The zones, open to closed; all five even where a map shows fewer, for another choice may need them."""
    found = [
        Sign(signs.fill_swatch(None), words.ZONES["any_way"]),
        Sign(signs.fill_swatch(None, signs.UP_DOWN_SAMPLE), words.ZONES["up_down"], NOTE_UP_DOWN),
    ]
    keys = ["on_foot", "keep_out", "unsurveyed"]
    drives = survey.driving.drives
    keys += ["cut_off"] if any(d.cut_off_m2 for d in drives) else []
    keys += ["no_turn"] if any(d.no_turn_m2 for d in drives) else []
    found += [Sign(signs.fill_swatch(f"sample-{key}"), words.ZONES[key]) for key in keys]
    return tuple(found)


def other_signs(survey: FieldSurvey) -> tuple[Sign, ...]:
    """Drops, markings and ways in, where the field has any; outlines always."""
    driving = survey.driving
    found = []
    if driving.drop_lines:
        found.append(Sign(signs.line_swatch(signs.DROP_SAMPLE), N_("drop: the ground falls away")))
    if driving.unknown_edges:
        found.append(Sign(signs.line_swatch(signs.UNKNOWN_EDGE_SAMPLE), N_("nobody has measured what lies below")))
    if driving.hazards:
        found.append(Sign(signs.line_swatch(signs.TAG_SAMPLE), N_("marking, with its number in the list")))
        found.append(Sign(signs.line_swatch(signs.KEEP_SAMPLE), N_("no part of the machine past this line")))
    if survey.ways_in:
        found.append(Sign(signs.line_swatch(signs.WAY_IN_SAMPLE), N_("way in")))
    found.append(Sign(signs.line_swatch(signs.OUTLINE_SAMPLE), N_("edge of the field")))
    return tuple(found)


def own_signs() -> tuple[Sign, ...]:
    """What a worker marks on the device itself; scripts show these lines once there is such a mark."""
    return (
        Sign(signs.line_swatch(signs.OWN_SAMPLE), N_("marked on this device, not handed over")),
        Sign(
            signs.line_swatch(signs.HANDED_SAMPLE), N_("marked on this device, handed over, not on this map yet")
        ),
    )


def class_sign(index: int) -> Markup:
    """The dots of one slope class; the flattest is bare."""
    return signs.fill_swatch(f"sample-class-{index}" if index else None)
