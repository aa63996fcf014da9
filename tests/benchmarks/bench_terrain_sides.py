"""The processes that `bench_terrain.py` times, and the invented case they work on."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

CELL_M = 1.0
WEST, NORTH = 600_000.0, 5_200_000.0
EPSG = 25832
BLOCK = 256


@dataclass(frozen=True)
class Case:
    folder: Path

    @property
    def dem(self) -> Path:
        return self.folder / "dem.tif"

    @property
    def slope(self) -> Path:
        return self.folder / "slope.tif"

    @property
    def classes(self) -> Path:
        return self.folder / "classes.tif"

    @property
    def parcels(self) -> Path:
        return self.folder / "parcels.gpkg"

    def answer(self, side: str) -> Path:
        """Square metres per class, parcel by parcel, as JSON."""
        return self.folder / f"{side}.json"


def make_case(folder: Path, cells: int, parcels: int) -> Case:
    """Write the model (tiled, deflated, 32-bit) and the parcels, 0.3 to 4 ha; kept if already there."""
    case = Case(folder)
    if case.parcels.exists() and case.dem.exists():
        return case
    folder.mkdir(parents=True, exist_ok=True)
    print(f"making {cells} × {cells} cells and {parcels} parcels in {folder}", file=sys.stderr)
    _make_dem(case.dem, cells)
    _make_parcels(case.parcels, cells, parcels)
    return case


def _make_dem(path: Path, cells: int) -> None:
    """Hills of several sizes plus 2 cm of noise, written strip by strip."""
    import numpy as np
    import rasterio
    from rasterio.transform import from_origin
    from rasterio.windows import Window

    draw = np.random.default_rng(64)
    waves = [(draw.uniform(60, 900), draw.uniform(0, 6.28), draw.uniform(0, 6.28)) for _ in range(12)]
    x = np.arange(cells) * CELL_M
    profile = {
        "driver": "GTiff", "width": cells, "height": cells, "count": 1, "dtype": "float32", "crs": f"EPSG:{EPSG}",
        "transform": from_origin(WEST, NORTH, CELL_M, CELL_M), "nodata": -9999.0, "tiled": True,
        "blockxsize": BLOCK, "blockysize": BLOCK, "compress": "deflate", "predictor": 3,
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as sink:
        for row in range(0, cells, BLOCK):
            rows = min(BLOCK, cells - row)
            y = (row + np.arange(rows))[:, None] * CELL_M
            z = np.full((rows, cells), 800.0)
            for length, turn, phase in waves:
                z += 0.04 * length * np.sin(6.28 / length * (x * np.cos(turn) + y * np.sin(turn)) + phase)
            z += draw.normal(0, 0.02, z.shape)
            sink.write(z.astype(np.float32), 1, window=Window(0, row, cells, rows))


def _make_parcels(path: Path, cells: int, count: int) -> None:
    """Irregular stars, some with a hole, one per square of a chessboard laid over the model."""
    import geopandas as gpd
    import numpy as np
    from shapely.geometry import Polygon

    draw = np.random.default_rng(800)
    across = int(np.ceil(np.sqrt(count)))
    pitch = cells * CELL_M / across
    shapes = []
    for k in range(count):
        cx, cy = WEST + (k % across + 0.5) * pitch, NORTH - (k // across + 0.5) * pitch
        radius = np.sqrt(draw.uniform(3_000, 40_000) / np.pi)
        corners = int(draw.integers(12, 80))
        turns = (np.arange(corners) + draw.uniform(0.1, 0.9, corners)) * 2 * np.pi / corners
        far = radius * draw.uniform(0.85, 1.15, corners)
        ring = np.column_stack([cx + far * np.cos(turns), cy + far * np.sin(turns)])
        hole = [np.column_stack([cx + 8 * np.cos(turns), cy + 8 * np.sin(turns)])] if k % 4 == 0 else []
        shapes.append(Polygon(ring, hole))
    gpd.GeoDataFrame({"k": range(count)}, geometry=shapes, crs=f"EPSG:{EPSG}").to_file(path, driver="GPKG")


def ours(case: Case, part: int = 0, parts: int = 1) -> None:
    """Our figures of every parcel, or of one part of them, heights read window by window."""
    import fiona
    import numpy as np
    import rasterio
    from rasterio.windows import Window
    from shapely.geometry import MultiPolygon, Polygon
    from shapely.geometry import shape as as_shape

    from atlas.grid import Bounds, Grid, Heights
    from atlas.settings import Settings
    from atlas.terrain.surveying import terrain_figures

    settings = Settings()
    with fiona.open(case.parcels) as layer:
        first, last = part * len(layer) // parts, (part + 1) * len(layer) // parts
        shapes = [as_shape(feature.geometry) for feature in layer[first:last]]
    answers = []
    with rasterio.Env(GDAL_CACHEMAX=64_000_000), rasterio.open(case.dem) as source:
        t = source.transform
        grid = Grid(source.crs, t.c, t.f, t.a, -t.e, source.height, source.width)
        for shape in shapes:
            assert isinstance(shape, Polygon | MultiPolygon)
            cells = grid.window(Bounds(*shape.bounds), margin_m=2 * grid.cell_m)
            z = source.read(1, window=Window(cells.col, cells.row, cells.cols, cells.rows)).astype(np.float64)
            z[z == source.nodata] = np.nan
            figures = terrain_figures(shape, Heights(grid.part(cells), z), settings)
            answers.append([*(c.area_m2 for c in figures.classes), figures.unsurveyed_m2])
    case.answer("ours" if parts == 1 else f"ours{part}").write_text(json.dumps(answers))


def shared(case: Case, processes: int = 2) -> None:
    """The same in several processes, neighbours in one, as a build shares fields out over the cores."""
    command = [sys.executable, __file__, "part", str(case.folder)]
    running = [subprocess.Popen([*command, str(k), str(processes)]) for k in range(processes)]
    failed = [process.wait() for process in running]
    if any(failed):
        raise RuntimeError("one of the processes failed")
    answers = [row for k in range(processes) for row in json.loads(case.answer(f"ours{k}").read_text())]
    case.answer("shared").write_text(json.dumps(answers))


def classify(case: Case) -> None:
    """Slope in percent to classes, block by block."""
    import numpy as np
    import rasterio

    with rasterio.open(case.slope) as source:
        profile = {**source.profile, "dtype": "uint8", "nodata": None}
        with rasterio.open(case.classes, "w", **profile) as sink:
            for _, window in source.block_windows(1):
                pct = source.read(1, window=window)
                found = (pct > 18).astype(np.uint8)
                found += pct > 35
                found += pct > 50
                found[pct == source.nodata] = 255
                sink.write(found, 1, window=window)


def areas(case: Case) -> None:
    """Square metres per class of every parcel by exactextract."""
    from exactextract import exact_extract

    table = exact_extract(str(case.classes), str(case.parcels), ["unique", "frac", "count"])
    answers = []
    for row in table:
        found = row["properties"]
        area = dict(zip(found["unique"], found["frac"] * found["count"] * CELL_M**2, strict=True))
        answers.append([float(area.get(k, 0.0)) for k in (0, 1, 2, 3, 255)])
    case.answer("areas").write_text(json.dumps(answers))


if __name__ == "__main__":
    side, folder, *numbers = sys.argv[1:]
    if side == "part":
        ours(Case(Path(folder)), *map(int, numbers))
    else:
        sides: dict[str, Callable[[Case], None]] = {
            "ours": ours, "shared": shared, "classify": classify, "areas": areas
        }  # fmt: skip
        sides[side](Case(Path(folder)))
