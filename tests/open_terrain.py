"""A real open terrain model, and GDAL's own command-line tools to judge ours by.

The model is `jacksboro_fault_dem.npz` from matplotlib's sample data: elevation of the Jacksboro fault in
Tennessee, 344 × 403 cells of 1/1200 degree, whole metres, row 0 in the north (its `ymin` is the northern edge).
It is US public-domain survey data that matplotlib ships for its own examples.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import rasterio
from matplotlib import cbook
from rasterio.crs import CRS
from rasterio.transform import from_bounds

from atlas.grid import Grid, Heights

NODATA = -9999.0


def gdal(tool: str, *arguments: str | Path) -> str:
    """Run one of GDAL's command-line tools and return what it printed."""
    if shutil.which(tool) is None:
        raise AssertionError(f"{tool} is missing: install Debian's package gdal-bin.")
    done = subprocess.run([tool, *map(str, arguments)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{tool} failed: {done.stderr}"
    return done.stdout


def write_degrees(path: Path) -> Path:
    """The model as matplotlib ships it, on its own grid in degrees, as GeoTIFF."""
    with np.load(cbook.get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)) as stored:
        z = stored["elevation"].astype(np.float32)
        box = (float(stored["xmin"]), float(stored["ymax"]), float(stored["xmax"]), float(stored["ymin"]))
    rows, cols = z.shape
    _write(path, z, CRS.from_epsg(4326), from_bounds(*box, cols, rows))
    return path


def write_metric(path: Path, cell_x: float, cell_y: float) -> Path:
    """The model warped once to its UTM zone (16 north) on cells of that size, edges without heights."""
    degrees = write_degrees(path.with_name("degrees.tif"))
    size = [str(cell_x), str(cell_y)]
    gdal(
        "gdalwarp",
        "-q",
        "-t_srs",
        "EPSG:32616",
        "-tr",
        *size,
        "-r",
        "cubic",
        "-dstnodata",
        str(NODATA),
        degrees,
        path,
    )
    return path


def write_heights(path: Path, heights: Heights) -> Path:
    """Any heights as a 64-bit GeoTIFF, so that another tool can read the same numbers."""
    _write(path, np.where(np.isfinite(heights.z), heights.z, NODATA), heights.grid.crs, heights.grid.transform)
    return path


def read_heights(path: Path) -> Heights:
    """A whole GeoTIFF as heights; nodata becomes NaN."""
    with rasterio.open(path) as source:
        z = source.read(1).astype(np.float64)
        if source.nodata is not None:
            z[z == source.nodata] = np.nan
        t = source.transform
        return Heights(Grid(source.crs, t.c, t.f, t.a, -t.e, source.height, source.width), z)


def _write(path: Path, z: object, crs: CRS, transform: object) -> None:
    array = np.asarray(z)
    profile = {
        "driver": "GTiff",
        "count": 1,
        "height": array.shape[0],
        "width": array.shape[1],
        "dtype": array.dtype,
    }
    with rasterio.open(path, "w", crs=crs, transform=transform, nodata=NODATA, **profile) as sink:
        sink.write(array, 1)
