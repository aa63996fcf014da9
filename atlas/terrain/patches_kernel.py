"""Small patches join their neighbours; its plain reading is `patches.merge_plain`."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Floats, Mask
from atlas.terrain.classes import UNKNOWN

Ints = npt.NDArray[np.int64]
Labels = npt.NDArray[np.int32]


@njit(cache=True)
def label(classes: Bytes, covered: Floats) -> tuple[Labels, int]:
    """Number the 4-connected patches of one class among covered cells, in reading order, (rows, cols), -1 outside;
    and how many there are."""
    rows, cols = classes.shape
    labels = np.empty((rows, cols), dtype=np.int32)
    same = np.empty(rows * cols, dtype=np.int32)  # provisional number to a smaller one of the same patch
    used = 0
    for r in range(rows):
        for c in range(cols):
            if covered[r, c] <= 0.0:
                labels[r, c] = -1
                continue
            kind = classes[r, c]
            north = labels[r - 1, c] if r > 0 and classes[r - 1, c] == kind else -1
            west = labels[r, c - 1] if c > 0 and classes[r, c - 1] == kind else -1
            if north < 0 and west < 0:
                labels[r, c] = same[used] = used
                used += 1
            elif north < 0 or west < 0 or north == west:
                labels[r, c] = max(north, west)
            else:
                a, b = north, west
                while same[a] != a:
                    a = same[a]
                while same[b] != b:
                    b = same[b]
                low = min(a, b)
                same[a] = same[b] = same[north] = same[west] = low
                labels[r, c] = low
    count = 0
    for i in range(used):  # a smaller number comes first, so it is final already
        if same[i] == i:
            same[i] = count
            count += 1
        else:
            same[i] = same[same[i]]
    for r in range(rows):
        for c in range(cols):
            if labels[r, c] >= 0:
                labels[r, c] = same[labels[r, c]]
    return labels, count


@njit(cache=True)
def find(parent: Ints, i: int) -> int:
    """The patch that patch i has joined by now."""
    root = i
    while parent[root] != root:
        root = parent[root]
    while parent[i] != root:
        parent[i], i = root, parent[i]
    return root


@njit(cache=True)
def list_borders(labels: Labels, small: Mask, cell_x: float, cell_y: float) -> tuple[Ints, Ints, Floats]:
    """Borders of the small patches, cell side by cell side: where each patch's list starts (patches + 1,), then
    neighbour and length of each entry."""
    rows, cols = labels.shape
    start = np.zeros(small.size + 1, dtype=np.int64)
    other = np.empty(0, dtype=np.int64)
    length = np.empty(0, dtype=np.float64)
    fill = start
    for counting in (True, False):
        for r in range(rows):
            for c in range(cols):
                a = labels[r, c]
                if a < 0:
                    continue
                for k in range(2):
                    rr, cc = r + k, c + 1 - k
                    if rr >= rows or cc >= cols:
                        continue
                    b = labels[rr, cc]
                    if b < 0 or b == a:
                        continue
                    for one, two in ((a, b), (b, a)):
                        if not small[one]:
                            continue
                        if counting:
                            start[one + 1] += 1
                        else:
                            other[fill[one]], length[fill[one]] = two, (cell_y if k == 0 else cell_x)
                            fill[one] += 1
        if counting:
            start = np.cumsum(start)
            other, length = np.empty(start[-1], dtype=np.int64), np.empty(start[-1], dtype=np.float64)
            fill = start.copy()
    return start, other, length


@njit(cache=True)
def merge(classes: Bytes, covered: Floats, cell_x: float, cell_y: float, least: float) -> Bytes:
    """Classes after joining patches that cover fewer than `least` cells, (rows, cols)."""
    labels, count = label(classes, covered)
    rows, cols = classes.shape
    area = np.zeros(count)
    kind = np.empty(count, dtype=np.uint8)
    for r in range(rows):
        for c in range(cols):
            if labels[r, c] >= 0:
                area[labels[r, c]] += covered[r, c]
                kind[labels[r, c]] = classes[r, c]
    small = (kind != UNKNOWN) & (area < least)  # no other patch is ever asked for its neighbours
    start, other, length = list_borders(labels, small, cell_x, cell_y)
    parent = join_small(area, kind, small, start, other, length, least)
    merged = classes.copy()
    for r in range(rows):
        for c in range(cols):
            if labels[r, c] >= 0:
                merged[r, c] = kind[find(parent, labels[r, c])]
    return merged


@njit(cache=True)
def join_small(
    area: Floats, kind: Bytes, small_at_first: Mask, start: Ints, other: Ints, length: Floats, least: float
) -> Ints:
    """Join patches under `least`, smallest first, then first in reading order; returns what each patch joined.

    `area` is used up. A patch that grew takes over the border lists of those it absorbed as a chain, not a copy.
    """
    n = area.size
    parent = np.arange(n)
    first = np.arange(n)
    chain_next = np.full(n, -1, dtype=np.int64)
    chain_last = np.arange(n)
    along = np.zeros(n)
    touched = np.empty(n, dtype=np.int64)
    heap = [(0.0, 0, 0)]
    heap.pop()
    for i in range(n):
        if small_at_first[i]:
            heapq.heappush(heap, (area[i], i, i))
    while len(heap) > 0:
        was, _, small = heapq.heappop(heap)
        if parent[small] != small or area[small] != was:
            continue
        met = _measure(small, parent, kind, start, other, length, chain_next, along, touched)
        best = -1
        for i in touched[:met]:
            if best < 0 or _before(i, best, along, kind, area, first):
                best = i
        for i in touched[:met]:
            along[i] = 0.0
        if best < 0:
            continue
        _absorb(best, small, parent, first, area, chain_next, chain_last)
        for i in touched[:met]:  # ground of the class it joined may now touch at last
            if i != best and kind[i] == kind[best]:
                _absorb(best, i, parent, first, area, chain_next, chain_last)
        if area[best] < least:
            heapq.heappush(heap, (area[best], first[best], best))
    return parent


@njit(cache=True)
def _measure(
    small: int,
    parent: Ints,
    kind: Bytes,
    start: Ints,
    other: Ints,
    length: Floats,
    chain_next: Ints,
    along: Floats,
    touched: Ints,
) -> int:
    """Border length with each neighbour of known slope into `along`; which ones, into the front of `touched`."""
    met = 0
    link = small
    while link >= 0:
        for k in range(start[link], start[link + 1]):
            beside = find(parent, other[k])
            if beside == small or kind[beside] == UNKNOWN:
                continue
            if along[beside] == 0.0:
                touched[met] = beside
                met += 1
            along[beside] += length[k]
        link = chain_next[link]
    return met


@njit(cache=True)
def _before(i: int, j: int, along: Floats, kind: Bytes, area: Floats, first: Ints) -> bool:
    """Whether patch i is the better neighbour: longer border, then steeper, then larger, then first in order."""
    if abs(along[i] - along[j]) > 1e-6:
        return bool(along[i] > along[j])
    if kind[i] != kind[j]:
        return bool(kind[i] > kind[j])
    if area[i] != area[j]:
        return bool(area[i] > area[j])
    return bool(first[i] < first[j])


@njit(cache=True)
def _absorb(
    into: int, gone: int, parent: Ints, first: Ints, area: Floats, chain_next: Ints, chain_last: Ints
) -> None:
    parent[gone] = into
    first[into] = min(first[into], first[gone])
    area[into] += area[gone]
    chain_next[chain_last[into]] = gone
    chain_last[into] = chain_last[gone]
