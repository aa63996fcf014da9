"""The farm's machines, checked as wholes: figures that cannot belong to one machine are typing errors."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Collection
from dataclasses import dataclass

from atlas.driving.examples import DRIVERS, MACHINES
from atlas.driving.grounds import Ground, grounds
from atlas.errors import SettingsError
from atlas.settings import MachineTable, Settings


@dataclass(frozen=True)
class Machine:
    """One set-up of one machine: metres, kilograms, gradients as rise over run (None: not in the handbook)."""

    key: str
    name: str
    track_m: float
    wheelbase_m: float
    cog_height_m: float
    cog_ahead_m: float
    pivots: bool
    pivot_height_m: float
    width_m: float
    mass_kg: float
    towed_kg: float
    driven: str
    braked: str
    side_limit: float | None
    climb_limit: float | None
    turn_radius_m: float
    walked: bool
    example: bool

    @property
    def half_extent_m(self) -> float:
        """How far the machine may reach from its middle, whichever way it stands."""
        return max(self.width_m, math.hypot(self.track_m, self.wheelbase_m)) / 2.0


@dataclass(frozen=True)
class Driver:
    """Who drives, as the share of every limit they may use."""

    key: str
    share: float
    example: bool

    @property
    def practised(self) -> bool:
        return self.share >= 1.0


@dataclass(frozen=True)
class Shown:
    """What paper and a page without scripts show."""

    machine: str
    ground: str | None  # None: the released ground, or wet
    driver: str


@dataclass(frozen=True, eq=False)  # compared as itself, so that what follows from it can be remembered
class Rig:
    """Everything that drives on this farm, resolved and checked."""

    machines: dict[str, Machine]
    grounds: dict[str, Ground]
    drivers: dict[str, Driver]
    shown: Shown

    def no_better_than(self, ground: str) -> tuple[str, ...]:
        """The grounds a worker may choose where `ground` was released, that one among them."""
        return tuple(key for key, g in self.grounds.items() if g.no_better_than(self.grounds[ground]))


def rig(settings: Settings) -> Rig:
    """Machines, grounds and drivers of a farm, with the built-in examples for a table it leaves out.

    Raises SettingsError, one sentence, for figures that cannot belong together.
    """
    example = not settings.machines
    tables = settings.machines or MACHINES
    machines = {key: machine(key, table, example) for key, table in tables.items()}
    of_grounds = grounds(settings.grounds)
    drivers = {
        key: Driver(key, table.share, not settings.drivers) for key, table in (settings.drivers or DRIVERS).items()
    }
    return Rig(machines, of_grounds, drivers, _shown(settings, machines, of_grounds, drivers))


def machine(key: str, table: MachineTable, example: bool = False) -> Machine:
    """One settings table as a machine. Raises SettingsError where its figures contradict each other."""
    for broken in _CHECKS:
        sentence = broken(table)
        if sentence:
            raise SettingsError(f"machines.{key}: {sentence}.")
    return Machine(
        key,
        table.name,
        table.track_m,
        table.wheelbase_m,
        table.cog_height_m,
        table.cog_ahead_m,
        table.front_axle == "pivots",
        table.pivot_height_m,
        table.width_m,
        table.mass_kg,
        table.towed_kg,
        table.driven,
        table.braked,
        None if table.side_limit_pct is None else table.side_limit_pct / 100.0,
        None if table.climb_limit_pct is None else table.climb_limit_pct / 100.0,
        table.turn_radius_m,
        table.walked,
        example,
    )


def _cog_between_axles(t: MachineTable) -> str:
    if t.cog_ahead_m < t.wheelbase_m:
        return ""
    return (
        f"cog_ahead_m is {t.cog_ahead_m:g}, ahead of the front axle (wheelbase_m is {t.wheelbase_m:g}); "
        "give the distance of the centre of gravity from the rear axle"
    )


def _pivot_below_cog(t: MachineTable) -> str:
    if t.front_axle == "fixed" or t.pivot_height_m < t.cog_height_m:
        return ""
    return (
        f"pivot_height_m is {t.pivot_height_m:g}, not below the centre of gravity (cog_height_m is "
        f"{t.cog_height_m:g}); give the height of the front axle's pivot above the ground"
    )


def _side_below_overturning(t: MachineTable) -> str:
    tip = 100.0 * t.track_m / (2.0 * t.cog_height_m)
    if t.side_limit_pct is None or t.side_limit_pct <= tip:
        return ""
    return (
        f"side_limit_pct is {t.side_limit_pct:g}, but a machine with this track and centre of gravity overturns "
        f"at {tip:.0f} %; give the handbook's limit in percent"
    )


def _climb_below_overturning(t: MachineTable) -> str:
    tip = 100.0 * min(t.cog_ahead_m, t.wheelbase_m - t.cog_ahead_m) / t.cog_height_m
    if t.climb_limit_pct is None or t.climb_limit_pct <= tip:
        return ""
    return (
        f"climb_limit_pct is {t.climb_limit_pct:g}, but a machine with this wheelbase and centre of gravity "
        f"overturns at {tip:.0f} %; give the handbook's limit in percent"
    )


def _limits_in_percent(t: MachineTable) -> str:
    for name, limit in (("side_limit_pct", t.side_limit_pct), ("climb_limit_pct", t.climb_limit_pct)):
        if limit is not None and limit <= 1.0:
            return f"{name} is {limit:g}; write it in percent, as {limit * 100:g} for {limit:g} rise over run"
    return ""


def _as_wide_as_its_track(t: MachineTable) -> str:
    if t.width_m >= t.track_m:
        return ""
    return (
        f"width_m is {t.width_m:g}, narrower than its track (track_m is {t.track_m:g}); give the width over all, "
        "with its implement"
    )


_CHECKS: tuple[Callable[[MachineTable], str], ...] = (
    _cog_between_axles,
    _pivot_below_cog,
    _side_below_overturning,
    _climb_below_overturning,
    _limits_in_percent,
    _as_wide_as_its_track,
)


def _shown(
    settings: Settings, machines: dict[str, Machine], of_grounds: dict[str, Ground], drivers: dict[str, Driver]
) -> Shown:
    wanted = settings.shown
    if wanted.machine is not None:
        _known("shown.machine", wanted.machine, machines)
    if wanted.ground is not None:
        _known("shown.ground", wanted.ground, of_grounds)
    driver = wanted.driver
    if "driver" in wanted.model_fields_set:
        _known("shown.driver", driver, drivers)
    elif driver not in drivers:
        driver = min(drivers, key=lambda key: drivers[key].share)
    return Shown(wanted.machine or next(iter(machines)), wanted.ground, driver)


def _known(where: str, value: str, keys: Collection[str]) -> None:
    if value not in keys:
        near = difflib.get_close_matches(value, list(keys), n=1, cutoff=0.0)
        raise SettingsError(f"{where} is '{value}', which is not among them; the nearest is '{near[0]}'.")
