"""The invented land: the compiled loop against the same lines run by Python, water, and the land at any size."""

from __future__ import annotations

import heapq
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from rasterio.features import geometry_mask

from atlas.farm import demo_rows
from atlas.farm.demo import demo_springs, make_demo
from atlas.farm.demo_land import BAND_CELLS, SOUTH, WEST, Land
from atlas.farm.demo_noise import noise, noise_pair
from atlas.farm.demo_plan import Spot
from atlas.grid import CellWindow

PLAIN = """
import json, sys
import numpy as np
from atlas.farm.demo_land import Land
land = Land(20, 1.0, 5)
x, y = np.array(json.loads(sys.argv[1])).T
print(json.dumps(land.heights_at(x, y).tolist()))
"""


def test_compiled_heights_equal_plain_python_to_the_last_bit() -> None:
    """Numba switched off runs the same lines with Python's own floats, which know no fused or fast arithmetic."""
    land = Land(20, 1.0, 5)
    rng = np.random.default_rng(3)
    box = land.grid.bounds
    x = np.concatenate([rng.uniform(box.west, box.east, 300), np.full(120, WEST + 606.0)])
    y = np.concatenate([rng.uniform(box.south, box.north, 300), SOUTH + np.arange(120) * 7.1])
    out = subprocess.run(
        [sys.executable, "-c", PLAIN, json.dumps(np.column_stack([x, y]).tolist())],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        cwd=Path(__file__).parents[3],
        capture_output=True,
        text=True,
        check=True,
    )
    assert json.loads(out.stdout) == land.heights_at(x, y).tolist()


def test_noise_is_smooth_and_centred() -> None:
    at = np.arange(0.0, 60.0, 0.05)
    line = np.array([noise(x, 0.3, 77) for x in at])
    field = np.array([noise_pair(x * 3.7, x * 1.3, 77) for x in at * 20])
    assert np.abs(np.diff(line)).max() < 0.25  # a twentieth of a cell apart
    assert np.abs(field.mean(axis=0)).max() < 0.05
    assert ((field.std(axis=0) > 0.25) & (field.std(axis=0) < 0.45)).all()
    assert abs(np.corrcoef(field.T)[0, 1]) < 0.1
    assert noise(5.0, 9.0, 77) == 0.0  # at the lattice itself


def test_bands_together_are_the_whole_model() -> None:
    land = Land(3, 1.2, 1)
    whole = land.heights().z
    bands = list(land.bands())
    assert len(bands) > 1
    assert max(z.size for _, z in bands) <= BAND_CELLS
    assert np.array_equal(np.concatenate([z for _, z in bands]), whole)
    assert np.array_equal(np.round(whole, 2), whole)


def test_rough_ground_is_a_few_centimetres() -> None:
    """What is left of a field's heights after a plane through 5 × 5 m, on level ground away from walls."""
    land = Land(16, 1.0, 1)
    mill = next(f for f in demo_rows.place_fields(land) if f.planned.key == "mill")
    x, y = mill.shape.centroid.x, mill.shape.centroid.y
    window = CellWindow(int(land.grid.north - y) - 20, int(x - land.grid.west) - 20, 40, 40)
    z = land.window(window)
    rows, cols = np.mgrid[0:5, 0:5]
    plane = np.column_stack([rows.ravel(), cols.ravel(), np.ones(25)])
    left = [
        (lambda b: b - plane @ np.linalg.lstsq(plane, b, rcond=None)[0])(z[r : r + 5, c : c + 5].ravel())
        for r in range(0, 40, 5)
        for c in range(0, 40, 5)
    ]
    assert 0.015 < np.concatenate(left).std() < 0.045


def test_springs_lie_where_the_land_gathers_water() -> None:
    """Pits filled and D8 followed by the plainest reading of both, on 3 m cells."""
    land = Land(16, 3.0, 1)
    z, grid = land.heights().z, land.grid
    area = _gathered(z) * grid.cell_area
    shapes = {f.field_id: f.shape for f in demo_rows.place_fields(land)}
    springs = demo_springs(16, 3.0, 1)
    assert [s.field_id for s in springs] == ["F07", "F09", "F13", "F14", "F15"]
    for s in springs:
        row, col = int((grid.north - s.y) / grid.cell_y), int((s.x - grid.west) / grid.cell_x)
        near = area[row - 3 : row + 4, col - 3 : col + 4].max()
        inside = geometry_mask([shapes[s.field_id]], z.shape, grid.transform, invert=True)
        assert near > 3000.0  # m²: a third of a hectare above a few steps of slope
        assert near >= np.quantile(area[inside], 0.98)


def _gathered(z: Any) -> Any:
    """Cells that drain through each cell, itself included: priority flood, then steepest of eight."""
    rows, cols = z.shape
    filled, order = z.copy(), []
    edge = [(r, c) for r in range(rows) for c in range(cols) if r in (0, rows - 1) or c in (0, cols - 1)]
    queue = [(z[r, c], r, c) for r, c in edge]
    seen = np.zeros(z.shape, dtype=bool)
    for r, c in edge:
        seen[r, c] = True
    heapq.heapify(queue)
    into: dict[tuple[int, int], tuple[int, int]] = {}
    while queue:
        level, r, c = heapq.heappop(queue)
        order.append((r, c))
        for i in range(max(0, r - 1), min(rows, r + 2)):
            for j in range(max(0, c - 1), min(cols, c + 2)):
                if not seen[i, j]:
                    seen[i, j] = True
                    filled[i, j] = max(z[i, j], level + 1e-6)
                    heapq.heappush(queue, (filled[i, j], i, j))
    for r, c in order:
        best = 0.0
        for i in range(max(0, r - 1), min(rows, r + 2)):
            for j in range(max(0, c - 1), min(cols, c + 2)):
                fall = filled[r, c] - filled[i, j]
                if fall > 0 and fall / np.hypot(i - r, j - c) > best:
                    best, into[r, c] = fall / np.hypot(i - r, j - c), (i, j)
    area = np.ones(z.shape)
    for r, c in reversed(order):
        if (r, c) in into:
            area[into[r, c]] += area[r, c]
    return area


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("many") / "many.gpkg"
    make_demo(path, fields=300, cell_m=2.0)
    return path


def test_three_hundred_fields_in_farms(many: Path) -> None:
    parcels = gpd.read_file(many, layer="parcels")
    assert len(parcels) == 300
    assert parcels.field_id.is_unique
    assert parcels.geometry.is_valid.all()
    assert parcels.groupby("farm").size().max() <= 40
    assert parcels.farm.nunique() == 8
    pairs = parcels.sindex.query(parcels.geometry, predicate="overlaps")
    assert pairs.shape[1] == 0
    assert parcels.first_pass.nunique() > 30  # filled in from each field's own land
    assert parcels.name.nunique() > 200


def test_the_grid_grows_with_the_fields(many: Path, tmp_path: Path) -> None:
    with rasterio.open(f"GPKG:{many}:dem") as dem:
        assert dem.res == (2.0, 2.0)
        assert dem.shape == (4 * 450, 5 * 500)  # 19 stretches of valley in four rows of five
        west = dem.read(1, window=((900, 940), (0, 500)))
        east = dem.read(1, window=((900, 940), (500, 1000)))
        seam = dem.read(1, window=((0, 1800), (496, 504)))
    assert np.abs(east - west).max() > 5.0  # no two stretches alike
    assert np.abs(np.diff(seam, axis=1)).max() < 6.0  # and no cliff where they meet
    make_demo(tmp_path / "few.gpkg", fields=5, cell_m=5.0)
    few = gpd.read_file(tmp_path / "few.gpkg", layer="parcels")
    assert list(few.field_id) == ["F01", "F02", "F03", "F04", "F05"]
    with rasterio.open(f"GPKG:{tmp_path / 'few.gpkg'}:dem") as dem:
        assert dem.shape == (180, 200)


def test_neighbouring_stretches_meet_without_a_step() -> None:
    """Along the seams between stretches, heights half a metre apart differ by no more than a slope makes them."""
    land = Land(32, 1.0, 1)
    second = land.stretches[1]
    for v in range(-420, 430, 10):
        x0, y0 = land.on_map(second, Spot(-0.3, float(v)))
        x1, y1 = land.on_map(second, Spot(0.3, float(v)))
        z = land.heights_at(np.array([x0, x1]), np.array([y0, y1]))
        assert abs(z[1] - z[0]) < 0.6, v
