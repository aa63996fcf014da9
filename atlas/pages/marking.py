"""What a sheet's script must know to mark something in the field: whose marks, which kinds, what a file holds.

The bounds are those of the farm's reader (`atlas/farm/marks.py`), so that what a tablet hands over is taken in.
"""

from __future__ import annotations

from typing import Any

from shapely.geometry import LineString, Point, Polygon

from atlas import words
from atlas.driving.records import TaggedHazard
from atlas.farm import marks, pictures, schema
from atlas.farm.change_checks import NAME_CHARACTERS, NOTE_CHARACTERS
from atlas.languages import tr
from atlas.pages.context import PageContext
from atlas.pages.mark_phrases import MARK_PHRASES
from atlas.pages.sheet_phrases import translated
from atlas.survey import FieldSurvey

PICTURE_SIDE_PX = 1280
PICTURE_CHARACTERS = 400_000  # of base64: about 300 KB
ROOM = 0.8  # of the reader's bounds that a file of ours uses
CLOSING = ("slip", "obstacle", "overhead_line", "no_go", "unstable_bank")  # a wet spot only from severity 3 on
CLOSED_FROM = 3


def marking_data(survey: FieldSurvey, ctx: PageContext) -> dict[str, Any]:
    """What is the same in every language, ready for JSON. Distances are metres."""
    return {
        "farm": ctx.farm_name,
        "name": survey.parcel.name,
        "kinds": {key: _kind(key, ctx) for key in words.HAZARDS},
        "tags": {
            t.hazard.hazard_id: {"tag": t.tag, "kind": t.hazard.kind, "severity": t.hazard.severity, **_worse(t)}
            for t in survey.driving.hazards
        },
        "file": {
            "format": marks.FORMAT,
            "bytes": int(marks.MOST_BYTES * ROOM),
            "signs": int(marks.MOST_SIGNS * ROOM),
            "features": int(marks.MOST_FEATURES * ROOM),
            "pictures": int(pictures.Budget().pixels * ROOM) // (PICTURE_SIDE_PX * PICTURE_SIDE_PX),
        },
        "picture": {"side": PICTURE_SIDE_PX, "characters": PICTURE_CHARACTERS},
        "note": NOTE_CHARACTERS,
        "by": NAME_CHARACTERS,
    }


def marking_words() -> dict[str, Any]:
    """What the script says, in the language being spoken."""
    return {
        **translated(MARK_PHRASES),
        "kinds": translated(words.HAZARDS),
        "severities": {str(step): tr(label) for step, label in words.SEVERITIES.items()},
    }


def _worse(tagged: TaggedHazard) -> dict[str, Any]:
    """Of a wet spot that is not closed: where it lies, and how far to keep away should it have become worse.

    `ground` is {type, points} in terrain metres; of a shape with holes or parts, all the ground they go around.
    """
    h = tagged.hazard
    if h.kind != "wet_spot" or h.severity >= CLOSED_FROM:
        return {}
    shape = h.shape if isinstance(h.shape, Point | LineString | Polygon) else h.shape.convex_hull
    line = shape.exterior if isinstance(shape, Polygon) else shape
    points = [{"x": round(x, 2), "y": round(y, 2)} for x, y, *_ in line.coords]
    return {"reach": h.reach_m + h.accuracy_m, "ground": {"type": shape.geom_type, "points": points}}


def _kind(key: str, ctx: PageContext) -> dict[str, Any]:
    """`reach` is what stands where a mark does not say; `closes` the severity from which the ground around it is
    closed, None where driving there is another matter."""
    reach = ctx.settings.on_foot.strip_m if key == "forest_edge" else schema.REACH_M
    closes = 0 if key in CLOSING else CLOSED_FROM if key == "wet_spot" else None
    return {"reach": reach, "closes": closes, "graded": key == "wet_spot"}
