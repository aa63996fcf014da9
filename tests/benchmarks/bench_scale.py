"""Whole atlases from 20 to 10,000 fields and on cells of half a metre to two: time, memory, and beside what.

Run as `python tests/benchmarks/bench_scale.py`; needs gdal-bin, some 12 GB under /tmp and, for the 10,000 fields,
over an hour of a quiet machine. Every farm is made on the spot and kept for the next run; then, for each:

  build     `field-atlas build` into an empty folder, pages and PDF
  mark      `field-atlas build` again after one `field-atlas mark`
  terrain   slope classes of every field, from the farm file to square metres, in one process
  general   `gdaldem slope`, classes written block by block, exactextract, on the same heights
  read      the windows of heights that a survey reads, read bare

The last four are alternated in one run. Prints a table; `--write` puts it into DEVELOPERS.md between its marks.
What was measured of the code as it stands is kept, so that a run that was cut off goes on where it was; `--anew`
measures again. Fails where memory, time per field or the ratio has left its bound.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import bench_scale_sides as sides
import fiona
import rasterio
from shapely.geometry import shape
from watching import Watched, watched

from atlas.editions.keys import code_digest

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(sides.__file__)
COMMAND = [sys.executable, "-m", "atlas.cli"]
# fields, cell in metres
CASES = ((20, 1.0), (200, 0.5), (200, 1.0), (200, 2.0), (800, 1.0), (2000, 1.0), (10_000, 1.0))
MOST_MB, MOST_GROWTH, MOST_BEND, MOST_RATIO = 700.0, 0.20, 0.15, 6.0
BEGIN, END = "<!-- whole atlases: begin -->", "<!-- whole atlases: end -->"


@dataclass(frozen=True)
class Row:
    """Seconds are medians; memory is the peak of the main process and of whichever process held most, MB."""

    fields: int
    cell_m: float
    cells: int  # of the whole model
    farm_mb: float
    atlas_mb: float
    build_s: float
    build_cpu_s: float
    main_mb: float
    largest_mb: float
    mark_s: float
    terrain_s: float
    general_s: float
    read_s: float


def main() -> int:
    options = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    options.add_argument("--least", type=int, default=20, help="leave out farms of fewer fields")
    options.add_argument("--most", type=int, default=10_000, help="leave out farms of more fields")
    options.add_argument("--rounds", type=int, default=3, help="of what is alternated; from 2,000 fields on once")
    options.add_argument("--folder", type=Path, default=Path("/tmp/field-atlas-bench/scale"))
    options.add_argument("--anew", action="store_true", help="measure again what is kept from a run before")
    options.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    given = options.parse_args()
    rows = []
    for fields, cell_m in CASES:
        if given.least <= fields <= given.most:
            file = given.folder / f"{fields}-{cell_m:g}" / f"row-{code_digest()[:16]}.json"
            if given.anew or not file.exists():
                row = measure(fields, cell_m, given.rounds if fields < 2000 else 1, given.folder)
                file.write_text(json.dumps(asdict(row)))
            rows.append(Row(**json.loads(file.read_text())))
    text = table(rows)
    print(text)
    if given.write:
        write(text, ROOT / "DEVELOPERS.md")
    broken = bounds(rows)
    print("\n".join(broken) or "within the limits")
    return 1 if broken else 0


def measure(fields: int, cell_m: float, rounds: int, folder: Path) -> Row:
    """One farm, everything. Raises RuntimeError where a command fails."""
    place = folder / f"{fields}-{cell_m:g}"
    place.mkdir(parents=True, exist_ok=True)
    log, kept, farm, out = place / "log.txt", place / "kept.gpkg", place / "farm.gpkg", place / "build"
    if not kept.exists():
        made = place / "made.gpkg"
        made.unlink(missing_ok=True)
        watched([*COMMAND, "demo", str(made), "--fields", str(fields), "--cell", str(cell_m)], log)
        made.rename(kept)
    shutil.copy(kept, farm)
    for old in place.glob("build*"):
        shutil.rmtree(old)
    builds = []
    for turn in range(rounds):
        builds.append(watched([*COMMAND, "build", str(farm), "--out", str(place / f"build{turn}")], log))
        print(f"  {fields} fields, {cell_m:g} m: build {builds[-1].seconds:.1f} s", file=sys.stderr, flush=True)
    (place / "build0").rename(out)
    times: dict[str, list[float]] = {"mark": [], "terrain": [], "general": [], "read": []}
    runs: dict[str, Callable[[], float]] = {
        "mark": lambda: _after_mark(farm, out, len(times["mark"]), log),
        "terrain": lambda: _side("terrain", log, kept).seconds,
        "general": lambda: _general(kept, place, log),
        "read": lambda: _side("read", log, kept).seconds,
    }
    for _ in range(rounds):
        for name, run in runs.items():
            times[name].append(run())
            print(f"  {fields} fields, {cell_m:g} m: {name} {times[name][-1]:.2f} s", file=sys.stderr, flush=True)
    with rasterio.open(sides.model_of(kept)) as model:
        cells = model.width * model.height
    of = {name: statistics.median(found) for name, found in times.items()}
    row = Row(
        fields, cell_m, cells, kept.stat().st_size / 1e6, _size_mb(out),
        statistics.median(b.seconds for b in builds), statistics.median(b.cpu_seconds for b in builds),
        max(b.main_mb for b in builds), max(b.largest_mb for b in builds),
        of["mark"], of["terrain"], of["general"], of["read"],
    )  # fmt: skip
    for big in (*place.glob("build*"), place / "slope.tif", place / "classes.tif", farm):
        shutil.rmtree(big) if big.is_dir() else big.unlink()
    return row


def _side(name: str, log: Path, *paths: Path) -> Watched:
    return watched([sys.executable, str(HERE), name, *map(str, paths)], log)


def _general(farm: Path, place: Path, log: Path) -> float:
    """Seconds of GDAL's slope, classes and exactextract, one after the other."""
    slope, classes = place / "slope.tif", place / "classes.tif"
    command = ["gdaldem", "slope", "-q", "-p", "-alg", "Horn", "-co", "TILED=YES", "-co", "BIGTIFF=IF_SAFER"]
    spent = watched([*command, sides.model_of(farm), str(slope)], log).seconds
    spent += _side("classify", log, slope, classes).seconds
    return spent + _side("areas", log, classes, farm).seconds


def _after_mark(farm: Path, out: Path, turn: int, log: Path) -> float:
    with fiona.open(farm, layer="parcels") as layer:
        rows = list(layer)
    inside = shape(rows[(turn * 37 + 5) % len(rows)].geometry).representative_point()
    place = f"{inside.x:.2f},{inside.y:.2f}"
    marked = [*COMMAND, "mark", str(farm), "slip", "--at", place, "--reach", "1", "--by", "Runa Telk"]
    subprocess.run(marked, check=True, capture_output=True)
    return watched([*COMMAND, "build", str(farm), "--out", str(out)], log).seconds


def _size_mb(folder: Path) -> float:
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e6


def bounds(rows: list[Row]) -> list[str]:
    """What has left its bound, a line each."""
    at_1m = {r.fields: r for r in rows if r.cell_m == 1.0}
    broken = []
    if 200 in at_1m and max(at_1m) > 200:
        base, top = at_1m[200], at_1m[max(at_1m)]
        if top.largest_mb > base.largest_mb * (1 + MOST_GROWTH):
            broken.append(f"memory grows with the fields: {base.largest_mb:.0f} MB to {top.largest_mb:.0f} MB")
        if top.largest_mb > MOST_MB:
            broken.append(f"{top.fields} fields take {top.largest_mb:.0f} MB, more than {MOST_MB:.0f}")
        bend = top.build_s / top.fields / (base.build_s / base.fields)
        if abs(bend - 1) > MOST_BEND:
            broken.append(
                f"time is not linear: a field of {top.fields} takes {bend:.2f} times one of {base.fields}"
            )
    for row in rows:
        if row.fields == 800 and row.build_s > MOST_RATIO * row.general_s:
            broken.append(f"whole atlas of 800 fields: {row.build_s / row.general_s:.1f} times the general way")
    return broken


def table(rows: list[Row]) -> str:
    """The rows in Markdown, with the machine they were measured on."""
    head = (
        "fields", "cell, m", "farm file, MB", "build, s", "ms a field", "s per million cells",
        "peak, MB (main, any)",
        "after one mark, s", "terrain, s", "general, s", "bare reading, s", "build : general", "terrain : general",
        "terrain : reading", "atlas, MB",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for r in rows:
        cells = (
            f"{r.fields:,}", f"{r.cell_m:g}", f"{r.farm_mb:,.0f}", f"{r.build_s:,.1f}",
            f"{1000 * r.build_s / r.fields:.0f}", f"{r.build_s / (r.cells / 1e6):.2f}",
            f"{r.main_mb:.0f}, {r.largest_mb:.0f}", f"{r.mark_s:.1f}", f"{r.terrain_s:.1f}", f"{r.general_s:.1f}",
            f"{r.read_s:.1f}", f"{r.build_s / r.general_s:.1f}", f"{r.terrain_s / r.general_s:.2f}",
            f"{r.terrain_s / r.read_s:.1f}", f"{r.atlas_mb:,.0f}",
        )  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join([_machine(), "", *lines])


def _machine() -> str:
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    model = next(
        (x.split(":")[1].strip() for x in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in x), ""
    )
    gdal = subprocess.run(["gdalinfo", "--version"], capture_output=True, text=True, check=True).stdout.split(",")[
        0
    ]
    return (
        f"{os.cpu_count()} cores ({model or platform.machine()}), {memory:.0f} GiB, {platform.system()}, "
        f"Python {platform.python_version()}, {gdal}."
    )


def write(text: str, page: Path) -> None:
    """Put the table between its marks. Raises ValueError where the page has none."""
    before, _, rest = page.read_text().partition(BEGIN)
    _, found, after = rest.partition(END)
    if not found:
        raise ValueError(f"{page} has no place for the table")
    page.write_text(f"{before}{BEGIN}\n{text}\n{END}{after}")


if __name__ == "__main__":
    sys.exit(main())
