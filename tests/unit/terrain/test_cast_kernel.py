"""What lines of sight meet, held to the plain reading on grids of odd sizes with gaps, cliffs and ends."""

from __future__ import annotations

import math

import numpy as np
import pytest

from atlas.grid import Bytes, Floats
from atlas.terrain.cast_kernel import BEYOND, GAP, GROUND, HIDDEN_M, HIDDEN_SHARE, SKY, cast, cast_plain
from atlas.terrain.view_kernel import OFF, heights_plain

EVERY, COLS = 0.5, 24
PLACES = np.array([[-6.0, 7.0, 1.0, 1.0], [-15.0, 14.0, 2.0, 2.0], [-42.0, 41.0, 8.0, 8.0]])
Given = tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, float, float, int, Bytes, Floats]


def land(draw: np.random.Generator, rows: int, cols: int, rough: float, gaps: float) -> Floats:
    z = draw.normal(0, rough, (rows, cols)) + 3.0 * np.arange(cols)[None, :] / max(cols, 1)
    if cols > 4:
        z[:, cols // 2 :] += draw.choice([-6.0, 0.0, 6.0])  # a cliff
    z[draw.random((rows, cols)) < gaps] = np.nan
    return z


def given_by(seed: int, sizes: tuple[tuple[int, int], ...], gaps: float, rows: int) -> Given:
    draw = np.random.default_rng(seed)
    near, middle, far = (land(draw, r, c, 0.4, gaps) for r, c in sizes)
    eye = np.array([draw.uniform(-2, 2), draw.uniform(-2, 2), draw.uniform(1, 4)])
    azimuths = np.concatenate([np.radians([0.0, 90.0, 180.0, 270.0]), draw.uniform(-7, 7, COLS - 4)])
    distances = np.concatenate([np.arange(1, 40) * EVERY, 19.5 + np.arange(1, 30) * 1.5])
    top = draw.uniform(0.3, 1.2)
    inside = (draw.random((9, 11)) < 0.7).astype(np.uint8)
    place = np.array([-5.0, 5.0, 1.0, 1.0])
    return (near, middle, far, PLACES, eye, azimuths, distances, top, 1.7 / max(rows, 1), rows, inside, place)


SIZES = (
    ((13, 12), (15, 15), (11, 10)),
    ((13, 12), (1, 1), (11, 10)),
    ((0, 0), (15, 15), (11, 10)),
    ((1, 12), (15, 2), (3, 3)),
    ((13, 12), (0, 5), (0, 0)),
    ((2, 2), (2, 2), (2, 2)),
    ((1, 1), (1, 1), (1, 1)),
    ((0, 0), (0, 0), (0, 0)),
)


@pytest.mark.parametrize("sizes", SIZES)
@pytest.mark.parametrize("gaps", [0.0, 0.02, 0.3])
@pytest.mark.parametrize("rows", [1, 7, 90])
def test_a_cast_is_its_plain_reading(sizes: tuple[tuple[int, int], ...], gaps: float, rows: int) -> None:
    for seed in range(5):
        given = given_by(seed, sizes, gaps, rows)
        fast, plain = cast(*given), cast_plain(*given)
        for a, b in zip(fast[:5], plain[:5], strict=True):
            np.testing.assert_allclose(np.asarray(a), np.asarray(b), rtol=1e-12)
        assert set(zip(fast[5].tolist(), fast[6].tolist(), strict=True)) == plain[5]
        same_by_steps(given)


def test_the_cases_show_all_there_is() -> None:
    """Sky, ground, gaps and what lies past the heights, cells and ridges: none of it is left out above."""
    found = [cast(*given_by(seed, SIZES[0], gaps, 90)) for seed in range(5) for gaps in (0.0, 0.02)]
    kinds = {int(kind) for one in found for kind in np.unique(one[1])}
    assert kinds >= {GROUND, GAP, BEYOND}
    assert all(one[5].size and one[7].size for one in found)
    given = given_by(1, SIZES[0], 0.0, 90)
    short = cast(*given[:6], np.arange(1.0, 9.0) * EVERY, *given[7:])
    assert set(np.unique(short[1])) >= {SKY, GROUND}


def test_a_picture_with_more_to_it_than_there_was_room_for() -> None:
    """The same directions over and over: each time the same is found, however often room had to be made."""
    given, times = given_by(3, SIZES[0], 0.02, 90), 2000
    round_and_round: Given = (*given[:5], np.tile(given[5], times), *given[6:])
    once, often = cast(*given), cast(*round_and_round)
    assert once[5].size * times > 2**16
    assert len(once[7]) * times > 2**12
    for a, b in zip(once[:5], often[:5], strict=True):
        np.testing.assert_array_equal(np.tile(np.asarray(a), times), b)
    wide = COLS * times
    pixels = [(once[5] // COLS) * wide + turn * COLS + once[5] % COLS for turn in range(times)]
    np.testing.assert_array_equal(often[5], np.concatenate(pixels))
    np.testing.assert_array_equal(often[6], np.tile(once[6], times))
    ridges = [once[7] + [turn * COLS, 0.0, 0.0, 0.0] for turn in range(times)]
    np.testing.assert_array_equal(often[7], np.concatenate(ridges))


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_gradients_on_the_edges_of_rows(sign: float) -> None:
    """Ground whose angle falls on the very edge or middle of a row: the arctangent decides, not the table."""
    step, rows = 0.01, 60
    distances = np.arange(1.0, 41.0)
    top = sign * 0.1 + 0.3
    angles = top - np.arange(80, 0, -2)[: distances.size] * step / 2  # edges and middles by turns
    angles[::3] -= step / 2
    z = np.zeros((4, 43))
    z[:, 2:-1] = np.maximum.accumulate(np.tan(angles))[None, :] * distances[None, :]
    place = np.array([-1.5, 2.0, 1.0, 1.0])
    none = np.zeros((0, 0))
    eye = np.array([0.0, 0.0, 0.0])
    inside = np.ones(z.shape, dtype=np.uint8)
    places = np.array([place, place, place])
    given = (z, none, none, places, eye, np.array([math.pi / 2]), distances, top, step, rows, inside, place)
    same_by_steps(given)
    assert (cast(*given)[1] == GROUND).sum() > 30


def same_by_steps(given: Given) -> None:
    """The very numbers, and in the same order, that an arctangent at every step gives."""
    near, middle, far, places, eye, azimuths, distances, top, step, rows, inside, place = given
    fast, cols = cast(*given), azimuths.size
    depth, kind = np.full((rows, cols), np.nan, dtype=np.float32), np.zeros((rows, cols), dtype=np.uint8)
    pairs: list[tuple[int, int]] = []
    ridges: list[tuple[float, float, float, float]] = []
    for col, azimuth in enumerate(azimuths.tolist()):
        xs, ys = eye[0] + distances * math.sin(azimuth), eye[1] + distances * math.cos(azimuth)
        heights = heights_plain(near, middle, far, places, xs, ys)
        steepest, angle, empty, gap, crest, last = -math.inf, -math.pi / 2, rows - 1, False, 0.0, (-1, -1)
        for k, (h, d) in enumerate(zip(heights.tolist(), distances.tolist(), strict=True)):
            if h == OFF or math.isnan(h):
                gap = True
                kind[:, col] = BEYOND * (np.arange(rows) <= empty) + kind[:, col] * (np.arange(rows) > empty)
                if h == OFF:
                    break
                continue
            if (h - eye[2]) / d > steepest:
                if crest > 0 and d - crest > max(HIDDEN_M, HIDDEN_SHARE * d) and not gap:
                    ridges.append((col + 0.5, (top - angle) / step, crest, d))
                low = min(rows - 1, math.floor((top - angle) / step))
                steepest, crest = (h - eye[2]) / d, d
                angle = math.atan(steepest)
                while empty >= max(0, math.ceil((top - angle) / step - 0.5)):
                    kind[empty, col], depth[empty, col] = (GAP, np.nan) if gap else (GROUND, d)
                    empty -= 1
                c, r = math.floor((xs[k] - place[0]) / place[2]), math.floor((place[1] - ys[k]) / place[3])
                if 0 <= r < inside.shape[0] and 0 <= c < inside.shape[1] and inside[r, c] and not gap:
                    for row in range(max(0, math.floor((top - angle) / step)), low + 1):
                        pair = (row * cols + col, r * inside.shape[1] + c)
                        if pair != last:
                            pairs.append(pair)
                        last = pair
            gap = False
        assert (fast[2][col], fast[3][col]) == (angle, crest)
    np.testing.assert_array_equal(fast[0], depth)
    np.testing.assert_array_equal(fast[1], kind)
    assert list(zip(fast[5].tolist(), fast[6].tolist(), strict=True)) == pairs
    np.testing.assert_array_equal(fast[7], np.array(ridges).reshape(-1, 4))
