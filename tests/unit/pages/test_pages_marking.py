"""What a sheet knows for marking in the field agrees with the farm's own sums and with the farm's own reader."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_sheet import made_context, made_survey

from atlas import words
from atlas.driving.hazards import distances, markings
from atlas.farm import marks, pictures
from atlas.farm.records import HAZARD_KINDS, HazardKind
from atlas.languages import speakers, speaking
from atlas.pages.context import PageContext
from atlas.pages.mark_phrases import MARK_PHRASES
from atlas.pages.marking import marking_data, marking_words
from atlas.survey import FieldSurvey


@pytest.fixture(scope="module")
def ctx() -> PageContext:
    return made_context()


@pytest.fixture(scope="module")
def survey(ctx: PageContext) -> FieldSurvey:
    return made_survey(ctx, east_m=60, north_m=50)


@pytest.mark.parametrize("kind", HAZARD_KINDS)
@pytest.mark.parametrize("severity", [1, 2, 3])
def test_the_device_closes_what_the_farms_sums_close(
    survey: FieldSurvey, ctx: PageContext, kind: HazardKind, severity: int
) -> None:
    """For a mark that says neither reach nor depth, as a tablet's; the distance is the sums' own."""
    knows = marking_data(survey, ctx)["kinds"][kind]
    one = survey.driving.hazards[0]
    reach = knows["reach"]
    hazard = replace(
        one.hazard,
        kind=kind,
        severity=severity,
        reach_m=reach,
        depth_m=None,
        unconfirmed=False,
        assumed=("reach_m",),
    )
    grid, machine = survey.terrain.grid, next(iter(ctx.rig.machines.values()))
    inside = np.flatnonzero(survey.terrain.covered > 0)
    near = distances(grid, inside, [replace(one, hazard=hazard)], ctx.settings, machine.half_extent_m)
    found = markings(inside.size, near, machine, ctx.settings, soaked=True)
    closes = knows["closes"] is not None and severity >= knows["closes"]
    assert bool(found.closed.any()) == closes
    if closes:
        far = reach + hazard.accuracy_m + machine.half_extent_m
        expected = np.zeros(inside.size, dtype=bool)
        expected[near[0].cells[near[0].metres <= far]] = True
        assert np.array_equal(found.closed > 0, expected)


def test_a_file_of_ours_stays_within_the_readers_bounds(survey: FieldSurvey, ctx: PageContext) -> None:
    file, picture = (marking_data(survey, ctx)[part] for part in ("file", "picture"))
    assert file["format"] == marks.FORMAT
    assert file["bytes"] < marks.MOST_BYTES
    assert file["signs"] < marks.MOST_SIGNS
    assert file["features"] < marks.MOST_FEATURES
    assert file["pictures"] * picture["side"] ** 2 < pictures.Budget().pixels
    assert picture["characters"] < pictures.ENCODED_CHARACTERS


def test_every_kind_and_severity_has_its_word() -> None:
    with speaking(speakers(["en"])[0]):
        said = marking_words()
    assert said["kinds"] == words.HAZARDS
    assert said["severities"] == {"1": "boot prints stay", "2": "boot sinks", "3": "over the ankle"}
    assert set(MARK_PHRASES) <= set(said)


def test_markings_on_the_map_are_known_by_their_id(survey: FieldSurvey, ctx: PageContext) -> None:
    tags = marking_data(survey, ctx)["tags"]
    assert {v["tag"] for v in tags.values()} == {t.tag for t in survey.driving.hazards}
    for t in survey.driving.hazards:
        assert tags[t.hazard.hazard_id]["severity"] == t.hazard.severity
