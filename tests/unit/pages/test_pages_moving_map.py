"""The script of a movable map: what folium would have written for that box."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from atlas.grid import Bounds
from atlas.pages import folium_map, moving_map
from atlas.pages.picture_frame import Frame

NEAR = st.floats(-1e7, 1e7)
WIDE = st.floats(0.5, 1e4)


@given(NEAR, NEAR, WIDE, WIDE)
@settings(max_examples=25, deadline=None)
def test_it_is_what_folium_writes(west: float, south: float, width: float, height: float) -> None:
    box = Bounds(west, south, west + width, south + height)
    assert moving_map.map_script(Frame(box, 1000), folium_map.written()) == folium_map.written(box)


def test_a_script_that_says_the_place_otherwise_is_refused() -> None:
    with pytest.raises(AssertionError):
        moving_map.map_script(Frame(Bounds(0.0, 0.0, 9.0, 9.0), 1000), "drawMap([24.250, 11.5])")
