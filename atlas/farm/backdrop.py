"""The aerial picture of a farm file, cut to a field and turned to the terrain's grid: to look at, not for sums."""

from __future__ import annotations

import io
from contextlib import closing
from dataclasses import dataclass

import numpy as np
import rasterio
from PIL import Image
from rasterio.enums import Resampling
from rasterio.transform import from_bounds
from rasterio.vrt import WarpedVRT

from atlas.errors import LayerError
from atlas.farm import datasets, sqlite_file
from atlas.farm.farm import Farm
from atlas.grid import Bounds

LONGER_SIDE_PX = 420
JPEG_QUALITY = 45
GREY_SHARES = np.array([0.299, 0.587, 0.114])  # of red, green and blue (Rec. ITU-R BT.601, from memory)


@dataclass(frozen=True)
class AerialPicture:
    """A grey JPEG of `box` (terrain CRS); white where the picture shows nothing."""

    box: Bounds
    jpeg: bytes


def aerial_picture(farm: Farm, box: Bounds) -> AerialPicture | None:
    """The farm file's picture of a box, or None where it has none there. Raises LayerError where it is damaged."""
    if farm.backdrop is None:
        return None
    shrink = LONGER_SIDE_PX / max(box.width, box.height)
    wide, high = max(1, round(box.width * shrink)), max(1, round(box.height * shrink))
    place = from_bounds(box.west, box.south, box.east, box.north, wide, high)
    try:
        with (
            rasterio.Env(**datasets.GDAL_OPTIONS),
            datasets.open_dataset(str(farm.path), farm.backdrop) as stored,
            WarpedVRT(
                stored, crs=farm.terrain.grid.crs, transform=place, width=wide, height=high,
                resampling=Resampling.average, add_alpha=stored.count < 4 and stored.nodata is None,
            ) as warped,
        ):  # fmt: skip
            bands, seen = warped.read(masked=False), warped.dataset_mask() > 0
            colours = 3 if stored.count >= 3 else 1
    except datasets.RASTER_ERRORS as e:
        raise LayerError(
            f"{farm.path}: layer '{farm.backdrop}' cannot be read as a picture ({e}); write it anew or drop it."
        ) from e
    return AerialPicture(box, _jpeg(bands[:colours], seen)) if seen.any() else None


def _jpeg(bands: np.ndarray, seen: np.ndarray) -> bytes:
    grey = np.tensordot(GREY_SHARES, bands, axes=1) if len(bands) == 3 else bands[0].astype(np.float64)
    image = Image.fromarray(np.where(seen, np.clip(np.rint(grey), 0, 255), 255).astype(np.uint8))
    file = io.BytesIO()
    image.save(file, "JPEG", quality=JPEG_QUALITY, optimize=True)
    return file.getvalue()


def backdrop_mark(farm: Farm) -> str:
    """What changes when the farm file's picture does: its name, last change and number of tiles."""
    if farm.backdrop is None:
        return ""
    name = farm.backdrop.replace('"', '""')
    with closing(sqlite_file.connect_to_read(farm.path)) as db:
        changed = db.execute("SELECT last_change FROM gpkg_contents WHERE table_name = ?", (farm.backdrop,))
        stamp = changed.fetchone()
        tiles = db.execute(f'SELECT COUNT(*), TOTAL(LENGTH(tile_data)) FROM "{name}"').fetchone()
    return repr((farm.backdrop, stamp, tiles))
