"""How long terrain and class figures of many fields take, against GDAL's slope, classification and exactextract.

Run as `python tests/benchmarks/bench_terrain.py`; needs gdal-bin and about 1.5 GB under /tmp. It makes an invented
terrain model of 64 million cells and 800 irregular parcels, then times, in alternating runs of whole processes:

  shared    heights read window by window, `terrain_figures` of every parcel, in two processes, as a build of many
            fields shares them out over two cores
  ours      the same in one process
  general   `gdaldem slope -p` over the model, classes written block by block, exactextract per parcel

All end with a file of square metres per class for each parcel, and the files are compared. The bound is for the
two processes; one alone and processor time are told beside it, since the general tools use one core. A second
model with a quarter of the cells shows that our memory does not grow with the model.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import bench_terrain_sides as sides
import numpy as np
from timing import Contender, alternate, largest_mb, median_cpu, median_seconds

MOST_RATIO, MOST_MB, MOST_GROWTH_MB = 0.5, 600.0, 60.0


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    options.add_argument("--cells", type=int, default=8000, help="rows and columns of the model")
    options.add_argument("--parcels", type=int, default=800)
    options.add_argument("--rounds", type=int, default=5)
    options.add_argument("--folder", type=Path, default=Path("/tmp/field-atlas-bench"))
    given = options.parse_args()
    large = sides.make_case(given.folder / "large", given.cells, given.parcels)
    small = sides.make_case(given.folder / "small", given.cells // 2, given.parcels // 4)
    contenders = [
        Contender("shared", (_side("shared", large.folder),)),
        _ours("ours", large),
        _general(large),
        _ours("ours, a quarter of the cells", small),
    ]
    runs = alternate(contenders, given.rounds, given.folder / "log.txt")
    shared, ours, general, quarter = (runs[c.name] for c in contenders)
    ratio = median_seconds(shared) / median_seconds(general)
    alone = median_seconds(ours) / median_seconds(general)
    cpu = median_cpu(ours) / median_cpu(general)
    growth = largest_mb(ours) - largest_mb(quarter)
    print(f"{'':32}{'median s':>10}{'cpu s':>10}{'peak MB':>10}")
    for name, found in runs.items():
        print(f"{name:32}{median_seconds(found):10.2f}{median_cpu(found):10.2f}{largest_mb(found):10.0f}")
    print(f"ratio {ratio:.2f} (at most {MOST_RATIO}); one process {alone:.2f}, of its processor time {cpu:.2f}")
    print(f"growth with the model {growth:.0f} MB (at most {MOST_GROWTH_MB:.0f})")
    apart = max(_apart(large, side) for side in ("shared", "ours"))
    print(f"largest difference of a class area: {apart:.1e} of the parcel's area (at most 1e-3)")
    good = ratio <= MOST_RATIO and largest_mb(ours) <= MOST_MB and growth <= MOST_GROWTH_MB and apart <= 1e-3
    print("within the limits" if good else "NOT within the limits")
    return 0 if good else 1


def _side(*arguments: str | Path) -> tuple[str, ...]:
    return (sys.executable, str(Path(sides.__file__)), *map(str, arguments))


def _ours(name: str, case: sides.Case) -> Contender:
    return Contender(name, (_side("ours", case.folder),))


def _general(case: sides.Case) -> Contender:
    slope = ("gdaldem", "slope", "-q", "-p", "-alg", "Horn", str(case.dem), str(case.slope))
    tiled = ("-co", "TILED=YES")
    return Contender("general", ((*slope, *tiled), _side("classify", case.folder), _side("areas", case.folder)))


def _apart(case: sides.Case, side: str) -> float:
    ours = np.array(json.loads(case.answer(side).read_text()))
    general = np.array(json.loads(case.answer("areas").read_text()))
    area = ours.sum(axis=1, keepdims=True)
    return float((np.abs(ours - general) / area).max())


if __name__ == "__main__":
    sys.exit(main())
