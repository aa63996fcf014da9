"""A field's sheet: the page a worker carries and the script that repaints it, as bytes."""

from __future__ import annotations

from markupsafe import Markup

from atlas.driving.surveying import too_coarse
from atlas.languages import speaking, tr
from atlas.pages.context import PageContext
from atlas.pages.data import data_files, data_script, fixed_data, spoken_data, words_script
from atlas.pages.legend import class_sign, other_signs, own_signs, zone_signs
from atlas.pages.moving_map import map_script
from atlas.pages.picture import Plate, class_map, definitions, map_words, plate_for, zone_map
from atlas.pages.picture_frame import north_arrow
from atlas.pages.render import page
from atlas.pages.sheet_drives import DriveWords, frame_of, said_of
from atlas.pages.sheet_lead import class_rows, field_facts, profile_picture, sigma, wind
from atlas.pages.sheet_lists import driver_label, ground_label, hours, keep_off, machine_label, ways
from atlas.pages.sheet_set import SheetSet, counts_as, drive_of, may_choose, shown
from atlas.pages.view_picture import view_fills
from atlas.pages.views import DrawnViews, drawn_views, sheet_views
from atlas.survey import FieldSurvey
from atlas.words import N_

T_ZONES, T_CLASSES = N_("Map of where this machine may go"), N_("Map of slope classes")
T_PROFILE = N_("Heights down the steepest line")


def shown_set(survey: FieldSurvey, ctx: PageContext) -> tuple[str, str, str]:
    """Machine, ground and driver (keys) of the set that paper and a page without scripts show."""
    chosen = shown(survey, ctx)
    return (chosen.machine, chosen.ground, chosen.driver)


def field_sheet(survey: FieldSurvey, ctx: PageContext) -> dict[str, bytes]:
    """The sheet of one field: "fields/<slug>.html" and "fields/<slug>.js" (its data and its movable map). In an
    atlas of several languages a page for each, and the words of each in a script of their own.

    The same survey and context give the same bytes.
    """
    chosen = shown(survey, ctx)
    frame = frame_of(survey)
    slug = survey.parcel.slug
    plate = plate_for(survey)
    views = drawn_views(survey, ctx, chosen)
    fixed = fixed_data(survey, ctx, plate, chosen)
    made: dict[str, bytes] = {}
    for who in ctx.speakers:
        with speaking(who):
            said = said_of(frame, survey.driving.drives)
            spoken = spoken_data(survey, ctx, said)
            path = f"fields/{slug}.html"
            made[who.page(path)] = page("field.html", ctx, path, _values(survey, ctx, chosen, plate, views, said))
            for name in data_files(slug, ctx.languages)[1:]:
                made[name] = words_script(spoken).encode("ascii")
    apart = len(ctx.languages) > 1
    script = data_script(fixed if apart else {**fixed, **spoken}) + map_script(plate.frame, ctx.moving)
    return {**made, f"fields/{slug}.js": script.encode("ascii")}


def _values(
    survey: FieldSurvey,
    ctx: PageContext,
    chosen: SheetSet,
    plate: Plate,
    views: DrawnViews,
    said: dict[SheetSet, DriveWords],
) -> dict[str, object]:
    drive = drive_of(survey, chosen)
    rig = ctx.rig
    name = survey.parcel.name
    tags = keep_off(survey, ctx.settings)
    return {
        "survey": survey,
        "drops": survey.driving.drops,
        "hand": survey.driving.hand_work,
        "chosen": chosen,
        "counts_as": counts_as(survey, rig),
        "ground_label": ground_label,
        "driver_label": driver_label,
        "machine_label": machine_label,
        "hours": hours,
        "north": north_arrow(survey.place.convergence_deg),
        "machine": rig.machines[chosen.machine],
        "rig": rig,
        "grounds": may_choose(survey, rig, counts_as(survey, rig)),
        "said": said.get(chosen),
        "why_none": too_coarse(survey.terrain.grid, ctx.settings, tr) or survey.driving.why_none,
        "definitions": definitions(plate, view_fills()),
        "zone_map": zone_map(plate, drive, f"{tr(T_ZONES)}: {name}", ctx.terrain) if drive else Markup(""),
        "class_map": class_map(plate, f"{tr(T_CLASSES)}: {name}", ctx.terrain, alone=drive is None),
        "map_words": map_words(plate.frame, ctx.terrain),
        "views": sheet_views(survey, ctx, views),
        "keep_off": tags,
        "news": [k for k in tags if k.unconfirmed or not k.seen],
        "assumed": [k for k in tags if k.assumed],
        "ways": ways(survey, ctx.rig),
        "class_rows": class_rows(survey.terrain.figures),
        "facts": field_facts(survey),
        "faces": wind(survey.terrain.figures.faces_deg),
        "sigma": sigma(ctx),
        "profile": profile_picture(survey.terrain.profile, f"{tr(T_PROFILE)}: {name}"),
        "zone_signs": zone_signs(survey),
        "other_signs": other_signs(survey),
        "own_signs": own_signs(),
        "class_sign": class_sign,
        "scripts": data_files(survey.parcel.slug, ctx.languages),
    }
