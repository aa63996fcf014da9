"""The end of a sheet, for the farm lead: slope classes, the profile down the steepest line, figures."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from atlas import words
from atlas.languages import tr
from atlas.pages.context import PageContext
from atlas.pages.picture_frame import n
from atlas.pages.render import area, metres
from atlas.survey import FieldSurvey
from atlas.terrain.figures import Profile, SlopeFigures
from atlas.words import N_, number, short

WINDS = (
    N_("north"), N_("north-east"), N_("east"), N_("south-east"),
    N_("south"), N_("south-west"), N_("west"), N_("north-west"),
)  # fmt: skip
PCT_FIRST, PCT_BETWEEN, PCT_OVER = N_("0 to {high} %"), N_("over {low} to {high} %"), N_("over {low} %")
DEG_BETWEEN, DEG_OVER = N_("{low} to {high}°"), N_("over {low}°")
PROFILE_WIDE, PROFILE_HIGH, PROFILE_LEFT, PROFILE_FOOT = 170.0, 62.0, 18.0, 11.0  # millimetres on paper


@dataclass(frozen=True)
class ClassRow:
    """One slope class; `degrees` repeats its limits in degrees."""

    index: int
    percent: str
    degrees: str
    area: str
    share: str
    merged: str


def class_rows(figures: SlopeFigures) -> tuple[ClassRow, ...]:
    rows = []
    for index, c in enumerate(figures.classes):
        low, high = c.over_pct, c.upto_pct
        share = f"{number(100 * c.area_m2 / figures.area_m2, 1)} %" if figures.area_m2 else ""
        rows.append(
            ClassRow(index, _percent(low, high), _degrees(low, high), area(c.area_m2), share, area(c.merged_m2))
        )
    return tuple(rows)


def _percent(low: float, high: float | None) -> str:
    if high is None:
        return tr(PCT_OVER).format(low=short(low))
    return tr(PCT_BETWEEN if low else PCT_FIRST).format(low=short(low), high=short(high))


def _degrees(low: float, high: float | None) -> str:
    if high is None:
        return tr(DEG_OVER).format(low=_deg(low))
    return tr(DEG_BETWEEN).format(low=_deg(low), high=_deg(high))


def _deg(percent: float) -> str:
    return short(round(math.degrees(math.atan(percent / 100)), 1))


def wind(degrees: float | None) -> str:
    """The direction a field faces in words; "" on level ground."""
    return "" if degrees is None else tr(WINDS[round(degrees / 45) % 8])


def percent_of(value: float | None) -> str:
    """A slope statistic as steepness; a dash where nothing is measured."""
    return "–" if value is None else words.steep(value / 100)


def height(value: float | None) -> str:
    return "–" if value is None else metres(value)


def sigma(ctx: PageContext) -> str:
    return f"{short(ctx.terrain.sigma_m * 100)} cm"


def profile_picture(profile: Profile | None, title: str) -> Markup:
    """Heights down the steepest line, drawn with the same scale upwards as along, so that steep looks steep."""
    if profile is None or len(profile.along_m) < 2:
        return Markup("")
    along, high = profile.along_m, profile.height_m
    low, top = float(high.min()), float(high.max())
    length = float(along[-1])
    room = PROFILE_HIGH - PROFILE_FOOT - 5
    scale = min((PROFILE_WIDE - PROFILE_LEFT - 4) / length, room / max(top - low, 1.0))
    foot = 5 + (top - low) * scale
    points = " ".join(
        f"{n(PROFILE_LEFT + a * scale, 2)} {n(foot - (z - low) * scale, 2)}"
        for a, z in zip(along.tolist(), high.tolist(), strict=True)
    )
    ground = f"M{n(PROFILE_LEFT)} {n(foot + 3)}L{points}L{n(PROFILE_LEFT + length * scale, 2)} {n(foot + 3)}z"
    return Markup(
        '<svg class="profile" viewBox="0 0 {wide} {tall}" width="{wide}mm" height="{tall}mm" role="img" '
        'aria-labelledby="profile-title"><title id="profile-title">{title}</title>'
        '<path class="profile-ground" d="{ground}"/><path class="profile-line" d="M{points}"/>'
        '<text x="{left}" y="{top_y}" text-anchor="end">{top} m</text>'
        '<text x="{left}" y="{low_y}" text-anchor="end">{low} m</text>{ticks}</svg>'
    ).format(
        wide=n(PROFILE_LEFT + length * scale + 8),
        tall=n(foot + PROFILE_FOOT),
        title=title,
        ground=ground,
        points=points,
        left=n(PROFILE_LEFT - 1.5),
        top_y=n(foot - (float(high[0]) - low) * scale + 1),
        low_y=n(foot - (float(high[-1]) - low) * scale + 1),
        top=n(float(high[0]), 0),
        low=n(float(high[-1]), 0),
        ticks=_distance_ticks(length, scale, foot + 3),
    )


def _distance_ticks(length: float, scale: float, foot: float) -> Markup:
    step = next(s for s in (5, 10, 20, 50, 100, 200, 500, 1000, 5000) if s * scale >= 14)
    out = []
    for k in range(int(length // step) + 1):
        x = n(PROFILE_LEFT + k * step * scale, 2)
        out.append(
            f'<path class="profile-tick" d="M{x} {n(foot)}v1.5"/>'
            f'<text x="{x}" y="{n(foot + 5)}" text-anchor="middle">{k * step} m</text>'
        )
    return Markup("".join(out))


@dataclass(frozen=True)
class Fact:
    label: str
    value: str


def field_facts(survey: FieldSurvey) -> tuple[Fact, ...]:
    """The field's figures as label and value, in the order a lead asks for them."""
    f = survey.terrain.figures
    return (
        Fact(N_("Area on the ground plan"), area(f.area_m2)),
        Fact(N_("Surface, slope counted in"), area(f.surface_m2)),
        Fact(N_("Lowest and highest point"), f"{height(f.min_m)} – {height(f.max_m)}"),
        Fact(N_("Mean slope"), percent_of(f.mean_pct)),
        Fact(N_("95 hundredths of the field are no steeper than"), percent_of(f.p95_pct)),
        Fact(N_("Steepest cell"), percent_of(f.max_pct)),
        Fact(N_("Not measured"), area(f.unsurveyed_m2)),
    )
