"""A build says which heights its verdicts rest on, what of that is stated and what is assumed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import quick_farm
from made import make_grid

from atlas import engine
from atlas.cli import main
from atlas.farm.heights_said import heights_sentence
from atlas.settings import Settings, parse

NOW = datetime(2026, 5, 3, 6, 0, tzinfo=UTC)


class Made:
    """As much of a terrain as the sentence asks for."""

    def __init__(self, source: str, date: str, cell_x: float = 1.0, cell_y: float | None = None) -> None:
        self.source, self.date = source, date
        self.grid = make_grid(10, 10, cell_x, cell_y)


@pytest.mark.parametrize(
    ("terrain", "told", "sentence"),
    [
        (
            Made("survey of the valley", "2024-04"),
            {"dem_sigma_m": 0.15},
            "Heights: survey of the valley, flown 2024-04, 1 m cells, uncertain by 0.15 m (stated).",
        ),
        (
            Made("not stated", "", 0.5),
            {},
            "Heights: source not stated, date not stated, 0.5 m cells, uncertain by 0.03 m (assumed, nobody has "
            "stated it).",
        ),
        (
            Made("", "", 0.5, 0.625),
            {"dem_sigma_m": 0.03},
            "Heights: source not stated, date not stated, 0.5 × 0.625 m cells, uncertain by 0.03 m (stated).",
        ),
    ],
)
def test_what_is_stated_and_what_is_not(terrain: Any, told: dict[str, Any], sentence: str) -> None:
    assert heights_sentence(terrain, parse({"terrain": told})) == sentence


def with_terrain(**told: Any) -> Settings:
    raw = quick_farm.settings().model_dump(exclude_unset=True)
    return parse({**raw, "terrain": told})


def test_stating_what_was_assumed_makes_a_new_map_that_says_so(small_farm_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "build"
    first = engine.build(small_farm_file, out, settings=with_terrain(), now=NOW, jobs=1)
    assert first.heights.endswith("uncertain by 0.03 m (assumed, nobody has stated it).")
    assert json.loads((out / "data" / "atlas.json").read_bytes())["terrain"]["sigma_assumed"] is True
    page = next((out / "fields").glob("*.html"))
    assert "assumed: nobody has stated it" in page.read_text("utf-8")
    second = engine.build(small_farm_file, out, settings=with_terrain(dem_sigma_m=0.03), now=NOW, jobs=1)
    assert (second.edition.number, second.unchanged) == (2, False)
    assert json.loads((out / "data" / "atlas.json").read_bytes())["terrain"]["sigma_assumed"] is False
    assert "assumed: nobody has stated it" not in page.read_text("utf-8")
    assert (
        engine.build(small_farm_file, out, settings=with_terrain(dem_sigma_m=0.03), jobs=1).heights
        == second.heights
    )


def test_the_command_says_it_last(
    small_farm_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "atlas.toml"
    settings.write_text("[print]\npdf = false\n[terrain]\nsource = 'a hill'\ndate = '2024'\n")
    command = ["build", str(small_farm_file), "--out", str(tmp_path / "build"), "--settings", str(settings)]
    for _ in range(2):  # also where nothing has changed
        main(command, standalone_mode=False)
        last = capsys.readouterr().out.splitlines()[-1]
        assert last.startswith("Heights: a hill, flown 2024, 1 m cells, uncertain by 0.03 m (assumed")
