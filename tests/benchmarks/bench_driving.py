"""How long tilt and zones take, against GDAL's slope on the same terrain.

Run as `python tests/benchmarks/bench_driving.py`; needs gdal-bin and about 2 GB under /tmp. On the model of 64
million cells and 800 parcels that `bench_terrain.py` makes, it times in alternating runs of whole processes:

  slope            `gdaldem slope -p` over the model
  zones            heights read window by window; drops, two hazards, tilt and zones of every parcel for 4 machines
                   on 5 grounds with 2 drivers, in one process
  zones, two       the same in two processes, as a build on two cores does it
  zones and moves  the same, with ways in and turning (shown apart, without a limit)

and on a square of the model written without compression, read through the page cache:

  slope, mapped    `gdaldem slope -p`
  stance, mapped   tilt of one machine on every cell (shown, without a limit)

Zones may take at most four times as long as the slope of the same terrain, on two cores as a build takes them by
default; what one process needs is shown beside it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import bench_driving_sides as sides
import bench_terrain_sides
from timing import Contender, alternate, largest_mb, median_cpu, median_seconds

MOST_RATIO = 4.0


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    options.add_argument("--cells", type=int, default=8000, help="rows and columns of the model")
    options.add_argument("--parcels", type=int, default=800)
    options.add_argument("--mapped", type=int, default=3000, help="rows and columns of the uncompressed square")
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--folder", type=Path, default=Path("/tmp/field-atlas-bench"))
    given = options.parse_args()
    case = bench_terrain_sides.make_case(given.folder / "large", given.cells, given.parcels)
    square = sides.make_square(case, given.mapped)
    contenders = [
        Contender("slope", (_gdal(case.dem, case.slope),)),
        Contender("zones", (_side("zones", case.folder),)),
        Contender("zones, two", (_side("halves", case.folder),)),
        Contender("zones and moves", (_side("moves", case.folder),)),
        Contender("slope, mapped", (_gdal(square, square.with_suffix(".slope.tif")),)),
        Contender("stance, mapped", (_side("stance", case.folder),)),
    ]
    runs = alternate(contenders, given.rounds, given.folder / "log.txt")
    print(f"{'':20}{'median s':>10}{'cpu s':>10}{'peak MB':>10}")
    for name, found in runs.items():
        print(f"{name:20}{median_seconds(found):10.2f}{median_cpu(found):10.2f}{largest_mb(found):10.0f}")
    slope = median_seconds(runs["slope"])
    ratio = median_seconds(runs["zones, two"]) / slope
    print(f"zones, two processes / slope {ratio:.2f} (at most {MOST_RATIO})")
    print(f"zones, one process / slope {median_seconds(runs['zones']) / slope:.2f}")
    print(f"zones and moves / slope {median_seconds(runs['zones and moves']) / slope:.2f}")
    mapped = median_seconds(runs["stance, mapped"]) / median_seconds(runs["slope, mapped"])
    print(f"stance / slope on the same cells {mapped:.2f}")
    good = ratio <= MOST_RATIO
    print("within the limits" if good else "NOT within the limits")
    return 0 if good else 1


def _side(*arguments: str | Path) -> tuple[str, ...]:
    return (sys.executable, str(Path(sides.__file__)), *map(str, arguments))


def _gdal(dem: Path, slope: Path) -> tuple[str, ...]:
    return ("gdaldem", "slope", "-q", "-p", "-alg", "Horn", str(dem), str(slope))


if __name__ == "__main__":
    sys.exit(main())
