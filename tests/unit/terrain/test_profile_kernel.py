"""The flood behind the way down, held to the library's heap on ground with many equal heights."""

from __future__ import annotations

import heapq

import numpy as np
import pytest

from atlas.grid import Floats, Mask
from atlas.terrain.profile_kernel import flood


@pytest.mark.parametrize("shape", [(0, 0), (1, 1), (1, 9), (7, 1), (13, 17), (40, 31)])
@pytest.mark.parametrize("steps", [1, 3, 1000])
def test_water_rises_in_the_order_of_the_librarys_heap(shape: tuple[int, int], steps: int) -> None:
    for seed in range(4):
        draw = np.random.default_rng(seed)
        z = np.floor(draw.random(shape) * steps)
        inside = draw.random(shape) < 0.85
        level, came, order = flood(z, inside)
        wanted = flood_plain(z, inside)
        assert list(zip(order.tolist(), level[order].tolist(), came[order].tolist(), strict=True)) == wanted
        assert order.size == inside.sum()


def flood_plain(z: Floats, inside: Mask) -> list[tuple[int, float, int]]:
    """Cells in the order reached, the level of each, and where it was reached from."""
    rows, cols = z.shape
    padded = np.pad(inside, 1)
    edge = inside & ~(padded[:-2, 1:-1] & padded[2:, 1:-1] & padded[1:-1, :-2] & padded[1:-1, 2:])
    heap = [(float(z.flat[i]), int(i), -1) for i in np.flatnonzero(edge)]
    heapq.heapify(heap)
    known = set(np.flatnonzero(edge).tolist())
    out = []
    while heap:
        high, i, came = heapq.heappop(heap)
        out.append((i, high, came))
        for r in range(max(0, i // cols - 1), min(rows, i // cols + 2)):
            for c in range(max(0, i % cols - 1), min(cols, i % cols + 2)):
                j = r * cols + c
                if inside[r, c] and j not in known:
                    known.add(j)
                    heapq.heappush(heap, (max(high, float(z[r, c])), j, i))
    return out
