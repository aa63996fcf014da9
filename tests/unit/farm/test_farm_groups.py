"""Which fields share their pages: farms together, neighbours where a farm has too many, the same each time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import several_farms
from shapely import STRtree
from shapely.geometry import Polygon, box

from atlas.farm import groups
from atlas.farm.groups import A_PART, MOST_TOGETHER, farm_of, groups_of
from atlas.farm.opening import open_farm
from atlas.farm.records import Parcel


def parcels(count: int, *farms: str) -> list[Parcel]:
    """Fields in rows of forty, farms taking turns."""
    names = farms or ("",)
    return [
        Parcel(f"F{i}", f"f{i}", f"A{i}", "", "", "", names[i % len(names)], square(i % 40, i // 40))
        for i in range(count)
    ]


def square(x: int, y: int) -> Polygon:
    return box(50 * x, 50 * y, 50 * x + 40, 50 * y + 40)


def test_one_farm_stays_together_up_to_a_bound() -> None:
    assert groups_of(parcels(MOST_TOGETHER)) == ()
    assert groups_of(parcels(MOST_TOGETHER, "Oberhof", "")) == ()  # one farm, and fields nobody put down to it
    assert len(groups_of(parcels(MOST_TOGETHER + 1))) == 2


def test_several_farms_are_apart_in_the_order_of_their_names() -> None:
    found = groups_of(parcels(7, "unter", "Ober/../hof", ""))
    assert [(g.slug, g.farm, g.part, g.parts) for g in found] == [
        ("ober-hof", "Ober/../hof", 1, 1),
        ("unter", "unter", 1, 1),
        ("fields", "", 1, 1),
    ]
    assert [g.places for g in found] == [(1, 4), (0, 3, 6), (2, 5)]


def test_names_that_spell_alike_get_files_of_their_own() -> None:
    found = groups_of(parcels(9, "Höf 1", "Hoef 1", "höf 1"))
    assert len({g.slug for g in found}) == 3


def test_a_farm_too_large_is_cut_into_neighbours() -> None:
    found = groups_of(parcels(1000))
    assert sorted(place for g in found for place in g.places) == list(range(1000))
    assert max(len(g.places) for g in found) <= A_PART
    assert [(g.slug, g.part, g.parts) for g in found][:2] == [("fields-1", 1, 5), ("fields-2", 2, 5)]
    for group in found:  # as neighbours do, a part's box holds little ground that is not its own
        xs, ys = zip(*((p % 40, p // 40) for p in group.places), strict=True)
        assert (max(xs) - min(xs) + 1) * (max(ys) - min(ys) + 1) <= 1.3 * len(group.places)


def test_a_field_more_moves_few_others() -> None:
    some = parcels(990)
    before = {some[p].field_id: g.slug for g in groups_of(some) for p in g.places}
    more = [*some, Parcel("new", "new", "new", "", "", "", "", square(7, 30))]
    after = {more[p].field_id: g.slug for g in groups_of(more) for p in g.places}
    assert sum(before[i] != after[i] for i in before) <= 8


def test_a_group_has_its_own_ways_in_and_those_nobody_else_is_nearer_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    farm = open_farm(several_farms.write(tmp_path / "farm.gpkg"), several_farms.settings())
    apart = [{w.way_in_id for w in farm_of(farm, g).ways_in} for g in farm.groups]
    assert set().union(*apart) == {w.way_in_id for w in farm.ways_in}
    monkeypatch.setattr(groups, "GATE_WITHIN_M", 1.0)
    farm = replace(farm)  # forgets what it had found
    alone = [{w.way_in_id for w in farm_of(farm, g).ways_in} for g in farm.groups]
    assert [sorted(ways) for ways in alone] == [["w1", "w3", "w6"], ["w2", "w5"], ["w4"]]


class Counting(STRtree):
    """An index that counts how often it looks for what is nearest."""

    asked = 0

    def nearest(self, geometry: Any) -> Any:
        self.asked += 1
        return super().nearest(geometry)


def test_ways_in_are_shared_out_once_for_all_groups(tmp_path: Path) -> None:
    """Once for each of 250 groups, it took more than half of writing the pages of ten thousand fields."""
    farm = open_farm(several_farms.write(tmp_path / "farm.gpkg"), several_farms.settings())
    counting = Counting([p.shape for p in farm.parcels])
    farm = replace(farm, parcel_index=counting)
    assert len(farm.groups) > 1
    assert all(farm_of(farm, group).ways_in for group in farm.groups)
    assert counting.asked == 1
