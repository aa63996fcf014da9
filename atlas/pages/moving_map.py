"""The script of a movable map from what folium writes once: folium, which takes long to load and brings much with
it, need not be there where each field's sheet is made."""

from __future__ import annotations

import json

from atlas.grid import Bounds
from atlas.pages.picture_frame import Frame

STANDS_FOR = Bounds(10.5, 20.25, 12.5, 28.25)  # the box in what folium wrote; its numbers stand nowhere else there


def map_script(frame: Frame, written: str) -> str:
    """A script with one function, which makes the map in the element `map_field` when the page is ready.

    `written` is folium's script of the box `STANDS_FOR`.
    """
    for there, here in zip(_numbers(STANDS_FOR), _numbers(frame.box), strict=True):
        assert written.count(there) == 1
        written = written.replace(there, here)
    return written


def _numbers(box: Bounds) -> tuple[str, str]:
    """Middle and corners as a script says them, y first as Leaflet has it."""
    middle = [(box.south + box.north) / 2, (box.west + box.east) / 2]
    return json.dumps(middle), json.dumps([[box.south, box.west], [box.north, box.east]])
