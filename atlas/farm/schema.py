"""The farm file's own layers and columns, in one table that reading, writing and changing share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ColumnKind = Literal["str", "int32", "float", "bool", "datetime", "bytes"]


@dataclass(frozen=True)
class LayerSchema:
    """One layer as we write it; `geometry` is fiona's word for it ("None": a table without shapes)."""

    name: str
    geometry: str
    columns: dict[str, ColumnKind]


PARCELS = LayerSchema(
    "parcels",
    "MultiPolygon",
    {"field_id": "str", "name": "str", "use": "str", "note": "str", "first_pass": "str", "farm": "str"},
)
HAZARDS = LayerSchema(
    "hazards",
    "Unknown",
    {
        "hazard_id": "str",
        "kind": "str",
        "severity": "int32",
        "reach_m": "float",
        "accuracy_m": "float",
        "depth_m": "float",
        "note": "str",
        "photo": "bytes",
        "seen_at": "datetime",
        "seen_by": "str",
        "retired_at": "datetime",
        "retired_by": "str",
    },
)
WAYS_IN = LayerSchema(
    "ways_in",
    "Point",
    {
        "way_in_id": "str",
        "name": "str",
        "width_m": "float",
        "max_load_t": "float",
        "ambulance": "bool",
        "note": "str",
    },
)
STORMS = LayerSchema("storms", "None", {"storm_id": "str", "passed_at": "datetime", "note": "str"})
RELEASES = LayerSchema(
    "releases",
    "None",
    {
        "field_id": "str",
        "ground": "str",
        "released_by": "str",
        "released_at": "datetime",
        "until": "datetime",
    },
)
VECTOR_LAYERS = (PARCELS, HAZARDS, WAYS_IN, STORMS, RELEASES)
REACH_M = 5.0  # what stands where a marking does not say
FOREST_REACH_M = 3.0
ACCURACY_M = 2.0
FAR_OFF_M = 1000.0  # a mark this far from every field is a slip of the pen
SEVERITY = 2
DEM_TABLE = "dem"
BACKDROP_TABLE = "backdrop"
TILE_SUMS_TABLE = "field_atlas_tile_sums"
COLUMN_NAMES = tuple(dict.fromkeys(name for layer in VECTOR_LAYERS for name in layer.columns))
