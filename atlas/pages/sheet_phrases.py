"""The phrases a sheet's script speaks, so that they are translated with everything else. `{x}` is filled there."""

from __future__ import annotations

from collections.abc import Mapping

from atlas import words
from atlas.languages import tr
from atlas.words import N_

PHRASES = {
    "outside": N_("Outside the field: nothing is known of this place."),
    "within": N_("Within this machine's limits: {numbers}."),
    "numbers": N_("sideways {side}, nose up or down {climb}, grip {grip}"),
    "cut_off": N_("But there is no way in to here for this machine."),
    "no_turn": N_("No room to turn here: back out the way you came."),
    "because": N_("What decided: {what}."),
    "side": N_("sideways tilt, {found} against a limit of {limit}"),
    "climb": N_("nose up or down, {found} against a limit of {limit}"),
    "grip_up": N_("grip going up, {found} against a limit of {limit}"),
    "grip_down": N_("grip going down, {found} against a limit of {limit}"),
    "on_foot": N_("too steep even for hand work, {found} against a limit of {limit}"),
    "drop": N_("too near above a drop"),
    "drop_below": N_("straight down from here ends at a drop"),
    "unknown_edge": N_("nobody has measured what lies below"),
    "no_height": N_("no height is measured here"),
    "tag": N_("marking {tag}, {kind} {place}: keep the whole machine {far} away"),
    "tag_soft": N_("marking {tag}, {kind} {place}: here the ground counts as wet, and the wheels sink"),
    "hand_tools": N_("This machine is walked: hand work here means hand tools only."),
    "of": N_("{found} of {limit} %"),
    "counted": N_("Sinking and what the heights may be wrong by are counted in."),
    "steepness": N_("Steepness {steep}."),
    "tilt": N_("Largest sideways tilt here {steep}."),
    "tilt_unknown": N_("Sideways tilt not known: a wheel would stand where no height is measured."),
    "place": N_("Coordinates {lat}, {lon}."),
    "left": N_("{time} left"),
    "days_hours": N_("{d} d {h} h"),
    "hours_minutes": N_("{h} h {m} min"),
    "minutes": N_("{m} min"),
    "under_a_minute": N_("less than a minute"),
    "released": N_("Released by {by} for ground {ground} until {until} by this device's clock."),
    "not_released": N_("Not released"),
    "ran_out": N_("The release ran out: {until}."),
    "clock_behind": N_("This device's clock says {now}, which is before this map was made. Set the clock."),
    "counts": N_("The field counts as {ground}."),
}


def phrases() -> dict[str, object]:
    """All that a sheet's script may say, in the language being spoken."""
    return {"zones": translated(words.ZONES), **translated(PHRASES)}


def translated(labels: Mapping[str, str]) -> dict[str, str]:
    """The same keys with their words in the language being spoken."""
    return {key: tr(label) for key, label in labels.items()}
