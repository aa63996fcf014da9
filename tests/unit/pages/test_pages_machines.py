"""The machine cards: every limit by ground and driver, what decides it, and where the weight goes."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
from made import plane, rectangle
from made_sheet import made_context
from pyproj import Transformer

from atlas.driving.limits import limits
from atlas.driving.records import Zone
from atlas.driving.surveying import survey_driving
from atlas.farm.records import Parcel
from atlas.pages.context import PageContext
from atlas.pages.machine_cards import Card, card, ground_row, machines_page, points
from atlas.settings import parse
from atlas.terrain.surveying import survey_terrain

TRACTOR: dict[str, Any] = {
    "name": "Hillside tractor",
    "track_m": 1.9,
    "wheelbase_m": 2.2,
    "cog_height_m": 0.85,
    "cog_ahead_m": 0.95,
    "pivot_height_m": 0.5,
    "width_m": 2.3,
    "mass_kg": 3200,
    "side_limit_pct": 40,
    "climb_limit_pct": 50,
    "turn_radius_m": 4.5,
}


def context(machine: dict[str, Any] | None = None, **tables: Any) -> PageContext:
    tables["machines"] = {"hill_tractor": {**TRACTOR, **(machine or {})}}
    return made_context(parse({"farm": {"name": "Made"}, **tables}))


def the_card(ctx: PageContext) -> Card:
    return card(next(iter(ctx.rig.machines.values())), ctx)


def test_five_centimetres_of_sinking_are_2_6_points() -> None:
    """0.05 / 1.9 m of track, the design's own example."""
    ctx = context()
    assert points(the_card(ctx).sinking) == "2.6"
    text = machines_page(ctx)["machines.html"].decode()
    assert "sink 5 cm, the machine stands 2.6 points steeper" in text
    assert "on 20 % (11°) it tilts as on 23 % (13°)" in text


def test_weight_on_the_downhill_wheels() -> None:
    """½ + (h/T)·tan θ by statics: track 1.8 m, height 0.8 m carry 65.56 % at 35 %."""
    ctx = context({"track_m": 1.8, "cog_height_m": 0.8})
    shares = {p.gradient: p.share for p in the_card(ctx).loads}
    assert shares[0.0] == 0.5
    assert shares[0.3] == pytest.approx(0.5 + 0.8 / 1.8 * 0.3)
    assert shares[0.4] > shares[0.3] > shares[0.2]
    assert all(0.5 <= s <= 1 for s in shares.values())


def test_the_line_reaches_all_of_the_weight_at_half_track_over_height() -> None:
    curve = the_card(context({"track_m": 1.9, "cog_height_m": 0.95})).curve
    assert curve.steepest == pytest.approx(1.1)
    assert curve.full_x == pytest.approx(100 / 1.1, abs=0.01)
    places = [(float(x), float(y)) for x, y in re.findall(r"[ML]([\d.]+) (-?[\d.]+)", curve.path)]
    assert places[0] == (0, 50)
    assert places[1] == pytest.approx((100 / 1.1, 0), abs=0.01)
    assert places[2] == (100, 0)


def test_each_row_names_the_smallest_limit() -> None:
    ctx = context()
    machine = ctx.rig.machines["hill_tractor"]
    for ground in ctx.rig.grounds.values():
        for driver in ctx.rig.drivers.values():
            found = limits(machine, ground, driver, ctx.settings)
            row = ground_row(found)
            assert row.across.limit == min(found.side, found.grip_up, found.grip_down)
            assert row.straight.limit == min(found.climb, found.grip_up, found.grip_down)


@pytest.mark.parametrize(
    ("machine", "ground", "across", "straight"),
    [
        ({}, "firm", "handbook", "grip"),
        ({"climb_limit_pct": 30}, "firm", "handbook", "handbook"),
        ({"side_limit_pct": None, "climb_limit_pct": None}, "firm", "overturning", "overturning"),
        ({"braked": "rear"}, "damp", "grip down", "grip down"),
        ({"driven": "rear", "braked": "all"}, "wet", "grip up", "grip up"),
    ],
)
def test_what_decides(machine: dict[str, Any], ground: str, across: str, straight: str) -> None:
    chosen = {k: v for k, v in {**TRACTOR, **machine}.items() if v is not None}
    ctx = made_context(parse({"farm": {"name": "Made"}, "machines": {"m": chosen}}))
    tables = the_card(ctx).tables
    place = list(ctx.rig.grounds).index(ground)
    practised = next(t for t in tables if t.share == 1)
    row = practised.rows[place]
    assert (row.across.decided_by, row.straight.decided_by) == (across, straight)


def test_a_new_driver_has_their_share_of_every_limit() -> None:
    new, practised = the_card(context()).tables
    for a, b in zip(new.rows, practised.rows, strict=True):
        assert a.across.limit == pytest.approx(0.6 * b.across.limit)
        assert a.straight.limit == pytest.approx(0.6 * b.straight.limit)


def test_every_machine_ground_and_driver_is_on_the_page() -> None:
    ctx = made_context()
    text = machines_page(ctx)["machines.html"].decode()
    for machine in ctx.rig.machines.values():
        assert machine.name in text
    rows = text.count('<th scope="row">') - len(ctx.rig.grounds)
    loads = len(ctx.rig.machines) * 7
    assert rows == len(ctx.rig.machines) * len(ctx.rig.grounds) * len(ctx.rig.drivers) + loads
    for word in ("handbook", "overturning", "grip, up and down alike"):
        assert word in text
    assert re.search(r"\d+ % \(\d+°\)", text)


def test_examples_say_that_they_must_be_replaced() -> None:
    examples = machines_page(made_context())["machines.html"].decode()
    assert examples.count("Example figures. Replace them") == len(made_context().rig.machines)
    own = machines_page(context())["machines.html"].decode()
    assert "Example figures." not in own
    assert "example, replace it" in own  # the grounds are still examples


def test_grounds_say_where_their_grip_comes_from() -> None:
    text = machines_page(made_context())["machines.html"].decode()
    assert "common practice, no source" in text
    assert "0.20 – 0.55" in text
    mine = context(grounds={"wet": {"grip": 0.2, "sink_m": 0.06}, "firm": {"grip": 0.5}})
    assert "set by the farm" in machines_page(mine)["machines.html"].decode()


def test_the_page_never_promises() -> None:
    words = re.findall(r"[a-z]+", machines_page(made_context())["machines.html"].decode().lower())
    assert not {"safe", "safely", "safety"} & set(words)


def test_overturning_stands_beside_the_limits() -> None:
    """Fixed front axle: half the track over the height, the published static stability factor."""
    found = the_card(context({"front_axle": "fixed", "track_m": 1.8, "cog_height_m": 0.8}))
    assert found.tips_side == pytest.approx(1.125)
    assert math.degrees(math.atan(found.tips_side)) == pytest.approx(48.366, abs=1e-3)


@pytest.mark.parametrize("ground", ["firm", "damp", "wet", "hay_down"])
@pytest.mark.parametrize("machine", ["slope_tractor", "transporter_loaded", "bar_mower"])
def test_the_card_and_the_map_agree_on_even_ground(machine: str, ground: str) -> None:
    """Planes a third of a point either side of what the card says: the survey's own zones change there."""
    ctx = made_context()
    row = ground_row(
        limits(ctx.rig.machines[machine], ctx.rig.grounds[ground], ctx.rig.drivers["practised"], ctx.settings)
    )
    assert 0 < row.any_way_to <= row.up_down_to
    assert zone_on_a_plane(ctx, machine, ground, row.any_way_to - 0.003) == Zone.ANY_WAY
    assert zone_on_a_plane(ctx, machine, ground, row.any_way_to + 0.003) != Zone.ANY_WAY
    assert zone_on_a_plane(ctx, machine, ground, row.up_down_to - 0.003) in (Zone.ANY_WAY, Zone.UP_DOWN)
    assert zone_on_a_plane(ctx, machine, ground, row.up_down_to + 0.003) >= Zone.ON_FOOT


def zone_on_a_plane(ctx: PageContext, machine: str, ground: str, gradient: float) -> Zone:
    heights = plane(gradient, 163.0)
    field = rectangle(heights.grid, 35, 30, 60, 50)
    parcel = Parcel("F", "f", "Field", "", "", "", "", field)
    terrain = survey_terrain(field, heights, ctx.settings)
    to_globe = Transformer.from_crs(25832, 4326, always_xy=True)
    found = survey_driving(parcel, terrain, (), (), None, False, ctx.rig, ctx.settings, to_globe)
    drive = next(d for d in found.drives if (d.machine, d.ground, d.driver) == (machine, ground, "practised"))
    inside = drive.zone[terrain.covered > 0.99]
    assert (inside == inside[0]).all()
    return Zone(int(inside[0]))
