"""The processes that `bench_scale.py` times beside our own command, all on one farm file."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

BREAKS_PCT = (18, 35, 50)


def model_of(farm: Path) -> str:
    """How GDAL names the heights inside a farm file."""
    return f"GPKG:{farm}:dem"


def read(farm: Path) -> None:
    """The bare reading: the same windows of heights that a survey reads, by rasterio, nothing worked out."""
    import fiona
    import rasterio
    from rasterio.windows import Window
    from shapely.geometry import shape

    from atlas.settings import Settings
    from atlas.survey import read_margin_m

    margin = read_margin_m(Settings())
    with fiona.open(farm, layer="parcels") as layer:
        boxes = [shape(feature.geometry).bounds for feature in layer]
    cells = 0
    with rasterio.Env(GDAL_CACHEMAX=64_000_000), rasterio.open(model_of(farm)) as source:
        whole = Window(0, 0, source.width, source.height)
        for west, south, east, north in boxes:
            row, col = source.index(west - margin, north + margin)
            last_row, last_col = source.index(east + margin, south - margin)
            window = Window(col, row, last_col - col + 1, last_row - row + 1).intersection(whole)
            cells += source.read(1, window=window).size
    print(json.dumps({"fields": len(boxes), "cells": cells}))


def terrain(farm: Path) -> None:
    """Slope classes of every field as a survey takes them, from the farm file to square metres, no more."""
    from atlas.farm import datasets
    from atlas.farm.opening import open_farm
    from atlas.grid import Bounds
    from atlas.settings import Settings
    from atlas.survey import margin_m
    from atlas.terrain.surveying import terrain_figures

    settings = Settings()
    opened = open_farm(farm, settings, datetime.now(UTC))
    area = 0.0
    for parcel in opened.parcels:
        heights = opened.terrain.read(Bounds(*parcel.shape.bounds), margin_m(settings))
        area += sum(c.area_m2 for c in terrain_figures(parcel.shape, heights, settings).classes)
    datasets.close()
    print(json.dumps({"area_m2": area}))


def classify(slope: Path, classes: Path) -> None:
    """Slope in percent to classes, block by block."""
    import numpy as np
    import rasterio

    with rasterio.open(slope) as source:
        profile = {**source.profile, "dtype": "uint8", "nodata": None}
        with rasterio.open(classes, "w", **profile) as sink:
            for _, window in source.block_windows(1):
                pct = source.read(1, window=window)
                found = np.zeros(pct.shape, np.uint8)
                for edge in BREAKS_PCT:
                    found += pct > edge
                found[pct == source.nodata] = 255
                sink.write(found, 1, window=window)


def areas(classes: Path, farm: Path) -> None:
    """Square metres per class of every field by exactextract."""
    import fiona
    from exactextract import exact_extract
    from shapely.geometry import mapping, shape

    with fiona.open(farm, layer="parcels") as layer:
        shapes = [
            {"type": "Feature", "properties": {}, "geometry": mapping(shape(feature.geometry))}
            for feature in layer
        ]
    table = exact_extract(str(classes), shapes, ["unique", "frac", "count"])
    print(json.dumps({"cells": sum(row["properties"]["count"] for row in table)}))


if __name__ == "__main__":
    sides: dict[str, Callable[..., None]] = {
        "read": read, "terrain": terrain, "classify": classify, "areas": areas
    }  # fmt: skip
    sides[sys.argv[1]](*map(Path, sys.argv[2:]))
