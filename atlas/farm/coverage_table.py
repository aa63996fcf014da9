"""Tables of tiles inside a GeoPackage: copied in by GDAL, then given the lower-case name GDAL refuses to give."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import rasterio
import rasterio.shutil

from atlas.errors import OutputError
from atlas.farm import datasets, sqlite_file

CONTENT_TABLES = (
    ("gpkg_contents", "table_name"),
    ("gpkg_tile_matrix_set", "table_name"),
    ("gpkg_tile_matrix", "table_name"),
    ("gpkg_extensions", "table_name"),
    ("gpkg_metadata_reference", "table_name"),
    ("gpkg_2d_gridded_coverage_ancillary", "tile_matrix_set_name"),
    ("gpkg_2d_gridded_tile_ancillary", "tpudt_name"),
)


def making(stamp: str) -> dict[str, str]:
    """GDAL's options for a file in the making: a fixed date of change, and no wait for the disk until the end."""
    return {"OGR_CURRENT_DATE": stamp, "OGR_SQLITE_SYNCHRONOUS": "OFF"}


def copy_heights(dem_tif: Path, target: Path, stamp: str, tile_format: str) -> None:
    """Copy a GeoTIFF into `target` as the coverage `DEM`. Raises OutputError, also when nodata got lost."""
    try:
        with rasterio.Env(**making(stamp)):
            rasterio.shutil.copy(
                dem_tif,
                target,
                driver="GPKG",
                APPEND_SUBDATASET="YES" if target.exists() else "NO",
                RASTER_TABLE="DEM",
                TILE_FORMAT=tile_format,
                PRECISION="0.001",  # with the default of 1, GDAL's readers round 16-bit heights to whole metres
            )
            with rasterio.open(dem_tif) as source, datasets.open_dataset(str(target), "DEM") as copy:
                if source.nodata is not None and copy.nodata is None:  # 16-bit tiles carry another number
                    raise OutputError(
                        f"{target}: the mark for missing heights ({source.nodata}) got lost; nothing was written."
                    )
    except datasets.RASTER_ERRORS as e:
        raise OutputError(f"{target}: the heights of {dem_tif} cannot be written ({e}).") from e


def copy_picture(backdrop_tif: Path, target: Path, stamp: str) -> None:
    """Copy an aerial picture (8-bit, 3 or 4 bands, any grid) into `target` as the tile pyramid `BACKDROP`."""
    try:
        with rasterio.Env(**making(stamp)):
            rasterio.shutil.copy(
                backdrop_tif,
                target,
                driver="GPKG",
                APPEND_SUBDATASET="YES",
                RASTER_TABLE="BACKDROP",
                TILE_FORMAT="JPEG",
            )
    except datasets.RASTER_ERRORS as e:
        raise OutputError(f"{target}: the picture {backdrop_tif} cannot be written ({e}).") from e


def settle_name(target: Path, old: str, new: str, stamp: str, description: str = "") -> None:
    """Rename a tile table and every mention of it. The creation options reach GDAL in capitals only."""
    with closing(sqlite_file.connect_to_write(target)) as db, db:
        triggers = db.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ?", (old,)
        ).fetchall()
        for name, _ in triggers:
            db.execute(f'DROP TRIGGER "{name}"')
        db.execute(f'ALTER TABLE "{old}" RENAME TO field_atlas_moving')
        db.execute(f'ALTER TABLE field_atlas_moving RENAME TO "{new}"')
        for _, sql in triggers:
            db.execute(sql.replace(old, new))
        present = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table, column in CONTENT_TABLES:
            if table in present:
                db.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", (new, old))
        if "gpkg_metadata_reference" in present:
            db.execute("UPDATE gpkg_metadata_reference SET timestamp = ?", (stamp,))
        db.execute(
            "UPDATE gpkg_contents SET identifier = ?, description = ? WHERE table_name = ?",
            (new, description, new),
        )
