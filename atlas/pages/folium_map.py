"""The movable map, written by folium: only its script is kept, and it names nothing but our own picture.

Folium's page would name a dozen outside addresses and random ids. Here the map has a fixed id, no tiles and no
markers; Leaflet comes from assets/, and the script stands in the field's own file so that no inline script is
needed.
"""

from __future__ import annotations

from typing import Any

import folium
from branca.element import MacroElement
from jinja2 import Template

from atlas.grid import Bounds
from atlas.pages.moving_map import STANDS_FOR

MAP_ID = "field"  # the element is then `map_field`, and so is the script's variable


class LiftedPicture(MacroElement):
    """Lays a copy of the page's own picture on the map, in terrain metres."""

    _template = Template(
        """
        {% macro script(this, kwargs) %}
            window.fieldAtlas.lift({{ this._parent.get_name() }}, {{ this.bounds|tojson }});
        {% endmacro %}
        """
    )

    def __init__(self, bounds: list[list[float]]) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # branca says nothing of its types
        self._name, self._id = "LiftedPicture", MAP_ID
        self.bounds = bounds


def written(box: Bounds = STANDS_FOR) -> str:
    """What folium writes for a box: a script with one function, which makes the map in the element `map_field`
    when the page is ready.

    Coordinates are the terrain's, y first as Leaflet has it, in its plain CRS whose unit is here the metre.
    """
    made = folium.Map(
        location=[(box.south + box.north) / 2, (box.west + box.east) / 2],
        crs="Simple",
        tiles=None,
        zoom_start=1,
        zoom_control=False,
        attribution_control=False,
        zoom_snap=0,
        zoom_delta=0.5,
        min_zoom=-6,
        max_zoom=6,
        wheel_px_per_zoom_level=120,
        max_bounds_viscosity=1.0,
    )
    made._name, made._id = "map", MAP_ID
    LiftedPicture([[box.south, box.west], [box.north, box.east]]).add_to(made)
    root: Any = made.get_root()  # a Figure, which branca types as any Element
    root.render()
    scripts = root.script._children.values()
    text = "\n".join(line.strip() for part in scripts for line in part.render().splitlines() if line.strip())
    return f"window.fieldAtlas.drawMap = function () {{\n{text}\n}};\n"
