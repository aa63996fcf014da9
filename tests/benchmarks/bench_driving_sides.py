"""The processes that `bench_driving.py` times, on the case that `bench_terrain_sides.py` makes."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import rasterio
from bench_terrain_sides import Case
from rasterio.windows import Window

if TYPE_CHECKING:
    from shapely.geometry import MultiPolygon, Polygon

    from atlas.driving.records import TaggedHazard
    from atlas.grid import Heights
    from atlas.settings import Settings
    from atlas.terrain.figures import TerrainSurvey

    Field = Polygon | MultiPolygon

NOT_TIMED = "bar_mower"  # four machines


def make_square(case: Case, cells: int) -> Path:
    """The model's first rows and columns, uncompressed, for readers that map the file."""
    path = case.folder / "square.tif"
    if path.exists():
        return path
    with rasterio.open(case.dem) as source:
        z = source.read(1, window=Window(0, 0, cells, cells))
        profile = {
            "driver": "GTiff", "width": cells, "height": cells, "count": 1, "dtype": "float32",
            "crs": source.crs, "transform": source.transform, "nodata": source.nodata,
        }  # fmt: skip
    with rasterio.open(path, "w", **profile) as sink:
        sink.write(z, 1)
    np.save(case.folder / "square.npy", z)
    return path


def fields(case: Case, settings: Settings, share: int = 0, of: int = 1) -> Iterator[tuple[Field, Heights]]:
    """Each parcel (or each `of`-th, from `share` on) with its heights, read with the margin the pipeline reads."""
    import fiona
    from shapely.geometry import MultiPolygon, Polygon
    from shapely.geometry import shape as as_shape

    from atlas.grid import Bounds, Grid, Heights
    from atlas.survey import margin_m

    with fiona.open(case.parcels) as layer:
        shapes = [as_shape(feature.geometry) for feature in layer][share::of]
    with rasterio.Env(GDAL_CACHEMAX=64_000_000), rasterio.open(case.dem) as source:
        t = source.transform
        grid = Grid(source.crs, t.c, t.f, t.a, -t.e, source.height, source.width)
        for shape in shapes:
            assert isinstance(shape, Polygon | MultiPolygon)
            cells = grid.window(Bounds(*shape.bounds), margin_m(settings))
            z = source.read(1, window=Window(cells.col, cells.row, cells.cols, cells.rows)).astype(np.float64)
            z[z == source.nodata] = np.nan
            yield shape, Heights(grid.part(cells), z)


def terrain_of(shape: Field, heights: Heights) -> TerrainSurvey:
    """What zones need of a field's terrain: heights, gradient and coverage; nothing to draw."""
    from atlas.terrain.coverage import covered_fractions
    from atlas.terrain.figures import Contours, SlopeFigures, TerrainSurvey
    from atlas.terrain.slope import horn

    nothing = np.zeros((0, 0), dtype=np.uint8)
    figures = SlopeFigures(shape.area, 0.0, None, None, None, None, None, 0.0, (), None)
    covered = covered_fractions(shape, heights.grid).astype(np.float32)
    return TerrainSurvey(
        heights.grid, heights.z, horn(heights), covered, nothing, figures, Contours(1.0, ()), nothing, None
    )


def zones(case: Case, *, moves: bool, share: int = 0, of: int = 1) -> None:
    """Square metres per zone for every parcel (or each `of`-th), machine, ground and driver."""
    from atlas.driving.closing import closing
    from atlas.driving.machines import rig
    from atlas.driving.moving import Moves
    from atlas.driving.verdicts import stand, verdicts
    from atlas.farm.records import WayIn
    from atlas.settings import Settings

    settings = Settings()
    whole = rig(settings)
    machines = {key: m for key, m in whole.machines.items() if key != NOT_TIMED}
    four = type(whole)(machines, whole.grounds, whole.drivers, whole.shown)
    answers = []
    for shape, heights in fields(case, settings, share, of):
        terrain = terrain_of(shape, heights)
        tagged = two_hazards(shape)
        marked = [one.hazard for one in tagged]
        closed = closing(terrain, tagged, marked, machines.values(), settings, soaked=False)
        found = verdicts(terrain, closed, stand(terrain, four), four, settings)
        answers.append([v.area_m2.round(3).tolist() for v in found.values()])
        if moves:
            moved = Moves(terrain, [WayIn("g", "", None, None, False, "", shape.boundary.interpolate(0.0))])
            for (machine, _), v in found.items():
                answers[-1].extend(moved.of(machines[machine], zone).no_turn_m2 for zone in v.zone)
    (case.folder / f"zones-{share}-{of}.json").write_text(json.dumps(answers))


def zones_of_both_halves(case: Case) -> None:
    """The same in two processes, as a build on two cores does it."""
    halves = [subprocess.Popen([sys.executable, __file__, f"zones:{k}:2", str(case.folder)]) for k in range(2)]
    if any(half.wait() for half in halves):
        raise SystemExit(1)


def two_hazards(shape: Field) -> list[TaggedHazard]:
    """A wet spot and a bank inside the parcel, tagged but without the words of a sheet."""
    from shapely.geometry import Point

    from atlas.driving.records import TaggedHazard
    from atlas.farm.records import Hazard

    inside = shape.representative_point()
    beside = Point(inside.x + 15, inside.y - 10)
    marked = (
        Hazard("w", "wet_spot", 2, 5.0, 2.0, None, "", None, None, "", inside),
        Hazard("b", "unstable_bank", 2, 5.0, 2.0, 3.0, "", None, None, "", beside),
    )
    return [
        TaggedHazard(i, h, 0.0, 0.0, h.shape.x, h.shape.y, "", h.shape)  # type: ignore[attr-defined]  # points
        for i, h in enumerate(marked, start=1)
    ]


def stance_of_square(case: Case) -> None:
    """Tilt of one machine on every cell of the square, mapped into memory, strip by strip."""
    from rasterio.crs import CRS

    from atlas.grid import Grid, Heights
    from atlas.terrain.slope import horn
    from atlas.terrain.stance import stance

    z = np.load(case.folder / "square.npy", mmap_mode="r")
    rows, cols = z.shape
    out = np.lib.format.open_memmap(case.folder / "stance.npy", "w+", np.float32, (2, rows, cols))
    strip, beyond = 256, 4
    for top in range(0, rows, strip):
        first, last = max(0, top - beyond), min(rows, top + strip + beyond)
        grid = Grid(CRS.from_epsg(25832), 0.0, 0.0, 1.0, 1.0, last - first, cols)
        heights = Heights(grid, z[first:last].astype(np.float64))
        everywhere = np.ones(grid.shape, dtype=np.float32)
        found = stance(heights.z, horn(heights), everywhere, track_m=1.9, wheelbase_m=2.2)
        keep = slice(top - first, top - first + min(strip, rows - top))
        out[0, top : top + strip], out[1, top : top + strip] = found.any_roll[keep], found.fall_stance[keep]


if __name__ == "__main__":
    wanted, *part = sys.argv[1].split(":")
    given = Case(Path(sys.argv[2]))
    if wanted == "stance":
        stance_of_square(given)
    elif wanted == "halves":
        zones_of_both_halves(given)
    else:
        share, of = (int(part[0]), int(part[1])) if part else (0, 1)
        zones(given, moves=wanted == "moves", share=share, of=of)
