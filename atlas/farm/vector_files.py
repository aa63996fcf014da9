"""Vector files in any format GDAL reads (GeoPackage, Shapefile, GeoJSON, KML …), seen as layers."""

from __future__ import annotations

import warnings
from pathlib import Path

import pyogrio
import pyogrio.errors
import rasterio
import rasterio.errors

from atlas.errors import FarmFileError, LayerError
from atlas.farm.layers import AREAS, Layer

PACKED = (".zip", ".7z", ".rar", ".gz", ".tar", ".tgz")
PARTS = (".shx", ".dbf")  # without which a Shapefile cannot be read, or loses its columns
JOINED = ("KML", "LIBKML", "GPX")  # where a layer is only a folder of the same drawing


def layers_of(path: Path) -> tuple[Layer, ...]:
    """The layers with shapes of a vector file. Raises FarmFileError where it cannot be read or holds none."""
    if not path.exists():
        raise FarmFileError(f"{path}: is not there; check the name.")
    try:
        listed = [str(name) for name, geometry in pyogrio.list_layers(path) if geometry is not None]
        infos = [pyogrio.read_info(path, layer=name, force_feature_count=True) for name in listed]
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as e:
        raise FarmFileError(f"{path}: {mistaken(path) or _torn(path)}.") from e
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


def mistaken(path: Path) -> str:
    """What a path is that holds no data by itself, and what to name instead; "" for a plain file."""
    if path.is_dir():
        return "is a folder; name the file in it"
    if path.suffix.lower() in PACKED:
        return "is packed; unpack it and name the file that was in it"
    return ""


def holds_shapes(path: Path) -> bool:
    """Whether a file can be read as a vector file, whatever it was given for."""
    try:
        return len(pyogrio.list_layers(path)) > 0
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError):
        return False


def _torn(path: Path) -> str:
    """Why a file could not be read: a part of a Shapefile is not there, it is a raster, or it is not whole."""
    if path.suffix.lower() == ".shp" and (lost := [e for e in PARTS if not _beside(path, e)]):
        return f"has no {' and no '.join(path.stem + e for e in lost)} beside it; copy all files of that name"
    try:
        with warnings.catch_warnings(), rasterio.open(path) as opened:
            warnings.simplefilter("ignore")  # a picture without a place is one all the same
            if opened.count:
                return "is a raster and holds no shapes; give heights as --dem and field boundaries as --parcels"
    except rasterio.errors.RasterioError:
        pass
    return "cannot be read as a vector file; fetch a whole copy"


def _beside(path: Path, ending: str) -> bool:
    return any(path.with_suffix(e).exists() for e in (ending, ending.upper()))


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
