"""Vector files in any format GDAL reads (GeoPackage, Shapefile, GeoJSON, KML …), seen as layers."""

from __future__ import annotations

from pathlib import Path

import pyogrio
import pyogrio.errors

from atlas.errors import FarmFileError, LayerError
from atlas.farm.layers import AREAS, Layer

JOINED = ("KML", "LIBKML", "GPX")  # where a layer is only a folder of the same drawing


def layers_of(path: Path) -> tuple[Layer, ...]:
    """The layers with shapes of a vector file. Raises FarmFileError where it cannot be read or holds none."""
    if not path.exists():
        raise FarmFileError(f"{path}: is not there; check the name.")
    try:
        listed = [str(name) for name, geometry in pyogrio.list_layers(path) if geometry is not None]
        infos = [pyogrio.read_info(path, layer=name, force_feature_count=True) for name in listed]
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as e:
        raise FarmFileError(f"{path}: cannot be read as a vector file; fetch a whole copy.") from e
    if not infos:
        raise FarmFileError(f"{path}: holds no shapes; name a file that does.")
    return tuple(
        Layer(
            name,
            "features",
            str(info["geometry_type"] or "").upper().replace(" Z", "").replace(" M", "").strip(),
            tuple(str(f) for f in info["fields"]),
            int(info["features"]),
            str(info["crs"] or ""),
        )
        for name, info in zip(listed, infos, strict=True)
    )


def parcel_layers(path: Path, wanted: str | None) -> tuple[Layer, ...]:
    """The layer with the parcels (folders of one drawing count together). Raises LayerError in doubt."""
    found = [layer for layer in layers_of(path) if layer.rows]
    if wanted is not None and (named := [x for x in found if x.name.lower() == wanted.lower()]):
        return (named[0],)
    areas = [
        x for x in found if x.geometry in AREAS or x.geometry in ("UNKNOWN", "GEOMETRYCOLLECTION", "GEOMETRY")
    ]
    if len(areas) > 1 and pyogrio.read_info(path, layer=areas[0].name)["driver"] in JOINED:
        return tuple(areas)
    if len(areas) > 1:
        areas = [x for x in areas if x.geometry in AREAS] or areas
    if not areas:
        raise LayerError(f"{path}: holds no polygons that could be the parcels; name a file that does.")
    if len(areas) > 1:
        names = " and ".join(f"'{x.name}'" for x in areas)
        raise LayerError(f"{path}: {names} could all be the parcels; name one in layers.parcels.")
    return (areas[0],)
