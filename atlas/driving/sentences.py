"""The first sentences of a sheet: where not to drive and why, and how much of the field it is.

Read aloud to someone in their first week they must be enough to stay off the wrong ground. They never promise
anything: where nothing is closed they say what to watch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from atlas.driving import place_names as names
from atlas.driving.causes import Cause, FieldWords, closed_causes, open_groups, patches
from atlas.driving.places import untranslated
from atlas.driving.records import Drive, TaggedHazard
from atlas.grid import Bytes
from atlas.words import N_, number

Translate = Callable[[str], str]

WHOLE = 0.9995  # of a field; what is left is rounding
LEAST_M2 = 1.0
NEARLY = 0.85  # of what is open: the rest is not worth driving in for
NO_TURN_AT_ALL = 0.8  # of the ground that is driven straight up or down
TOLD = 3  # causes in a sentence; a fourth would not be remembered

SHARES = (
    (0.05, N_("about a twentieth")),
    (0.1, N_("about a tenth")),
    (0.2, N_("about a fifth")),
    (0.25, N_("about a quarter")),
    (1 / 3, N_("about a third")),
    (0.5, N_("about half")),
    (2 / 3, N_("about two thirds")),
    (0.75, N_("about three quarters")),
    (0.9, N_("about nine tenths")),
    (1.0, N_("nearly all")),
)
SMALL_SHARE = N_("a small part")

# after "Do not drive on …: "
WHY = {
    "steep": N_("too steep {place}"),
    "slippery": N_("too slippery for the wheels {place}"),
    "steep_or_slippery": N_("too steep or too slippery for the wheels {place}"),
    "drop": N_("the ground above a drop {place}"),
    "drop_below": N_("slopes that end at a drop {place}"),
    "unknown_edge": N_("ground {place} beside what is not measured"),
    "unsurveyed": N_("not measured {place}"),
}
WHY_DROP_BY = N_("the ground {place}")
WHY_MARKED = {
    "wet_spot": N_("the wet spot {place} (tag {tags})"),
    "unstable_bank": N_("the bank that gives way {place} (tag {tags})"),
    "forest_edge": N_("the strip under the trees {place} (tag {tags})"),
    "obstacle": N_("the obstacle {place} (tag {tags})"),
    "overhead_line": N_("under the overhead line {place} (tag {tags})"),
    "no_go": N_("ground the farm lead has closed {place} (tag {tags})"),
    "slip": N_("where a machine slipped {place} (tag {tags})"),
}
WHY_MARKED_MANY = {
    "wet_spot": N_("the wet spots (tags {tags})"),
    "unstable_bank": N_("the banks that give way (tags {tags})"),
    "forest_edge": N_("the strips under the trees (tags {tags})"),
    "obstacle": N_("the obstacles (tags {tags})"),
    "overhead_line": N_("under the overhead lines (tags {tags})"),
    "no_go": N_("ground the farm lead has closed (tags {tags})"),
    "slip": N_("where machines slipped (tags {tags})"),
}
NAME_ALWAYS = ("drop", "unknown_edge", "unsurveyed", "unstable_bank", "drop_below")

S_NOTHING_MEASURED = N_("Nothing is measured in this field: do not drive here.")
S_ALL = N_("Do not drive in this field at all: {why}.")
S_PART = N_("Do not drive on {share} of this field ({area}): {why}.")
S_NONE = N_("No ground in this field is closed to this machine on the map; in doubt, walk it first.")
S_NONE_WATCH = N_("No ground in this field is closed to this machine on the map, but watch {watch}.")
# the second sentence is some of these, with semicolons between
S_UP_DOWN = N_("go straight up or down, never across, on {share} of the field ({area}) {place}")
S_UP_DOWN_BACK = N_(
    "go straight up or down, never across, on {share} of the field ({area}) {place}, and back out: "
    "there is no room to turn"
)
S_REST_UP_DOWN = N_("go straight up or down, never across, on all the rest")
S_TO_DROP = N_("{place} straight down ends at a drop")
S_NO_TURN = N_("{place} there is no room to turn, so back out")
S_CUT_OFF = N_("there is no way in for this machine to another {area} {place}")
S_HARDLY_A_WAY_IN = N_("there is no way in for this machine to nearly all of the ground that would be open")
S_NO_WAY_IN = N_("there is no way in for this machine to the ground that would be open")
WHY_NO_WAY_IN = N_("there is no way in for this machine")
JOIN_TWO = N_("{first}, and {last}")
AND_MORE = N_("smaller places on the map")


def where_not(
    field: FieldWords, drive: Drive, tr: Translate = untranslated, causes: Sequence[Cause] | None = None
) -> tuple[str, ...]:
    """One or two sentences for one machine on one ground with one driver.

    Ground counts as closed too where the machine does not get to nearly all that is open: a field that cannot be
    entered does not begin with how little of it is closed.
    `field` (`causes.field_words`) is shared by all drives of a field. `tr` translates the fixed phrases; `causes`
    are the drive's own (`causes.closed_causes`), where they are known already.
    """
    closed_m2 = drive.on_foot_m2 + drive.keep_out_m2 + drive.unsurveyed_m2
    area_m2 = closed_m2 + drive.any_way_m2 + drive.up_down_m2
    if drive.unsurveyed_m2 >= WHOLE * area_m2:
        return (tr(S_NOTHING_MEASURED),)
    groups = open_groups(field, drive)
    lost_m2 = _lost(field, drive, groups)
    if closed_m2 < LEAST_M2 and not lost_m2:
        return (_nothing_closed(field.hazards, tr), *_how(field, drive, groups, tr))
    out_m2 = closed_m2 + lost_m2
    if closed_m2 < LEAST_M2:
        return (_closed(out_m2, area_m2, tr(WHY_NO_WAY_IN), tr),)
    why = _list(_told(closed_causes(field, drive, tr) if causes is None else causes, closed_m2), tr)
    first = _closed(out_m2, area_m2, why, tr)
    if lost_m2:
        return first, _sentence([tr(S_NO_WAY_IN if out_m2 >= WHOLE * area_m2 else S_HARDLY_A_WAY_IN)])
    return (first,) if out_m2 >= WHOLE * area_m2 else (first, *_how(field, drive, groups, tr))


def _lost(field: FieldWords, drive: Drive, groups: dict[str, Bytes]) -> float:
    """Square metres of open ground that the machine does not get to, where that is nearly all of it, else 0."""
    lost_m2 = float(field.frame.weight[groups["cut_off"] == 0].sum()) if "cut_off" in groups else 0.0
    return lost_m2 if lost_m2 >= NEARLY * (drive.any_way_m2 + drive.up_down_m2) else 0.0


def _closed(closed_m2: float, area_m2: float, why: str, tr: Translate) -> str:
    if closed_m2 >= WHOLE * area_m2:
        return tr(S_ALL).format(why=why)
    share, area = share_words(closed_m2 / area_m2, tr), area_words(closed_m2, tr)
    return tr(S_PART).format(share=share, area=area, why=why)


def share_words(share: float, tr: Translate = untranslated) -> str:
    """A share of a field as people say it; never further than a tenth from the number."""
    if share < 0.03:
        return tr(SMALL_SHARE)
    return tr(min(SHARES, key=lambda one: abs(one[0] - share))[1])


def area_words(m2: float, tr: Translate = untranslated) -> str:
    """Square metres rounded to what a person can picture, hectares from one hectare up."""
    if m2 >= 9_950:
        return tr(N_("{n} ha")).format(n=number(m2 / 10_000, 1))
    if m2 < 10:
        return tr(N_("under 10 m²"))
    step = 100 if m2 >= 1000 else 10
    return tr(N_("{n} m²")).format(n=number(round(m2 / step) * step))


def _told(causes: Sequence[Cause], closed_m2: float) -> tuple[tuple[Cause, ...], bool]:
    """The causes to name, the dangerous ones even where they are small; and whether much is left unnamed."""
    worth = [c for c in causes if c.key in NAME_ALWAYS or c.tags or c.area_m2 >= min(100.0, 0.05 * closed_m2)]
    told = worth[:TOLD]
    missing = [c for c in worth[TOLD:] if c.key in NAME_ALWAYS]
    if missing and not any(c.key in NAME_ALWAYS for c in told):
        told[-1] = missing[0]
    left = closed_m2 - sum(c.area_m2 for c in told)
    return tuple(told), len(worth) > TOLD or left > 0.1 * closed_m2


def _list(told: tuple[tuple[Cause, ...], bool], tr: Translate) -> str:
    causes, more = told
    parts = [_why(c, tr) for c in _merged(causes)]
    if more:
        parts.append(tr(AND_MORE))
    if len(parts) < 2:
        return "".join(parts)
    return tr(JOIN_TWO).format(first=", ".join(parts[:-1]), last=parts[-1])


def _merged(causes: tuple[Cause, ...]) -> tuple[Cause, ...]:
    """Too steep and too slippery in one, where both would be told of the same place."""
    by_key = {c.key: c for c in causes}
    steep, slippery = by_key.get("steep"), by_key.get("slippery")
    if steep is None or slippery is None or steep.place != slippery.place:
        return causes
    both = Cause("steep_or_slippery", steep.area_m2 + slippery.area_m2, steep.place)
    return (both, *(c for c in causes if c not in (steep, slippery)))


def _why(cause: Cause, tr: Translate) -> str:
    tags = ", ".join(str(tag) for tag in cause.tags)
    if len(cause.tags) > 1:
        return tr(WHY_MARKED_MANY[cause.key]).format(tags=tags)
    if cause.tags:
        place = "" if cause.place == tr(names.SEVERAL) else cause.place
        return tr(WHY_MARKED[cause.key]).format(place=place, tags=tags).replace("  ", " ")
    if cause.key == "drop" and cause.by_thing:  # "the ground above the wall"
        return tr(WHY_DROP_BY).format(place=cause.place)
    return tr(WHY[cause.key]).format(place=cause.place)


def _nothing_closed(hazards: Sequence[TaggedHazard], tr: Translate) -> str:
    if not hazards:
        return tr(S_NONE)
    by_kind: dict[str, list[TaggedHazard]] = {}
    for one in hazards:
        by_kind.setdefault(one.hazard.kind, []).append(one)
    causes = tuple(
        Cause(kind, 0.0, names.place_in(ones[0].place, tr), tuple(o.tag for o in ones))
        for kind, ones in by_kind.items()
    )
    return tr(S_NONE_WATCH).format(watch=_list((causes[:TOLD], len(causes) > TOLD), tr))


def _how(field: FieldWords, drive: Drive, groups: dict[str, Bytes], tr: Translate) -> tuple[str, ...]:
    """The second sentence: how to go on the rest."""
    area_m2 = drive.any_way_m2 + drive.up_down_m2 + drive.on_foot_m2 + drive.keep_out_m2 + drive.unsurveyed_m2
    found = patches(field, groups, tr)
    parts = []
    for key, least in (
        ("up_down", max(20.0, 0.01 * area_m2)),
        ("to_drop", 1.0),
        ("no_turn", max(20.0, 0.01 * area_m2)),
        ("cut_off", max(50.0, 0.02 * area_m2)),
    ):
        if key in found and found[key].area_m2 >= least:
            parts.append((key, found[key]))
    return (_sentence([_part(key, patch, drive, found, tr) for key, patch in _few(parts)]),) if parts else ()


def _few(parts: list[tuple[str, Cause]]) -> list[tuple[str, Cause]]:
    """As many as can be kept in mind; one that says the same as another goes."""
    by_key = dict(parts)
    if "no_turn" in by_key and by_key["no_turn"].area_m2 >= NO_TURN_AT_ALL * by_key["up_down"].area_m2:
        parts = [one for one in parts if one[0] != "no_turn"]
    return parts[:TOLD]


def _part(key: str, patch: Cause, drive: Drive, found: dict[str, Cause], tr: Translate) -> str:
    open_m2 = drive.any_way_m2 + drive.up_down_m2
    area_m2 = open_m2 + drive.on_foot_m2 + drive.keep_out_m2 + drive.unsurveyed_m2
    sentence = {"up_down": S_UP_DOWN, "to_drop": S_TO_DROP, "no_turn": S_NO_TURN, "cut_off": S_CUT_OFF}[key]
    if key == "up_down":
        stuck = found["no_turn"].area_m2 if "no_turn" in found else 0.0
        if patch.area_m2 >= WHOLE * open_m2:
            sentence = S_REST_UP_DOWN
        elif stuck >= NO_TURN_AT_ALL * patch.area_m2:
            sentence = S_UP_DOWN_BACK
    return tr(sentence).format(
        share=share_words(patch.area_m2 / area_m2, tr), area=area_words(patch.area_m2, tr), place=patch.place
    )


def _sentence(parts: Sequence[str]) -> str:
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."
