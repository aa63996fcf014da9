"""Rasters beside the farm file: one opened as it is, several on one aligned grid as one virtual mosaic."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import rasterio
from rasterio.crs import CRS
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.transform import Affine

from atlas.errors import TerrainError
from atlas.farm import datasets, vector_files
from atlas.farm.datasets import GAP, GDAL_OPTIONS, Stored

ALIGNED = 0.01  # of a cell


@dataclass(frozen=True)
class Raster:
    """What one raster says of itself: its grid as stored and how its numbers are to be read."""

    path: Path
    crs: CRS | None
    transform: Affine
    rows: int
    cols: int
    dtype: str
    gap: float | None
    masked: bool  # carries a mask instead of a number for gaps
    scale: float
    offset: float
    unit: str
    block: tuple[int, int]


def describe(path: Path) -> Raster:
    """Open a raster and look. Raises TerrainError where it cannot be read or is no single band of heights."""
    try:
        with rasterio.Env(**GDAL_OPTIONS), rasterio.open(path) as opened:
            return _described(path, opened)
    except datasets.RASTER_ERRORS as e:
        raise TerrainError(f"{path}: {_unread(path)}.") from e


def _unread(path: Path) -> str:
    """Why a raster could not be opened, and what to do."""
    if not path.exists():
        return "is not there; check the name"
    if what := vector_files.mistaken(path):
        return what
    if vector_files.holds_shapes(path):
        return "holds shapes and no heights; give heights as --dem and field boundaries as --parcels"
    return "cannot be read as a raster; fetch a whole copy"


def _described(path: Path, opened: Any) -> Raster:
    heights = [i for i, colour in enumerate(opened.colorinterp) if colour != ColorInterp.alpha]
    dtype = str(opened.dtypes[0])
    if len(heights) != 1 or dtype.startswith("complex"):
        raise TerrainError(
            f"{path}: has {len(heights)} bands of {dtype}, so it is no terrain model; name a raster of heights."
        )
    if dtype in ("uint8", "int8") and float(opened.scales[0]) == 1.0:
        raise TerrainError(
            f"{path}: holds whole numbers of one byte, a picture (as a shaded relief is) and no heights; "
            "name a raster of heights."
        )
    t = opened.transform
    if t == Affine.identity():
        raise TerrainError(f"{path}: the terrain has no place on the map; bring its world file or a GeoTIFF.")
    check_upright(t, str(path))
    return Raster(
        path=path,
        crs=opened.crs,
        transform=t,
        rows=opened.height,
        cols=opened.width,
        dtype=dtype,
        gap=opened.nodata,
        masked=MaskFlags.per_dataset in opened.mask_flag_enums[0] and opened.nodata is None,
        scale=float(opened.scales[0]),
        offset=float(opened.offsets[0]),
        unit=opened.units[0] or "",
        block=opened.block_shapes[0],
    )


def check_upright(t: Affine, label: str) -> None:
    """Raise TerrainError for a grid that is turned or mirrored against the map."""
    if abs(t.b) > 1e-9 * abs(t.a) or abs(t.d) > 1e-9 * abs(t.e):
        raise TerrainError(f"{label}: the terrain's grid is rotated; warp it to a north-up grid first.")
    if t.a <= 0 or t.e == 0:
        raise TerrainError(f"{label}: the terrain's grid is mirrored; warp it to a north-up grid first.")


def join(rasters: list[Raster]) -> tuple[Raster, Stored]:
    """One raster for all of them; where they overlap, the one named first counts.

    Raises TerrainError where they are in different CRSs or units, or not on one grid.
    """
    first = rasters[0]
    if len(rasters) == 1 and not first.masked:
        return first, Stored(
            str(first.path.absolute()),
            str(first.path),
            (first.path.absolute(),),
            scale=first.scale,
            offset=first.offset,
        )
    for other in rasters[1:]:
        _check_alike(first, other)
    a, e = first.transform.a, first.transform.e
    west = min(r.transform.c for r in rasters)
    east = max(r.transform.c + r.cols * a for r in rasters)
    top = max(r.transform.f for r in rasters)
    bottom = min(r.transform.f + r.rows * e for r in rasters)
    whole = replace(
        first,
        transform=Affine(a, 0.0, west, 0.0, e, top),
        rows=round((bottom - top) / e),
        cols=round((east - west) / a),
        gap=GAP,
        masked=False,
        scale=1.0,
        offset=0.0,
    )
    label = str(first.path) if len(rasters) == 1 else f"{first.path} and {len(rasters) - 1} more"
    return whole, Stored(_mosaic(whole, rasters), label, tuple(r.path.absolute() for r in rasters))


def _check_alike(first: Raster, other: Raster) -> None:
    if other.crs != first.crs:
        raise TerrainError(
            f"{other.path}: is in {other.crs}, {first.path} in {first.crs}; bring them into one CRS."
        )
    if other.unit != first.unit:
        raise TerrainError(f"{other.path}: is in '{other.unit}', {first.path} in '{first.unit}'; use one unit.")
    a, e = first.transform.a, first.transform.e
    if first.transform.e > 0 or other.transform.e > 0:
        raise TerrainError(f"{other.path}: one of several rasters is stored south-up; warp them to north-up.")
    if abs(other.transform.a - a) > 1e-6 * abs(a) or abs(other.transform.e - e) > 1e-6 * abs(e):
        raise TerrainError(
            f"{other.path}: has cells of {other.transform.a:g} by {-other.transform.e:g}, "
            f"{first.path} of {a:g} by {-e:g}; bring them onto one grid."
        )
    steps = ((other.transform.c - first.transform.c) / a, (other.transform.f - first.transform.f) / e)
    if any(abs(step - round(step)) > ALIGNED for step in steps):
        raise TerrainError(
            f"{other.path}: its cells lie askew to those of {first.path}; bring them onto one grid."
        )


def _mosaic(whole: Raster, rasters: list[Raster]) -> str:
    """GDAL's virtual format as text (GDAL opens the text itself): nothing is copied, sources open when read."""
    t = whole.transform
    numbers = (t.c, t.a, 0.0, t.f, 0.0, t.e)
    sources = "".join(_source(whole, r) for r in reversed(rasters))  # later ones are painted over earlier ones
    srs = f"<SRS>{escape(whole.crs.to_wkt())}</SRS>" if whole.crs else ""
    return (
        f'<VRTDataset rasterXSize="{whole.cols}" rasterYSize="{whole.rows}">{srs}'
        f"<GeoTransform>{', '.join(repr(float(n)) for n in numbers)}</GeoTransform>"
        f'<VRTRasterBand dataType="Float64" band="1"><NoDataValue>{GAP}</NoDataValue>{sources}'
        "</VRTRasterBand></VRTDataset>"
    )


def _source(whole: Raster, r: Raster) -> str:
    x = round((r.transform.c - whole.transform.c) / whole.transform.a)
    y = round((r.transform.f - whole.transform.f) / whole.transform.e)
    gap = f"<NODATA>{r.gap!r}</NODATA>" if r.gap is not None else ""
    mask = "<UseMaskBand>true</UseMaskBand>" if r.masked else ""
    size = f'xSize="{r.cols}" ySize="{r.rows}"'
    height, width = r.block
    kind = "Byte" if r.dtype == "uint8" else r.dtype.title().replace("Uint", "UInt")
    return (
        f"<ComplexSource><SourceFilename>{escape(str(r.path.absolute()))}</SourceFilename>"
        f"<SourceBand>1</SourceBand><SourceProperties RasterXSize={quoteattr(str(r.cols))} "
        f'RasterYSize="{r.rows}" DataType="{kind}" BlockXSize="{width}" BlockYSize="{height}"/>'
        f'<SrcRect xOff="0" yOff="0" {size}/><DstRect xOff="{x}" yOff="{y}" {size}/>'
        f"<ScaleOffset>{r.offset!r}</ScaleOffset><ScaleRatio>{r.scale!r}</ScaleRatio>{gap}{mask}</ComplexSource>"
    )
