"""Settings under which the small farm is built in well under a second: one machine, one driver, three
grounds, no PDF."""

from __future__ import annotations

from atlas.settings import Settings, parse


def settings() -> Settings:
    return parse(
        {
            "machines": {
                "mower": {
                    "name": "Mower", "track_m": 1.9, "wheelbase_m": 2.2, "cog_height_m": 0.85, "cog_ahead_m": 0.95,
                    "front_axle": "pivots", "pivot_height_m": 0.5, "width_m": 2.3, "mass_kg": 3200,
                    "driven": "all", "braked": "all", "turn_radius_m": 4.5,
                }
            },
            "print": {"pdf": False},
            "drivers": {"practised": {"share": 1.0}},
            "grounds": {
                "firm": {"grip": 0.6, "sink_m": 0.0},
                "damp": {"grip": 0.45, "sink_m": 0.02},
                "wet": {"grip": 0.35, "sink_m": 0.05},
            },
        }
    )  # fmt: skip
