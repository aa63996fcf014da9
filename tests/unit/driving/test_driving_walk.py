"""Walks held to small cases one can work out by hand, and to what every walk promises."""

from __future__ import annotations

import itertools
import json
import random

import pytest
from made_walk import at, field, gate, likely, marked

from atlas.driving.walk import MOST_LIKELY, MOST_MINUTES, STOP_MINUTES, minutes_between, plan
from atlas.driving.walk_records import FarmWalks, FieldStops, Walk


def only(fields: list[FieldStops]) -> FarmWalks:
    (farm,) = plan(fields)
    return farm


def keys(walk: Walk) -> list[str]:
    return [s.key for _, s in walk.stops]


def big_farm(seed: int, fields: int = 60) -> list[FieldStops]:
    """Fields of 100 m on a lattice: one to five likely wet places, now and then a marking, up to two ways in."""
    dice = random.Random(seed)
    made = []
    for i in range(fields):
        west, south = 150.0 * (i % 8), 150.0 * (i // 8)
        stops = [
            likely(f"{i} {k}", west + dice.uniform(0, 100), south + dice.uniform(0, 100), k, dice.uniform(7, 12))
            for k in range(1, dice.randrange(1, 6) + 1)
        ]
        if dice.random() < 0.3:
            stops.append(marked(f"h{i}", west + 50, south + 50))
        gates = [gate(west + dice.uniform(0, 100), south, f"g{i}{k}") for k in range(dice.randrange(0, 3))]
        made.append(field(f"F{i}", stops, gates))
    return made


def test_places_on_a_line_are_walked_in_order() -> None:
    stops = [likely(f"p{k}", 10.0 * k, 0.0, k) for k in (3, 1, 4, 2)]
    (walk,) = only([field("A", stops, [gate(0, 0, "west"), gate(60, 0, "east")])]).walks
    assert keys(walk) in (["p1", "p2", "p3", "p4"], ["p4", "p3", "p2", "p1"])
    assert walk.length_m == pytest.approx(60.0)
    assert {walk.places[0].gate, walk.places[-1].gate} == {"west", "east"}


def test_in_and_out_by_the_one_way_in_there_is() -> None:
    (walk,) = only([field("A", [likely("p", 30, 40)], [gate(0, 0)])]).walks
    assert [p.gate for p in walk.places] == ["gate", "", "gate"]
    assert walk.length_m == pytest.approx(100.0)  # 3-4-5, there and back


def test_the_ways_in_that_make_the_whole_quickest_are_taken() -> None:
    """Two fields side by side, each with a way in on either side: straight through both."""
    left = field("L", [likely("l", 30, 0)], [gate(0, 0, "l west"), gate(100, 0, "l east")])
    right = field("R", [likely("r", 190, 0)], [gate(110, 0, "r west"), gate(200, 0, "r east")])
    (walk,) = only([right, left]).walks
    names = [p.gate for p in walk.places if p.gate]
    assert names in (
        ["l west", "l east", "r west", "r east"],
        ["r east", "r west", "l east", "l west"],
    )
    assert walk.length_m == pytest.approx(200.0)


def test_unconfirmed_markings_come_first_within_a_field() -> None:
    stops = [likely("near", 10, 0), marked("far", 90, 0), likely("middle", 50, 0, 2), marked("farther", 95, 0)]
    (walk,) = only([field("A", stops, [gate(0, 0)])]).walks
    assert keys(walk) == ["far", "farther", "middle", "near"]


def test_climbing_and_standing_take_time() -> None:
    """400 m there and back at 4 km an hour are 12 minutes, 60 m up 6, down nothing."""
    (walk,) = only([field("A", [likely("p", 400, 0, height_m=560.0)], [gate(0, 0)])]).walks
    assert walk.climb_m == pytest.approx(60.0)
    assert walk.minutes == pytest.approx(12.0 + 6.0 + STOP_MINUTES)


def test_an_unknown_height_counts_as_level() -> None:
    assert minutes_between(at(0, 0, None), at(1000, 0, 900.0)) == minutes_between(at(0, 0), at(1000, 0))


def test_a_marking_of_two_fields_is_looked_at_once_from_where_it_lies() -> None:
    beside = field("A", [marked("h", 100, 0, off_m=4.0), likely("a", 10, 0)], [gate(0, 0)])
    inside = field("B", [marked("h", 100, 0)], [gate(150, 0)])
    (walk,) = only([beside, inside]).walks
    assert sorted(keys(walk)) == ["a", "h"]
    assert next(v.field.field_id for v in walk.visits for s in v.stops if s.key == "h") == "B"


@pytest.mark.parametrize("seed", range(4))
def test_every_stop_once_numbered_through_from_way_in_to_way_in(seed: int) -> None:
    fields = big_farm(seed)
    walks = only(fields).walks
    assert len(walks) > 2
    numbers = [n for w in walks for n, _ in w.stops]
    assert numbers == list(range(1, len(numbers) + 1))
    assert sorted(k for w in walks for k in keys(w)) == sorted(s.key for f in fields for s in f.stops)
    for v in (v for w in walks for v in w.visits):
        if v.field.gates:
            assert v.enter in v.field.gates
            assert v.leave in v.field.gates
        else:
            assert v.enter is None
            assert v.leave is None
        assert {s.key for s in v.stops} <= {s.key for s in v.field.stops}
        assert [s.unconfirmed for s in v.stops] == sorted((s.unconfirmed for s in v.stops), reverse=True)


@pytest.mark.parametrize("seed", range(4))
def test_walks_take_two_hours_at_most_and_fields_with_unconfirmed_markings_come_first(seed: int) -> None:
    walks = only(big_farm(seed)).walks
    assert max(w.minutes for w in walks) <= MOST_MINUTES + 1e-9
    first = [any(s.unconfirmed for s in v.stops) for w in walks for v in w.visits]
    assert first == sorted(first, reverse=True)


def test_length_and_time_are_those_of_the_line() -> None:
    for walk in only(big_farm(7)).walks:
        legs = list(itertools.pairwise(p.at for p in walk.places))
        assert walk.length_m == pytest.approx(sum(((a.x - b.x) ** 2 + (a.y - b.y) ** 2) ** 0.5 for a, b in legs))
        moving = sum(minutes_between(a, b) for a, b in legs)
        assert walk.minutes == pytest.approx(moving + STOP_MINUTES * len(walk.stops))


def test_the_same_fields_give_the_same_walks() -> None:
    assert plan(big_farm(3)) == plan(big_farm(3))


def test_of_very_many_likely_places_the_likeliest_of_each_field_stay() -> None:
    fields = [
        field(f"F{i}", [likely(f"{i} {k}", 150.0 * (i % 20), 150.0 * (i // 20) + 15 * k, k) for k in (1, 2)])
        for i in range(150)
    ]
    farm = only([*fields, field("H", [marked("h", 0, -50)])])
    kept = [s for w in farm.walks for _, s in w.stops]
    assert farm.left_out == 300 - MOST_LIKELY
    assert sum(s.rank == 1 for s in kept) == 150
    assert [s.key for s in kept if s.unconfirmed] == ["h"]


def test_a_field_with_very_many_markings_is_visited_more_than_once() -> None:
    many = field("A", [marked(f"h{i:02d}", 7.0 * i, 5.0 * (i % 3)) for i in range(70)], [gate(0, 0)])
    walks = only([many]).walks
    assert sorted(k for w in walks for k in keys(w)) == [f"h{i:02d}" for i in range(70)]
    assert len(walks) >= 2
    assert max(w.minutes for w in walks) <= MOST_MINUTES


def test_farms_are_walked_apart() -> None:
    fields = [field("A", [likely("a", 0, 0)], farm="North"), field("B", [likely("b", 5, 0)], farm="South")]
    north, south = plan([*fields, field("C", [], farm="South")])
    assert (north.farm, south.farm) == ("North", "South")
    assert [keys(w) for w in north.walks] == [["a"]]
    assert [keys(w) for w in south.walks] == [["b"]]


def test_nothing_to_look_at_is_no_walk() -> None:
    assert plan([]) == ()
    assert only([field("A", [], [gate(0, 0)])]) == FarmWalks("", (), 0)


def test_what_is_kept_of_a_field_survives_json() -> None:
    made = field("A", [likely("a", 0, 0), marked("h", 1, 2, "unstable_bank")], [gate(3, 4, height_m=None)])
    assert FieldStops.from_json(json.loads(json.dumps(made.as_json()))) == made
    with pytest.raises(KeyError, match="gates"):
        FieldStops.from_json({k: v for k, v in made.as_json().items() if k != "gates"})
