"""Example machines and drivers that stand until the farm sets its own; every name says that it is an example."""

from __future__ import annotations

from atlas.settings import DriverTable, MachineTable
from atlas.words import N_

# Invented figures of usual size; nobody should drive by them. On dry ground with a practised driver they lie
# within what was surveyed of slope tractors (42 to 50 %) and two-axle mowers (44 to 52 %; Agroscope, ART-Bericht,
# 2010) and of transporters (45 to 50 % across, 60 to 65 % in the fall line; trade press), or a test says why not.
MACHINES = {
    "slope_tractor": MachineTable(
        name=N_("Slope tractor, twin tyres, front mower (example)"),
        track_m=2.1,
        wheelbase_m=2.2,
        cog_height_m=0.75,
        cog_ahead_m=1.1,
        front_axle="pivots",
        pivot_height_m=0.5,
        width_m=2.6,
        mass_kg=2900,
        side_limit_pct=44,
        climb_limit_pct=50,
        turn_radius_m=4.5,
    ),
    "two_axle_mower": MachineTable(
        name=N_("Two-axle slope mower (example)"),
        track_m=2.0,
        wheelbase_m=1.9,
        cog_height_m=0.6,
        cog_ahead_m=1.05,
        front_axle="pivots",
        pivot_height_m=0.45,
        width_m=2.4,
        mass_kg=2300,
        side_limit_pct=48,
        climb_limit_pct=55,
        turn_radius_m=3.5,
    ),
    "transporter_empty": MachineTable(
        name=N_("Hay transporter, empty (example)"),
        track_m=2.0,
        wheelbase_m=2.8,
        cog_height_m=0.8,
        cog_ahead_m=1.6,
        front_axle="fixed",
        width_m=2.3,
        mass_kg=3000,
        side_limit_pct=46,
        climb_limit_pct=60,
        turn_radius_m=5.5,
    ),
    "transporter_loaded": MachineTable(
        name=N_("Hay transporter, loaded (example)"),
        track_m=2.0,
        wheelbase_m=2.8,
        cog_height_m=1.05,
        cog_ahead_m=1.3,
        front_axle="fixed",
        width_m=2.3,
        mass_kg=4500,
        climb_limit_pct=55,
        turn_radius_m=5.5,
    ),
    "bar_mower": MachineTable(
        name=N_("Walked bar mower, lattice wheels (example)"),
        track_m=1.1,
        wheelbase_m=0.7,
        cog_height_m=0.45,
        cog_ahead_m=0.3,
        front_axle="fixed",
        width_m=1.9,
        mass_kg=220,
        side_limit_pct=60,
        climb_limit_pct=60,
        turn_radius_m=1.5,
        walked=True,
    ),
}
DRIVERS = {"new": DriverTable(share=0.6), "practised": DriverTable(share=1.0)}
