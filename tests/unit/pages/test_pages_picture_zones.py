"""Which sign each cell of the map bears, and each pixel of the view from a way in."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
from made_sheet import made_context, made_survey
from test_pages_views import with_views

from atlas.driving.records import Zone
from atlas.pages.data_cells import Verdicts
from atlas.pages.data_kernel import CUT_OFF, NO_TURN
from atlas.pages.picture_zones import masks
from atlas.pages.signs import ON_PAPER, tiles
from atlas.pages.view_zones import zones_seen

OUTSIDE = 255


def test_ground_that_the_machine_does_not_get_to_bears_that_sign_alone() -> None:
    zone = [Zone.UP_DOWN, Zone.UP_DOWN, Zone.ANY_WAY, Zone.ON_FOOT, OUTSIDE]
    flags = [CUT_OFF | NO_TURN, NO_TURN, CUT_OFF, CUT_OFF, 0]
    cells = [np.array([row], dtype=np.uint8) for row in (zone, [0] * 5, flags)]
    found = {key: np.flatnonzero(mask[0]).tolist() for key, mask in masks(Verdicts(*cells)).items()}
    assert found == {
        "up_down": [1], "on_foot": [3], "keep_out": [], "unsurveyed": [], "cut_off": [0, 2], "no_turn": [1],
    }  # fmt: skip


def test_in_the_view_no_stroke_stands_on_ground_that_the_machine_does_not_get_to() -> None:
    survey = with_views(made_survey(made_context()))
    view, terrain = survey.views.seen[0].view, survey.terrain
    everywhere = np.ones(terrain.grid.shape, dtype=np.uint8)
    there = replace(survey.driving.drives[0], zone=everywhere * np.uint8(Zone.UP_DOWN), cut_off=everywhere * 0)
    open_ground, lost = (
        str(zones_seen(view, drive, terrain.gradient)) for drive in (there, replace(there, cut_off=everywhere))
    )
    assert 'd="M' in open_ground[open_ground.index('class="plumb"') :]
    assert 'd="M' not in lost[lost.index('class="plumb"') :]
    assert 'class="view-zone up_down"' in open_ground
    assert 'class="view-zone up_down"' not in lost


def test_a_few_cells_without_a_way_in_do_not_lie_between_two_lines_of_their_sign() -> None:
    """A patch without any line would look like open ground."""
    found = re.search(r'<pattern id="cut_off"[^>]* width="([\d.]+)" height="([\d.]+)"', str(tiles("", ON_PAPER)))
    assert found
    assert max(float(side) for side in found.groups()) <= 2.0  # mm on paper
