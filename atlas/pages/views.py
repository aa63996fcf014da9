"""The views from a field's ways in, ready for the sheet: pictures, plans, and what they show in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from atlas.driving.grounds import NEEDED
from atlas.driving.records import Drive
from atlas.driving.views import WayView
from atlas.languages import tr
from atlas.pages.context import PageContext
from atlas.pages.render import place
from atlas.pages.sheet_lead import wind
from atlas.pages.sheet_lists import driver_label, ground_label, machine_label
from atlas.pages.sheet_set import SheetSet, drive_of, may_choose
from atlas.pages.view_picture import ViewArt, view_art, view_picture
from atlas.pages.view_plan import view_plan
from atlas.pages.view_words import ViewPart, not_seen, view_parts
from atlas.survey import FieldSurvey
from atlas.words import N_

T_VIEW, T_PLAN = N_("View from the way in: {name}"), N_("Plan: where one stands and looks")
NOW, BACK = "view-now", "view-back"  # the shown set, and what counts once a release has run out


@dataclass(frozen=True)
class ViewSet:
    """A choice whose closed ground the pictures show; `when` is its class, for the script that swaps them."""

    when: str
    chosen: SheetSet
    drive: Drive


@dataclass(frozen=True)
class ToldView:
    """Words for one set."""

    when: str
    machine: str
    ground: str
    driver: str
    parts: tuple[ViewPart, ...]


@dataclass(frozen=True)
class SheetView:
    """One way in on the sheet."""

    name: str
    place: str
    looking: str
    bearing_deg: int
    wide_deg: int
    picture: Markup
    plan: Markup
    told: tuple[ToldView, ...]
    not_seen: str


@dataclass(frozen=True)
class DrawnViews:
    """A field's views, drawn once for all languages."""

    sets: tuple[ViewSet, ...]
    art: tuple[ViewArt, ...]


def drawn_views(survey: FieldSurvey, ctx: PageContext, chosen: SheetSet) -> DrawnViews:
    sets = _sets(survey, ctx, chosen)
    shown = [(s.when, s.drive) for s in sets]
    return DrawnViews(sets, tuple(view_art(v, shown, survey.terrain.gradient) for v in survey.views.seen))


def sheet_views(survey: FieldSurvey, ctx: PageContext, drawn: DrawnViews) -> tuple[SheetView, ...]:
    """Every view of a field, in the language being spoken."""
    return tuple(_sheet_view(survey, ctx, art, drawn.sets, k) for k, art in enumerate(drawn.art, start=1))


def _sets(survey: FieldSurvey, ctx: PageContext, chosen: SheetSet) -> tuple[ViewSet, ...]:
    """The set the sheet shows, and the one that counts when its release has run out, where that is another."""
    allowed = may_choose(survey, ctx.rig, NEEDED)
    after = chosen.ground if chosen.ground in allowed else NEEDED
    wanted = [(NOW, chosen)]
    if survey.release is not None and after != chosen.ground:
        wanted.append((BACK, SheetSet(chosen.machine, after, chosen.driver)))
    found = [(when, one, drive_of(survey, one)) for when, one in wanted]
    return tuple(ViewSet(when, one, drive) for when, one, drive in found if drive is not None)


def _sheet_view(
    survey: FieldSurvey, ctx: PageContext, art: ViewArt, sets: Sequence[ViewSet], number: int
) -> SheetView:
    seen = art.seen
    north = survey.place.convergence_deg
    bearing = (seen.view.lens.middle_deg - north) % 360.0
    told = tuple(_told(survey, ctx, seen, s) for s in sets) or (
        ToldView(NOW, "", "", "", view_parts(seen, None, survey.terrain)),
    )
    name = seen.way_in.name or seen.way_in.way_in_id
    alternative = " ".join(f"{part.name}: {part.text}" for part in told[0].parts)
    return SheetView(
        name,
        place(seen.place),
        wind(bearing),
        round(bearing) % 360,
        round(seen.view.lens.wide_deg),
        view_picture(art, f"view-{number}", north, tr(T_VIEW).format(name=name), alternative),
        view_plan(survey, seen, tr(T_PLAN)),
        told,
        not_seen(seen),
    )


def _told(survey: FieldSurvey, ctx: PageContext, seen: WayView, one: ViewSet) -> ToldView:
    chosen = one.chosen
    return ToldView(
        one.when,
        machine_label(ctx.rig.machines[chosen.machine]),
        ground_label(chosen.ground),
        driver_label(chosen.driver),
        view_parts(seen, one.drive, survey.terrain),
    )
