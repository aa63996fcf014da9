"""Starts a farm file from what a farm has at hand: field boundaries, height models, and marks if there are any."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from pyproj import CRS
from rasterio.windows import Window

from atlas.errors import LayerError, OutputError, RowError
from atlas.farm import datasets, guessing, lying, rows, table, terrain_opening, vector_files
from atlas.farm.layers import Layer
from atlas.farm.records import HAZARD_KINDS, Hazard, Parcel, Remark
from atlas.farm.schema import HAZARDS, PARCELS
from atlas.farm.scratch import scratch
from atlas.farm.table import Row, Table
from atlas.farm.terrain_source import TerrainSource
from atlas.farm.writing import write_farm
from atlas.grid import Bounds, CellWindow, Grid
from atlas.settings import Settings

AROUND_M = 250.0  # terrain kept around the fields: enough for what lies above and below them
STRIP = 512  # rows and columns of heights in memory at a time
GAP = -9999.0
MARKS = uuid.UUID("0d7f9a52-6e0b-5c1d-9a34-5a1c6f2f7b10")  # the space our invented hazard ids are drawn from


def start(
    new_path: Path,
    parcels: Path,
    dems: Sequence[Path],
    hazards: Sequence[Path] = (),
    settings: Settings | None = None,
    written_at: datetime | None = None,
) -> tuple[Remark, ...]:
    """Make a farm file in our own layers; what had to be assumed or mended is returned.

    Everything is brought to the terrain's CRS; of the heights, what lies within 250 m of the fields is kept,
    cell by cell as it was. Raises OutputError where `new_path` exists, LayerError, RowError or TerrainError
    where an input cannot be used.
    """
    if new_path.exists():
        raise OutputError(f"{new_path}: exists already; choose another name or move it away.")
    chosen = settings or Settings()
    terrain = terrain_opening.open_rasters(list(dems), chosen.terrain)
    crs = CRS.from_user_input(terrain.grid.crs)
    try:
        fields, remarks = _parcels(parcels, chosen, crs)
        terrain.check_covers((p.shape for p in fields), chosen.terrain.zones_up_to_cell_m)
        marked, marks_said = _hazards(hazards, chosen, crs, fields)
        with scratch(new_path) as folder:
            tif = folder / "heights.tif"
            cut = _write_heights(terrain, _around(fields), tif)
            write_farm(
                new_path,
                _frame([_parcel_row(p) for p in fields], [p.shape for p in fields], crs),
                _frame([_hazard_row(h, row) for h, row in marked], [h.shape for h, _ in marked], crs),
                dem_tif=tif,
                dem_source=", ".join(x for x in (chosen.terrain.source, chosen.terrain.date) if x),
                written_at=written_at or datetime.now(UTC),
            )
    except OSError as e:
        raise OutputError(f"{new_path}: cannot be written ({e.strerror or e}).") from e
    finally:
        terrain.close()
    return (*terrain.remarks, *cut, *remarks, *marks_said, *_settings_done(chosen))


def _settings_done(settings: Settings) -> list[Remark]:
    """Settings that told the way through the given files, and would stop a build from ours."""
    named = [f"[{name}]" for name in ("layers", "columns") if name in settings.model_fields_set]
    if not named:
        return []
    text = f"{' and '.join(named)} of the settings told of the given files; take them out before a build"
    return [Remark("settings", "", text)]


def _parcels(path: Path, settings: Settings, crs: CRS) -> tuple[tuple[Parcel, ...], list[Remark]]:
    """The fields of a vector file, with ids and names found or invented."""
    remarks: list[Remark] = []
    kept: list[Row] = []
    for layer in vector_files.parcel_layers(path, settings.layers.parcels):
        guessed, said = guessing.parcel_columns(path, layer, settings)
        remarks += said
        read = table.read(path, layer, tuple(PARCELS.columns), settings, crs, guessed)
        kept += [row for row in read if row.shape is not None and row.shape.area > 0]
        if left_out := len(read.rows) - len([r for r in read if r.shape is not None and r.shape.area > 0]):
            remarks.append(
                Remark(layer.name, "", f"{left_out} of {len(read.rows)} rows are no areas and left out")
            )
    if not any(row.text("field_id") for row in kept):
        width = max(2, len(str(len(kept))))
        for number, row in enumerate(kept, start=1):
            row.cells["field_id"] = f"F{number:0{width}d}"
        remarks.append(Remark("parcels", "", f"no ids found, so the fields are called F{1:0{width}d} and on"))
    found = rows.parcels(Table(tuple(kept), frozenset()))
    said = [remark for row in kept for remark in row.remarks]
    _refuse_bad(path, said)
    if not found:
        raise LayerError(f"{path}: holds no polygons that could be the parcels; name a file that does.")
    return found, remarks + said


def _hazards(
    paths: Sequence[Path], settings: Settings, crs: CRS, fields: Sequence[Parcel]
) -> tuple[list[tuple[Hazard, Row]], list[Remark]]:
    """The marks of all files; ids are invented from file, row and place where there are none."""
    found: list[tuple[Hazard, Row]] = []
    remarks: list[Remark] = []
    for path in paths:
        read = [_marks(path, layer, settings, crs) for layer in vector_files.layers_of(path) if layer.rows]
        here = rows.hazards(read)
        for hazard, row in here:
            if "hazard_id" in hazard.assumed:
                told = f"{path.name} {row.layer} {row.number} {hazard.shape.wkt}"
                row.cells["hazard_id"] = str(uuid.uuid5(MARKS, told))
            found.append((hazard, row))
        every = [row for one in read for row in one]
        said = [*(remark for row in every for remark in row.remarks), *lying.far_marks(fields, here, crs)]
        _refuse_bad(path, said)
        remarks += said
    return found, remarks


def _marks(path: Path, layer: Layer, settings: Settings, crs: CRS) -> Table:
    """A layer of marks; where it has no kinds, its own name or its file's may tell one."""
    read = table.read(path, layer, tuple(HAZARDS.columns), settings, crs)
    if "kind" in read.lacking:
        told = {name.lower().replace(" ", "_").rstrip("s") for name in (layer.name, path.stem)}
        kind = next((k for k in HAZARD_KINDS if k in told), None)
        if kind is None:
            raise LayerError(
                f"{path}, layer '{layer.name}': has no column 'kind' and its name tells none; "
                f"name the layer or the column of kinds ({', '.join(HAZARD_KINDS)})."
            )
        for row in read:
            row.cells["kind"] = kind
    return read


def _refuse_bad(path: Path, said: Sequence[Remark]) -> None:
    for remark in said:
        if remark.refused:
            raise RowError(f"{path}, layer '{remark.layer}', row {remark.row}: {remark.text}.")


def _around(fields: Sequence[Parcel]) -> Bounds:
    boxes = np.array([p.shape.bounds for p in fields])
    return Bounds(*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist()).grown(AROUND_M)


def _write_heights(terrain: TerrainSource, bounds: Bounds, target: Path) -> list[Remark]:
    """Copy the model's cells within `bounds` to a GeoTIFF, a block at a time."""
    whole = terrain.grid
    wanted = whole.window(bounds)
    grid = whole.part(wanted)
    profile = {
        "driver": "GTiff",
        "height": grid.rows,
        "width": grid.cols,
        "count": 1,
        "dtype": "float32",
        "crs": grid.crs,
        "transform": grid.transform,
        "nodata": GAP,
        "tiled": True,
        "compress": "deflate",
        "bigtiff": "if_safer",
    }
    with rasterio.Env(**datasets.GDAL_OPTIONS), rasterio.open(target, "w", **profile) as sink:
        for row in range(0, grid.rows, STRIP):
            for col in range(0, grid.cols, STRIP):
                block = CellWindow(row, col, min(STRIP, grid.rows - row), min(STRIP, grid.cols - col))
                z = terrain.read(_inside(grid.part(block))).z
                heights = np.where(np.isnan(z), GAP, z).astype(np.float32)
                sink.write(heights, 1, window=Window(block.col, block.row, block.cols, block.rows))
    if (wanted.rows, wanted.cols) == whole.shape:
        return []
    return [Remark("dem", "", f"terrain farther than {AROUND_M:g} m from the fields was left out")]


def _inside(grid: Grid) -> Bounds:
    """A box that touches exactly the cells of `grid`, drawn in from their outer edges against rounding."""
    b = grid.bounds
    return Bounds(
        b.west + grid.cell_x / 4, b.south + grid.cell_y / 4, b.east - grid.cell_x / 4, b.north - grid.cell_y / 4
    )


def _frame(records: list[dict[str, object]], shapes: Sequence[object], crs: CRS) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(records, geometry=list(shapes), crs=crs)


def _parcel_row(p: Parcel) -> dict[str, object]:
    return {column: getattr(p, column) or None for column in PARCELS.columns}


def _hazard_row(hazard: Hazard, row: Row) -> dict[str, object]:
    """A mark as it was given: what was assumed for it stays empty in the file."""
    known = {c: getattr(hazard, c, None) for c in HAZARDS.columns}
    told = {c: None if c in hazard.assumed or v == "" else v for c, v in known.items()}
    return {
        **told,
        "hazard_id": row.text("hazard_id"),
        "retired_at": row.moment("retired_at"),
        "retired_by": row.text("retired_by") or None,
    }
