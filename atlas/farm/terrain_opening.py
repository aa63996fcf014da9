"""Finds the terrain model of a farm file, refuses one that cannot be trusted, and says what it had to assume."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import pyproj
import rasterio
from pyproj.exceptions import ProjError
from rasterio.crs import CRS
from rasterio.transform import Affine
from rasterio.warp import calculate_default_transform
from shapely.geometry import LineString

from atlas.errors import TerrainError
from atlas.farm import datasets, ground_crs, raster_files, tile_table
from atlas.farm.datasets import GDAL_OPTIONS, Stored
from atlas.farm.layers import Layer
from atlas.farm.records import Remark
from atlas.farm.reprojecting import bring
from atlas.farm.terrain_source import TerrainSource
from atlas.grid import Grid
from atlas.settings import UNITS_TO_SAY, Settings, TerrainTable

COARSE_STEP_M = 0.05
LEAST_CELL_M = 0.01
MOST_CELL_M = 10_000.0


@dataclass(frozen=True)
class Found:
    """A terrain model as stored: its grid in its own CRS and unit."""

    stored: Stored
    crs: CRS | None
    transform: Affine
    rows: int
    cols: int
    unit: str
    step: float  # between heights as stored, in their own unit; 0 where they are no whole numbers
    source: str
    remarks: tuple[Remark, ...]


def open_terrain(path: Path, coverage: Layer | None, settings: Settings) -> TerrainSource:
    """The terrain of a farm file: its coverage, or the rasters settings name beside it.

    Raises TerrainError naming what is wrong with it: none there, no CRS, rotated, not on one grid.
    """
    found = _coverage(path, coverage) if coverage is not None else _beside(path, settings)
    return settle(found, settings.terrain)


def open_rasters(paths: list[Path], terrain: TerrainTable) -> TerrainSource:
    """Terrain from rasters alone, one or several on one grid. Raises TerrainError."""
    return settle(_rasters(paths, ()), terrain)


def settle(found: Found, terrain: TerrainTable) -> TerrainSource:
    """Bring a model as stored to metres on a north-up grid, without touching a height where that can be."""
    if not all(math.isfinite(number) for number in found.transform):
        raise TerrainError(f"{found.stored.label}: its tables do not say where it lies; fetch a whole copy.")
    remarks = list(found.remarks)
    ground = ground_crs.understand(found.crs, found.stored.label)
    layer = found.stored.tiles.table if found.stored.tiles else "dem"
    metres = _height_unit(found, ground, terrain, remarks)
    remarks += _stairs(layer, found.step * metres)
    flipped = found.transform.e > 0
    if flipped:
        remarks.append(Remark(layer, "", "the terrain is stored south-up and was turned"))
    t = found.transform
    north = t.f + found.rows * t.e if flipped else t.f
    stored = found.stored
    if (why := _no_true_metres(found, ground)) is not None:
        if stored.tiles is not None and stored.tiles.integer:
            raise TerrainError(
                f"{stored.label}: heights in scaled 16-bit tiles are not read where the terrain {why}; "
                "warp it to a CRS in true metres first, as the UTM zone."
            )
        stored, grid = _warped(found, ground, why, terrain, remarks)
        flipped = False
    elif ground.map_unit_m is not None and abs(ground.map_unit_m - 1.0) > 1e-12:
        unit = ground.map_unit_m
        crs = CRS.from_wkt(ground_crs.in_metres(ground.flat).to_wkt())
        grid = Grid(crs, t.c * unit, north * unit, t.a * unit, abs(t.e) * unit, found.rows, found.cols)
        remarks.append(Remark(layer, "", f"the terrain's CRS {ground.flat.name} was counted in metres"))
    else:
        crs = CRS.from_wkt(ground.flat.to_wkt())
        grid = Grid(crs, t.c, north, t.a, abs(t.e), found.rows, found.cols)
    _check_cells(grid, stored.label)
    remarks += _too_coarse(layer, grid, terrain)
    source = terrain.source or found.source or "not stated"
    return TerrainSource(
        stored,
        grid,
        source,
        terrain.date,
        tuple(remarks),
        metres,
        flipped,
        pyproj.CRS.from_user_input(grid.crs).to_wkt(),
    )


def _check_cells(grid: Grid, label: str) -> None:
    """Raise TerrainError for cells no one measures, which come of a damaged or mistaken number."""
    sides = (grid.cell_x, grid.cell_y)
    if not all(LEAST_CELL_M <= side <= MOST_CELL_M for side in sides):
        raise TerrainError(f"{label}: has cells of {sides[0]:.3g} by {sides[1]:.3g} m; fetch a whole copy.")


def _height_unit(
    found: Found, ground: ground_crs.GroundCrs, terrain: TerrainTable, remarks: list[Remark]
) -> float:
    """Metres in one unit of height: as settings say, else the raster, else its CRS, else metres."""
    tiles = found.stored.tiles
    layer = tiles.table if tiles else "dem"
    if tiles and tiles.sums:  # our own writing, which is in metres whatever it was made from
        if ground_crs.unit_m(terrain.height_unit) not in (None, 1.0):
            remarks.append(
                Remark(layer, "", "its heights are in metres already; terrain.height_unit is for what start reads")
            )
        return 1.0
    told = ground_crs.unit_m(terrain.height_unit) or ground_crs.unit_m(found.unit) or ground.height_unit_m
    if told is None:
        if found.unit:
            raise TerrainError(
                f"{found.stored.label}: its heights are in '{found.unit}'; "
                f"say in terrain.height_unit which of {', '.join(UNITS_TO_SAY)} that is."
            )
        if ground.map_unit_m not in (None, 1.0):
            remarks.append(
                Remark(
                    layer,
                    "",
                    "the unit of its heights is not stated, read as metres; say it in terrain.height_unit",
                )
            )
        return 1.0
    if abs(told - 1.0) > 1e-12:
        unit = "feet" if told > 0.3 else f"units of {told:g} m"
        remarks.append(Remark(layer, "", f"its heights are in {unit} and were turned into metres (× {told:.7g})"))
    return told


def _no_true_metres(found: Found, ground: ground_crs.GroundCrs) -> str | None:
    """Why slopes cannot be worked out on the grid as stored: it is in degrees, or its CRS draws lengths too long
    or too short at the grid's middle. None where they can.
    """
    if ground.map_unit_m is None:
        return "is in degrees"
    t = found.transform
    x, y = t.c + found.cols * t.a / 2, t.f + found.rows * t.e / 2
    told = ground_crs.stretch(ground.flat, x, y, found.stored.label)
    if abs(told - 1.0) <= ground_crs.MOST_STRETCH:
        return None
    return f"is in {ground.flat.name}, where a metre of ground is drawn as {told:.2f} m,"


def _warped(
    found: Found, ground: ground_crs.GroundCrs, why: str, terrain: TerrainTable, remarks: list[Remark]
) -> tuple[Stored, Grid]:
    """A model whose cells are no true metres, warped once (bilinear) to square cells in its UTM zone.

    The squares are of about the same diagonal as the cells. Where those are longer than settings allow for zones
    and such squares are not, squares are as long as the cells: warping measures nothing.
    """
    t, rows, cols = found.transform, found.rows, found.cols
    east, south = t.c + cols * t.a, t.f + rows * t.e
    zone = ground_crs.utm_for(ground.flat, (t.c + east) / 2, (t.f + south) / 2, found.stored.label)
    target = CRS.from_wkt(zone.to_wkt())
    box = (cols, rows, t.c, min(t.f, south), east, max(t.f, south))
    finest = terrain.zones_up_to_cell_m * (1 + 1e-9)
    try:
        longest = _longest_side_m(t, ground.flat, zone, ((t.c + east) / 2, (t.f + south) / 2))
        place, width, height = calculate_default_transform(CRS.from_wkt(ground.flat.to_wkt()), target, *box)
        if place.a <= finest < longest:
            place, width, height = calculate_default_transform(
                CRS.from_wkt(ground.flat.to_wkt()), target, *box, resolution=longest
            )
    except (*datasets.RASTER_ERRORS, ProjError) as e:
        raise TerrainError(f"{found.stored.label}: cannot be warped to {zone.name}; set its CRS right.") from e
    grid = Grid(target, place.c, place.f, place.a, -place.e, height, width)
    layer = found.stored.tiles.table if found.stored.tiles else "dem"
    remarks.append(Remark(layer, "", f"the terrain {why} and was warped to {zone.name}, cells of {place.a:.2f} m"))
    return replace(found.stored, warp_to=grid), grid


def _longest_side_m(t: Affine, flat: pyproj.CRS, zone: pyproj.CRS, at: tuple[float, float]) -> float:
    """Metres of the longer side of the cell at a place given in `flat`."""
    sides = (LineString([at, (at[0] + t.a, at[1])]), LineString([at, (at[0], at[1] + t.e)]))
    return max(bring(side, flat, zone).length for side in sides)


def _beside(path: Path, settings: Settings) -> Found:
    """The rasters that settings name, or the only one in the farm file's folder."""
    wanted = settings.layers.dem
    names = (wanted,) if isinstance(wanted, str) else wanted
    if names is None:
        beside = sorted(p for p in path.absolute().parent.iterdir() if p.suffix.lower() in (".tif", ".tiff"))
        if len(beside) != 1:
            many = f"and {len(beside)} rasters lie beside it" if beside else "and no raster lies beside it"
            raise TerrainError(f"{path}: holds no terrain model {many}; name it in layers.dem.")
        said = Remark(
            "dem", "", f"{beside[0].name} taken as the terrain, being the only raster beside the farm file"
        )
        return _rasters(beside, (said,))
    found: list[Path] = []
    for name in names:
        if any(mark in name for mark in "*?["):
            hits = _answering(path.parent, name)
            if not hits:
                raise TerrainError(f"{path}: layers.dem is '{name}', which no file beside it answers to.")
            found += hits
        else:
            found.append(path.parent / name)
    if not found:
        raise TerrainError(f"{path}: layers.dem names no raster; name at least one.")
    for one in found:
        if not _is_there(one):
            raise TerrainError(
                f"{path}: layers.dem names '{one.name}', neither a layer of it nor a file beside it."
            )
    return _rasters(found, ())


def _answering(folder: Path, pattern: str) -> list[Path]:
    """The files that a name with * or ? stands for; none where no file could be called so, as the caller says."""
    try:
        return sorted(folder.glob(pattern)) if not Path(pattern).is_absolute() else []
    except (OSError, ValueError, NotImplementedError, IndexError):
        # What pathlib raises for "**x" (ValueError), a drive or root (NotImplementedError), a name without parts
        # (IndexError) and folders that cannot be read. Nothing is passed over: an empty list gets its sentence.
        return []


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):  # a name too long for any file, or one that holds a zero byte
        return False


def _rasters(paths: list[Path], remarks: tuple[Remark, ...]) -> Found:
    whole, stored = raster_files.join([raster_files.describe(p) for p in paths])
    step = whole.scale if "int" in whole.dtype else 0.0
    return Found(
        stored,
        whole.crs,
        whole.transform,
        whole.rows,
        whole.cols,
        whole.unit,
        step,
        "",
        remarks,
    )


def _stairs(layer: str, step_m: float) -> list[Remark]:
    if step_m <= COARSE_STEP_M:
        return []
    return [Remark(layer, "", f"its heights are stored in steps of {step_m:.2g} m; slopes are no finer than that")]


def _too_coarse(layer: str, grid: Grid, terrain: TerrainTable) -> list[Remark]:
    """What a build leaves out on such terrain, said before anyone looks for it."""
    if grid.cell_m <= terrain.zones_up_to_cell_m * (1 + 1e-9):
        return []
    return [
        Remark(
            layer,
            "",
            f"its cells of {grid.cell_m:.3g} m are too coarse to say where a machine may drive "
            f"(at most {terrain.zones_up_to_cell_m:g} m): sheets show how steep it is, and no driving zones",
        )
    ]


def _coverage(path: Path, layer: Layer) -> Found:
    """A tiled gridded coverage, as GDAL opens it."""
    dataset = str(path.absolute())
    label = f"{path}, layer '{layer.name}'"
    try:
        with rasterio.Env(**GDAL_OPTIONS), datasets.open_dataset(dataset, layer.name) as opened:
            crs, t, rows, cols = opened.crs, opened.transform, opened.height, opened.width
            zoom = int(opened.tags().get("ZOOM_LEVEL", -1))
            unit = opened.units[0] or ""
    except datasets.RASTER_ERRORS as e:
        raise TerrainError(f"{label}: the terrain cannot be read; fetch a whole copy ({e}).") from e
    raster_files.check_upright(t, label)
    told = tile_table.describe(path, layer.name, zoom, t)
    stored = Stored(dataset, label, (path.absolute(),), told)
    remarks: tuple[Remark, ...] = ()
    if told.on_corners:
        remarks = (Remark(layer.name, "", "its heights stand for cell corners; places may be half a cell off"),)
    return Found(stored, crs, t, rows, cols, unit, told.step, told.description, remarks)
