"""The first sentences: they agree with the figures, name what closes ground and where, and promise nothing."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import make_grid, terrace_above_wall
from shapely.geometry import LineString, Point, box
from shapely.geometry.base import BaseGeometry

from atlas.driving import place_names
from atlas.driving import sentences as say
from atlas.driving.causes import NO_CAUSE, OPEN_KEYS, Cause, FieldWords, closed_causes, field_words, open_groups
from atlas.driving.features import NAMED, named
from atlas.driving.places import untranslated
from atlas.driving.records import Drive, Reason, TaggedHazard, Zone
from atlas.farm.records import HAZARD_KINDS, Hazard, HazardKind
from atlas.grid import Bytes

GRID = make_grid(100, 100)
B = GRID.bounds
FIELD = box(B.west, B.south, B.east, B.north)
COVERED = np.ones(GRID.shape, dtype=np.float32)
HEIGHTS = terrace_above_wall(0.2, 2.0, GRID).z
THOUSAND = "1\u202f000 m²"
FORBIDDEN = re.compile(r"\b(safe|safely|clear|ok|okay|danger-free|harmless)\b", re.IGNORECASE)


def tagged(tag: int, kind: HazardKind, shape: BaseGeometry, note: str = "", place: str = "") -> TaggedHazard:
    hazard = Hazard(f"h{tag}", kind, 2, 5.0, 2.0, None, note, None, None, "", shape)
    at = shape.representative_point()
    return TaggedHazard(tag, hazard, 0.0, 0.0, at.x, at.y, place, shape.buffer(7))


def words(*hazards: TaggedHazard) -> FieldWords:
    return field_words(FIELD, GRID, COVERED, HEIGHTS, hazards)


def maps() -> tuple[Bytes, Bytes]:
    return np.zeros(GRID.shape, dtype=np.uint8), np.zeros(GRID.shape, dtype=np.uint8)


def drive(
    zone: Bytes, reason: Bytes, cut_off: Bytes | None = None, no_turn: Bytes | None = None, driver: str = "new"
) -> Drive:
    area = [float((zone == z).sum()) for z in Zone]
    none = np.zeros(GRID.shape, dtype=np.uint8)
    cut, stuck = (none if cut_off is None else cut_off), (none if no_turn is None else no_turn)
    return Drive(
        machine="m",
        ground="wet",
        driver=driver,
        zone=zone,
        reason=reason,
        any_way_m2=area[0],
        up_down_m2=area[1],
        on_foot_m2=area[2],
        keep_out_m2=area[3],
        unsurveyed_m2=area[4],
        cut_off_m2=None if cut_off is None else float(cut.sum()),
        no_turn_m2=float(stuck.sum()),
        cut_off=cut,
        no_turn=stuck,
    )


def closed(rows: slice, cols: slice, zone: Zone = Zone.ON_FOOT, reason: int = Reason.SIDE) -> Drive:
    z, why = maps()
    z[rows, cols], why[rows, cols] = zone, reason
    return drive(z, why)


def test_share_area_reason_and_place_stand_in_the_first_sentence() -> None:
    told = say.where_not(words(), closed(slice(0, 10), slice(0, 100)))
    assert told == (
        "Do not drive on about a tenth of this field (1\u202f000 m²): too steep along the north edge.",
    )


def test_the_wall_is_named_where_its_marking_names_it() -> None:
    wall = tagged(
        4, "obstacle", LineString([(B.west + 30, B.north - 50), (B.west + 70, B.north - 50)]), "Old wall"
    )
    z, why = maps()
    z[44:50, 30:70], why[44:50, 30:70] = Zone.KEEP_OUT, Reason.DROP
    z[0:10], why[0:10] = Zone.ON_FOOT, Reason.CLIMB
    (told,) = say.where_not(words(wall), drive(z, why))
    assert told == (
        "Do not drive on about a tenth of this field (1\u202f200 m²): too steep along the north edge, "
        "and the ground above the wall (tag 4)."
    )


def test_ground_below_a_thing_is_told_as_such() -> None:
    spring = tagged(2, "wet_spot", Point(B.west + 50, B.north - 30), "spring after rain", "in the middle")
    z, why = maps()
    z[34:40, 46:54], why[34:40, 46:54] = Zone.ON_FOOT, Reason.GRIP_DOWN
    (cause,) = closed_causes(words(spring), drive(z, why))
    assert (cause.key, cause.area_m2, cause.place) == ("slippery", 48.0, "below the spring (tag 2)")


@pytest.mark.parametrize("kind", HAZARD_KINDS)
def test_each_kind_of_marking_is_named_with_its_tag_and_place(kind: HazardKind) -> None:
    one = tagged(3, kind, Point(B.west + 50, B.north - 50), place="in the middle")
    (told,) = say.where_not(words(one), closed(slice(45, 55), slice(45, 55), Zone.KEEP_OUT, Reason.TAG + 3))
    assert "in the middle (tag 3)" in told
    assert "a small part of this field (100 m²)" in told


@pytest.mark.parametrize("kind", HAZARD_KINDS)
def test_several_markings_of_a_kind_are_named_together(kind: HazardKind) -> None:
    two = [tagged(i, kind, Point(B.west + 30 * i, B.north - 50), place="in the middle") for i in (1, 2)]
    z, why = maps()
    for i in (1, 2):
        z[45:55, 30 * i : 30 * i + 5], why[45:55, 30 * i : 30 * i + 5] = Zone.KEEP_OUT, Reason.TAG + i
    (told,) = say.where_not(words(*two), drive(z, why))
    assert "(tags 1, 2)" in told


def test_nothing_measured_comes_first() -> None:
    everything = closed(slice(None), slice(None), Zone.UNSURVEYED, Reason.NO_HEIGHT)
    assert say.where_not(words(), everything) == ("Nothing is measured in this field: do not drive here.",)


def test_everything_closed_comes_first() -> None:
    z, why = maps()
    z[:], why[:] = Zone.ON_FOOT, Reason.GRIP_UP
    z[0:30], why[0:30] = Zone.UNSURVEYED, Reason.NO_HEIGHT
    (told,) = say.where_not(words(), drive(z, why))
    assert told.startswith("Do not drive in this field at all: too slippery for the wheels over most of the field")
    assert "not measured" in told


def test_nothing_closed_still_says_what_to_watch() -> None:
    spot = tagged(1, "wet_spot", Point(B.west + 50, B.north - 50), place="in the middle")
    pole = tagged(2, "obstacle", Point(B.west + 5, B.north - 5), place="in the north-west corner")
    assert say.where_not(words(), drive(*maps())) == (
        "No ground in this field is closed to this machine on the map; in doubt, walk it first.",
    )
    (told,) = say.where_not(words(spot, pole), drive(*maps()))
    assert told == (
        "No ground in this field is closed to this machine on the map, but watch the wet spot in the middle "
        "(tag 1), and the obstacle in the north-west corner (tag 2)."
    )


def test_straight_up_or_down_ground_turning_drops_and_ways_in_follow() -> None:
    z, why = maps()
    z[60:100], why[60:100] = Zone.UP_DOWN, Reason.SIDE
    first, second = say.where_not(words(), drive(z, why))
    assert first.startswith("No ground")
    assert second == (
        "Go straight up or down, never across, on about a third of the field (4\u202f000 m²) "
        "across the lower part."
    )
    stuck = (z == Zone.UP_DOWN).astype(np.uint8)
    assert "and back out: there is no room to turn" in say.where_not(words(), drive(z, why, None, stuck))[1]
    some = stuck.copy()
    some[:, 30:] = 0
    told = say.where_not(words(), drive(z, why, None, some))[1]
    assert "in the south-west there is no room to turn, so back out" in told
    why[60:100, 0:20] = Reason.DROP_BELOW
    assert "straight down ends at a drop" in say.where_not(words(), drive(z, why, driver="practised"))[1]
    cut = np.zeros(GRID.shape, dtype=np.uint8)
    cut[0:20] = 1
    told = say.where_not(words(), drive(z, why, cut))[1]
    assert "there is no way in for this machine to another 2\u202f000 m² along the north edge" in told


def test_nobody_is_sent_up_and_down_where_there_is_no_way_in() -> None:
    z, why = maps()
    z[60:100], why[60:100] = Zone.UP_DOWN, Reason.DROP_BELOW
    cut = np.zeros(GRID.shape, dtype=np.uint8)
    cut[80:100] = 1
    stuck = (z == Zone.UP_DOWN).astype(np.uint8)
    told = say.where_not(words(), drive(z, why, cut, stuck))[1]
    assert "on about a fifth of the field (2\u202f000 m²)" in told  # of the 4000, half cannot be reached
    assert "to another 2\u202f000 m² along the south edge" in told
    assert "south edge straight down" not in told


def test_all_the_rest_is_not_told_of_where_part_of_it_has_no_way_in() -> None:
    z, why = maps()
    z[:], why[:] = Zone.UP_DOWN, Reason.SIDE
    z[0:20] = Zone.ON_FOOT
    cut = np.zeros(GRID.shape, dtype=np.uint8)
    cut[60:100] = 1
    told = say.where_not(words(), drive(z, why, cut))[1]
    assert "on all the rest" not in told
    assert "on about a third of the field (4\u202f000 m²)" in told


def test_no_way_in_to_any_of_the_rest() -> None:
    one = closed(slice(0, 10), slice(0, 100))
    cut = (one.zone < Zone.ON_FOOT).astype(np.uint8)
    told = say.where_not(words(), drive(one.zone, one.reason, cut))
    assert told == (
        "Do not drive in this field at all: too steep along the north edge.",
        "There is no way in for this machine to the ground that would be open.",
    )


def test_a_way_in_to_hardly_anything_is_not_worth_driving_in_for() -> None:
    cut = np.ones(GRID.shape, dtype=np.uint8)
    cut[0:10] = 0
    told = say.where_not(words(), drive(*maps(), cut))
    assert told == (
        "Do not drive on about nine tenths of this field (9\u202f000 m²): there is no way in for this machine.",
    )
    part = closed(slice(95, 100), slice(0, 100))
    told = say.where_not(words(), drive(part.zone, part.reason, cut * (part.zone < Zone.ON_FOOT)))
    assert told[0].startswith("Do not drive on about nine tenths of this field (9\u202f000 m²): ")
    assert told[1] == "There is no way in for this machine to nearly all of the ground that would be open."


def test_a_field_that_cannot_be_entered_is_not_said_to_be_open() -> None:
    """Nothing on it is closed, and nothing of it is reached."""
    told = say.where_not(words(), drive(*maps(), np.ones(GRID.shape, dtype=np.uint8)))
    assert told == ("Do not drive in this field at all: there is no way in for this machine.",)


def test_steep_and_slippery_ground_in_the_same_place_is_told_once() -> None:
    z, why = maps()
    z[0:10], why[0:10], why[0:10, 0:100:2] = Zone.ON_FOOT, Reason.SIDE, Reason.GRIP_DOWN
    (told,) = say.where_not(words(), drive(z, why))
    assert told.endswith(": too steep or too slippery for the wheels along the north edge.")


def test_a_drop_is_not_told_by_something_above_it() -> None:
    wall = tagged(4, "obstacle", LineString([(B.west + 30, B.north - 45), (B.west + 70, B.north - 45)]), "wall")
    z, why = maps()
    z[50:54, 30:70], why[50:54, 30:70] = Zone.KEEP_OUT, Reason.DROP
    (cause,) = closed_causes(words(wall), drive(z, why))
    assert cause.place == "in the middle"


def test_all_the_rest_straight_up_or_down() -> None:
    z, why = maps()
    z[:], why[:] = Zone.UP_DOWN, Reason.SIDE
    z[0:10], why[0:10] = Zone.KEEP_OUT, Reason.ON_FOOT
    assert say.where_not(words(), drive(z, why))[1] == "Go straight up or down, never across, on all the rest."


def test_a_drop_is_named_even_where_three_other_things_are_larger() -> None:
    kinds: tuple[HazardKind, ...] = ("obstacle", "slip", "no_go")
    spots = [tagged(i, kind, Point(B.west, B.north), place="in the north") for i, kind in enumerate(kinds, 1)]
    z, why = maps()
    for i in (1, 2, 3):
        z[20 * i : 20 * i + 10], why[20 * i : 20 * i + 10] = Zone.KEEP_OUT, Reason.TAG + i
    z[95:98, 90:95], why[95:98, 90:95] = Zone.KEEP_OUT, Reason.DROP
    (told,) = say.where_not(words(*spots), drive(z, why))
    assert "above a drop" in told
    assert told.endswith("and smaller places on the map.")


@pytest.mark.parametrize("share", np.linspace(0.001, 0.9994, 57))
def test_a_share_in_words_is_never_far_from_the_number(share: float) -> None:
    said = say.share_words(share)
    number = {text: value for value, text in say.SHARES}.get(said, 0.015)
    assert abs(number - share) <= 0.1
    assert share < 0.97 or said == "nearly all"


@pytest.mark.parametrize(
    ("m2", "said"),
    [(3, "under 10 m²"), (14, "10 m²"), (996, "1\u202f000 m²"), (4_217, "4\u202f200 m²"), (9_951, "1.0 ha"),
     (31_900, "3.2 ha")],
)  # fmt: skip
def test_areas_are_rounded_to_what_one_can_picture(m2: float, said: str) -> None:
    assert say.area_words(m2) == said


@given(seed=st.integers(0, 10_000), tags=st.integers(0, 4))
@settings(max_examples=60, deadline=None)
def test_whatever_is_closed_the_sentences_agree_with_the_figures(seed: int, tags: int) -> None:
    draw = np.random.default_rng(seed)
    kinds = [HAZARD_KINDS[i] for i in draw.integers(0, len(HAZARD_KINDS), tags)]
    marks = [
        tagged(i + 1, kind, Point(B.west + draw.uniform(0, 100), B.south + draw.uniform(0, 100)),
               draw.choice(["", "by the wall", "spring"]), "in the middle")
        for i, kind in enumerate(kinds)
    ]  # fmt: skip
    z, why = maps()
    reasons = [*(r for r in Reason if 0 < r < Reason.TAG), *(Reason.TAG + i + 1 for i in range(tags))]
    for _ in range(int(draw.integers(0, 7))):
        r, c, h, w = draw.integers(0, 90), draw.integers(0, 90), draw.integers(1, 60), draw.integers(1, 60)
        kind = draw.integers(1, 5)
        z[r : r + h, c : c + w] = kind
        why[r : r + h, c : c + w] = Reason.NO_HEIGHT if kind == Zone.UNSURVEYED else draw.choice(reasons)
    cut = ((z < Zone.ON_FOOT) & (draw.random(GRID.shape) < draw.random())).astype(np.uint8)
    stuck = ((z == Zone.UP_DOWN) & (draw.random(GRID.shape) < draw.random())).astype(np.uint8)
    one = drive(z, why, cut, stuck, str(draw.choice(["new", "practised"])))
    field = words(*marks)
    told = say.where_not(field, one)
    closed_m2 = one.on_foot_m2 + one.keep_out_m2 + one.unsurveyed_m2
    causes = closed_causes(field, one)
    assert sum(c.area_m2 for c in causes) == pytest.approx(closed_m2)
    agree(told, one, causes, closed_m2)


def agree(told: tuple[str, ...], one: Drive, causes: tuple[Cause, ...], closed_m2: float) -> None:
    whole = GRID.rows * GRID.cols
    lost_m2 = one.cut_off_m2 or 0.0
    reached = lost_m2 < say.NEARLY * (one.any_way_m2 + one.up_down_m2) or lost_m2 == 0
    out_m2 = closed_m2 if reached else closed_m2 + lost_m2
    text = " ".join(told)
    assert 1 <= len(told) <= 2
    assert not FORBIDDEN.search(text)
    assert "{" not in text
    assert "  " not in text
    assert all(sentence[0].isupper() and sentence.endswith(".") for sentence in told)
    if one.unsurveyed_m2 == whole:
        assert told[0].startswith("Nothing is measured")
    elif out_m2 == whole:
        assert told[0].startswith("Do not drive in this field at all")
    elif out_m2 == 0:
        assert told[0].startswith("No ground in this field is closed")
    else:
        assert told[0].startswith(
            f"Do not drive on {say.share_words(out_m2 / whole)} of this field ({say.area_words(out_m2)})"
        )
        assert not causes or causes[0].place in told[0] or len(causes[0].tags) > 1
    for tag in re.findall(r"tag (\d+)", told[0]):
        assert (one.reason == Reason.TAG + int(tag)).any() or closed_m2 == 0 or "(tag" in text


def test_a_patch_at_the_edge_counts_only_what_lies_in_the_field() -> None:
    half = COVERED * 0.5
    field = field_words(FIELD, GRID, half, HEIGHTS, ())
    (cause,) = closed_causes(field, closed(slice(0, 10), slice(0, 100)))
    assert cause.area_m2 == pytest.approx(500)


def test_notes_name_things_from_a_fixed_list_only() -> None:
    assert named(tagged(1, "obstacle", Point(0, 0), "<b>Wall</b> of grandfather")) == "the wall"
    assert named(tagged(1, "obstacle", Point(0, 0), "wallflowers")) == ""
    assert all(name.startswith("the ") for name in NAMED.values())


def test_every_phrase_can_be_translated() -> None:
    seen: list[str] = []

    def shout(text: str) -> str:
        seen.append(text)
        return re.sub(r"\{\w+\}", lambda slot: slot[0].lower(), text.upper())

    (told,) = say.where_not(words(), closed(slice(0, 10), slice(0, 100)), shout)
    assert told == told.upper().replace(" M²", " M²")
    assert place_names.ALONG_EDGE[0] in seen


def test_groups_of_open_ground_are_their_plain_reading() -> None:
    """Each in its own cells of the field alone, and none of what holds nowhere."""
    draw = np.random.default_rng(3)
    covered = (draw.random(GRID.shape) < 0.8).astype(np.float32)
    field = field_words(FIELD, GRID, covered, HEIGHTS, ())
    zone, reason = (draw.integers(0, most, GRID.shape).astype(np.uint8) for most in (len(Zone), 2 + max(Reason)))
    cut, stuck = (draw.integers(0, 2, GRID.shape).astype(np.uint8) for _ in range(2))
    up_down = zone == Zone.UP_DOWN
    to_drop = up_down & np.isin(reason, (Reason.DROP_BELOW, Reason.UNKNOWN_EDGE))
    plain = (*(mask & (cut == 0) for mask in (up_down, to_drop, stuck > 0)), cut > 0)
    groups = open_groups(field, drive(zone, reason, cut, stuck))
    assert tuple(groups) == OPEN_KEYS
    for group, mask in zip(groups.values(), plain, strict=True):
        np.testing.assert_array_equal(group, np.where(mask[covered > 0], 0, NO_CAUSE))
    assert list(open_groups(field, drive(zone, np.zeros_like(reason), None, stuck))) == ["up_down", "no_turn"]
    assert open_groups(field, drive(*maps())) == {}


def test_what_drives_share_is_said_to_each_in_its_own_words() -> None:
    """One frame told of many drives, in two languages by turns, says what a fresh one says of each."""

    def louder(text: str) -> str:
        return re.sub(r"\{\w+\}", lambda slot: slot[0].lower(), text.upper())

    wall = tagged(1, "obstacle", box(B.west, B.north - 50, B.east, B.north - 45), "Wall", place_names.MIDDLE)
    shared = words(wall)
    stuck = maps()[0]
    stuck[40:60, 70:90] = 1
    z, why = maps()
    z[:30], why[:30] = Zone.UP_DOWN, Reason.DROP_BELOW
    z[60:, 20:40], why[60:, 20:40] = Zone.KEEP_OUT, Reason.DROP
    either_side = drive(*maps())
    either_side.zone[:, :12] = either_side.zone[:, -12:] = Zone.ON_FOOT
    drives = [drive(z, why), drive(z, why, None, stuck), drive(z, why, stuck), closed(slice(0, 9), slice(0, 50))]
    for one in (*drives, either_side, *drives):
        for tr in (untranslated, louder, untranslated):
            assert say.where_not(shared, one, tr) == say.where_not(words(wall), one, tr)
            assert closed_causes(shared, one, tr) == closed_causes(words(wall), one, tr)
