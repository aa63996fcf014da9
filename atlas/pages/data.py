"""What a sheet's script knows: verdicts of every choice, heights for the tap, all sentences, as one script file.

A page from disk cannot fetch, so the data is a script that sets one global. It is JSON in ASCII with every angle
bracket and ampersand written as an escape: whatever a name holds, it stays text.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from typing import Any

from atlas.driving.grounds import NEEDED
from atlas.driving.limits import limits_table
from atlas.driving.machines import Machine
from atlas.driving.records import ZONE_KEYS, Reason
from atlas.languages import spoken, tr
from atlas.pages.aid_phrases import AID_PHRASES
from atlas.pages.context import PageContext
from atlas.pages.data_cells import all_verdicts
from atlas.pages.data_codec import pack, pack_wide, verdict_table
from atlas.pages.data_heights import heights_data
from atlas.pages.marking import marking_data, marking_words
from atlas.pages.picture import Plate
from atlas.pages.picture_zones import strokes_for
from atlas.pages.render import area, metres, stamp
from atlas.pages.sheet_drives import DriveWords, Line
from atlas.pages.sheet_lists import KeepOff, driver_label, ground_label, hours, keep_off, machine_label
from atlas.pages.sheet_phrases import phrases, translated
from atlas.pages.sheet_set import SheetSet, counts_as, may_choose
from atlas.survey import FieldSurvey
from atlas.words import N_

HAND = N_("{edge} of forest edge, {strip} to rake out by hand: about {hours} for one person.")


def data_files(slug: str, languages: Sequence[str]) -> tuple[str, ...]:
    """The scripts that hold a field's data in the language being spoken, in the order in which they are loaded."""
    data = f"fields/{slug}.js"
    return (data, f"fields/{slug}.{spoken().code}.js") if len(languages) > 1 else (data,)


def data_script(data: dict[str, Any]) -> str:
    """The script that hands the page its data as `window.FIELD_ATLAS`."""
    return f"window.FIELD_ATLAS = {script_json(data)};\n"


def words_script(words: dict[str, Any]) -> str:
    """The script that adds one language's words to the data that is the same in all."""
    return f"Object.assign(window.FIELD_ATLAS, {script_json(words)});\n"


def script_json(data: Any) -> str:
    """JSON that can stand in any script file or element: ASCII, and no character that ends one."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), sort_keys=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def fixed_data(survey: FieldSurvey, ctx: PageContext, plate: Plate, chosen: SheetSet) -> dict[str, Any]:
    """What the script needs in every language alike, ready for JSON."""
    cells, frame, rig = plate.cells, plate.frame, ctx.rig
    strokes = strokes_for(cells, frame)
    counts = counts_as(survey, rig)
    return {
        "field_id": survey.parcel.field_id,
        "name": survey.parcel.name,
        "number": ctx.number,
        "cells": {
            "rows": cells.rows, "cols": cells.cols, "west": cells.west, "north": cells.north,
            "x": cells.cell_x, "y": cells.cell_y,
        },
        "picture": {
            "west": frame.box.west, "south": frame.box.south, "east": frame.box.east, "north": frame.box.north,
            "mm": frame.mm,
        },
        "strokes": {"every": strokes.every, "apart": strokes.apart, "length": strokes.length_m},
        "place": _place(survey),
        "need": NEEDED,
        "counts_as": counts,
        "release": _release(survey),
        "may_choose": {g: may_choose(survey, rig, g) for g in sorted({counts, NEEDED})},
        "shown": {"machine": chosen.machine, "ground": chosen.ground, "driver": chosen.driver},
        "zones": ZONE_KEYS,
        "reasons": {r.name.lower(): int(r) for r in Reason},
        "limits": _limits(ctx),
        "verdicts": _verdicts(survey, plate),
        "heights": heights_data(survey, ctx, plate.cells),
        "aerial": _aerial(survey),
        "watch": {"near_m": ctx.settings.watch.near_m},
        "marking": marking_data(survey, ctx),
    }  # fmt: skip


def spoken_data(survey: FieldSurvey, ctx: PageContext, said: dict[SheetSet, DriveWords]) -> dict[str, Any]:
    """What the script says, in the language being spoken."""
    rig = ctx.rig
    return {
        "machines": [_machine(m) for m in rig.machines.values()],
        "grounds": [{"key": g.key, "label": ground_label(g.key)} for g in rig.grounds.values()],
        "drivers": [{"key": d.key, "label": driver_label(d.key)} for d in rig.drivers.values()],
        "tags": [_tag(k) for k in keep_off(survey, ctx.settings)],
        "drives": [_drive(d.machine, d.ground, d.driver, said) for d in survey.driving.drives],
        "hand": _hand(survey),
        "words": phrases() | translated(AID_PHRASES),
        "mark_words": marking_words(),
    }


def _place(survey: FieldSurvey) -> dict[str, Any]:
    p = survey.place
    return {"lon": p.lon, "lat": p.lat, "fit_x": p.fit_x, "fit_y": p.fit_y}


def _aerial(survey: FieldSurvey) -> dict[str, Any] | None:
    """The aerial picture for the movable map, where it may take the place of the shading."""
    picture = survey.aerial
    if picture is None:
        return None
    b = picture.box
    data = base64.b64encode(picture.jpeg).decode("ascii")
    return {"west": b.west, "south": b.south, "east": b.east, "north": b.north, "jpeg": data}


def _release(survey: FieldSurvey) -> dict[str, Any] | None:
    r = survey.release
    if r is None:
        return None
    return {"ground": r.ground, "by": r.released_by, "from": stamp(r.released_at), "until": stamp(r.until)}


def _machine(m: Machine) -> dict[str, Any]:
    return {
        "key": m.key,
        "label": machine_label(m),
        "track": m.track_m,
        "wheelbase": m.wheelbase_m,
        "half_extent": round(m.half_extent_m, 3),
        "width": m.width_m,
        "walked": m.walked,
    }


def _tag(k: KeepOff) -> dict[str, Any]:
    return {
        "tag": k.tag, "kind": k.kind, "severity": k.severity, "place": k.place, "soft": k.soft, "far": k.far,
        "unconfirmed": k.unconfirmed, "note": k.note,
    }  # fmt: skip


def _hand(survey: FieldSurvey) -> str:
    """What is left for hands, as one sentence; empty where no forest edge is marked."""
    hand = survey.driving.hand_work
    if not hand.edge_m:
        return ""
    return tr(HAND).format(edge=metres(hand.edge_m), strip=area(hand.strip_m2), hours=hours(hand.hours))


def _drive(machine: str, ground: str, driver: str, said: dict[SheetSet, DriveWords]) -> dict[str, Any]:
    text = said[SheetSet(machine, ground, driver)]
    return {
        "machine": machine,
        "ground": ground,
        "driver": driver,
        "sentences": text.sentences,
        "causes": [_line(line) for line in text.causes],
        "figures": [_line(line) for line in text.figures],
    }


def _line(line: Line) -> list[Any]:
    return [line.label, line.value, line.place, line.tags]


def _limits(ctx: PageContext) -> list[list[Any]]:
    """Per machine, ground and driver: side, climb, grip up, grip down, hand work, then what sinking and the
    terrain's error add to roll and pitch; rise over run."""
    table = limits_table(ctx.rig, ctx.settings)
    return [
        [x.machine, x.ground, x.driver]
        + [
            round(v, 6)
            for v in (
                x.side, x.climb, x.grip_up, x.grip_down, x.on_foot,
                x.roll_sink, x.pitch_sink, x.roll_error, x.pitch_error,
            )
        ]
        for x in table
    ]  # fmt: skip


def _verdicts(survey: FieldSurvey, plate: Plate) -> dict[str, Any] | None:
    if not survey.driving.drives:
        return None
    table = verdict_table(*all_verdicts(plate.cells, survey.driving.drives))
    return {
        "index": pack_wide(table.index),
        "rows": pack(table.rows.tobytes()),
        "symbols": table.symbols,
    }
