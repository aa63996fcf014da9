"""For every demo field, machine, ground and driver the first sentences agree with the figures."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from atlas.driving.causes import closed_causes, field_words
from atlas.driving.machines import rig
from atlas.driving.records import Drive, Zone
from atlas.driving.sentences import NEARLY, SHARES, SMALL_SHARE, area_words, where_not
from atlas.farm.demo import make_demo
from atlas.farm.farm import Farm
from atlas.farm.opening import open_farm
from atlas.settings import Settings
from atlas.survey import FieldSurvey, survey_field

NUMBERS = {text: value for value, text in SHARES} | {SMALL_SHARE: 0.0}
FIRST = re.compile(r"^Do not drive on ([a-z ]+) of this field \(([^)]+)\): (.+)\.$")


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    path: Path = tmp_path_factory.mktemp("demo") / "demo.gpkg"
    make_demo(path)
    return open_farm(path, Settings())


def test_sentences_of_every_demo_field_agree_with_its_figures(farm: Farm) -> None:
    settings = Settings()
    machines = rig(settings)
    drives = 0
    for parcel in farm.parcels:
        survey = survey_field(farm, parcel, settings, machines)
        assert {(d.machine, d.ground, d.driver) for d in survey.driving.drives} == {
            (m, g, d) for m in machines.machines for g in machines.grounds for d in machines.drivers
        }
        drives += agree(survey)
    assert drives == len(farm.parcels) * len(machines.machines) * len(machines.grounds) * len(machines.drivers)


def agree(survey: FieldSurvey) -> int:
    t = survey.terrain
    field = field_words(survey.parcel.shape, t.grid, t.covered, t.z, survey.driving.hazards)
    for drive in survey.driving.drives:
        told = where_not(field, drive)
        causes = closed_causes(field, drive)
        closed = drive.on_foot_m2 + drive.keep_out_m2 + drive.unsurveyed_m2
        whole = closed + drive.any_way_m2 + drive.up_down_m2
        assert sum(c.area_m2 for c in causes) == pytest.approx(closed, rel=1e-6, abs=0.01)
        lost = drive.cut_off_m2 or 0.0  # counts where hardly anything that is open is reached
        out = closed + lost if lost and lost >= NEARLY * (whole - closed) else closed
        match = FIRST.match(told[0])
        if match:
            assert abs(NUMBERS[match[1]] - out / whole) <= 0.1
            assert match[2] == area_words(out)
            assert not causes or causes[0].place in match[3] or causes[0].tags
        elif told[0].startswith("No ground"):
            assert out < 1.0
        else:
            assert out >= 0.999 * whole
        follows(told[1:], drive)
    return len(survey.driving.drives)


def follows(rest: tuple[str, ...], drive: Drive) -> None:
    """The second sentence speaks of straight up and down, turning and ways in only where the map has them."""
    text = " ".join(rest)
    assert len(rest) <= 1
    assert ("straight up or down" not in text) or (drive.zone == Zone.UP_DOWN).any()
    assert ("no room to turn" not in text) or drive.no_turn_m2 > 0
    assert ("no way in" not in text) or (drive.cut_off_m2 or 0) > 0
