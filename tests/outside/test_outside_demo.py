"""The demo farm before GDAL's GeoPackage checker, `osgeo_utils.samples.validate_gpkg` of Debian's python3-gdal."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from atlas.farm.demo import make_demo

COMMITTED = Path(__file__).parents[2] / "demo_gpkg" / "farm.gpkg"


@pytest.mark.parametrize("which", ["committed", "made now"])
def test_demo_passes_gdals_checker(which: str, tmp_path: Path) -> None:
    farm = COMMITTED
    if which == "made now":
        farm = tmp_path / "twenty.gpkg"
        make_demo(farm, fields=20, cell_m=5.0, seed=4)
    told = subprocess.run(
        ["/usr/bin/python3", "-m", "osgeo_utils.samples.validate_gpkg", str(farm)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "No module named" not in told.stderr, "GDAL's checker is missing: apt-get install python3-gdal"
    assert told.returncode == 0, told.stderr
