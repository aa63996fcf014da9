"""Small patches join their neighbours; its plain reading is `patches.merge_plain`."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Floats
from atlas.terrain.classes import UNKNOWN

Ints = npt.NDArray[np.int64]


@njit(cache=True)
def label(classes: Bytes, covered: Floats) -> tuple[Ints, int]:
    """Number the 4-connected patches of one class among covered cells, in reading order; -1 outside."""
    rows, cols = classes.shape
    labels = np.full((rows, cols), -1, dtype=np.int64)
    stack = np.empty((rows * cols, 2), dtype=np.int32)
    count = 0
    for r0 in range(rows):
        for c0 in range(cols):
            if labels[r0, c0] >= 0 or covered[r0, c0] <= 0.0:
                continue
            kind = classes[r0, c0]
            labels[r0, c0] = count
            stack[0, 0], stack[0, 1] = r0, c0
            top = 1
            while top > 0:
                top -= 1
                r, c = stack[top, 0], stack[top, 1]
                for k in range(4):
                    rr = r + (k == 0) - (k == 1)
                    cc = c + (k == 2) - (k == 3)
                    if rr < 0 or cc < 0 or rr >= rows or cc >= cols or labels[rr, cc] >= 0:
                        continue
                    if covered[rr, cc] > 0.0 and classes[rr, cc] == kind:
                        labels[rr, cc] = count
                        stack[top, 0], stack[top, 1] = rr, cc
                        top += 1
            count += 1
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
def count_borders(labels: Ints, patches: int) -> Ints:
    """How many borders each patch has with another, cell side by cell side, (patches + 1,) as running starts."""
    rows, cols = labels.shape
    start = np.zeros(patches + 1, dtype=np.int64)
    for r in range(rows):
        for c in range(cols):
            a = labels[r, c]
            if a < 0:
                continue
            for b in (labels[r, c + 1] if c + 1 < cols else -1, labels[r + 1, c] if r + 1 < rows else -1):
                if b >= 0 and b != a:
                    start[a + 1] += 1
                    start[b + 1] += 1
    return np.cumsum(start)


@njit(cache=True)
def list_borders(labels: Ints, start: Ints, cell_x: float, cell_y: float) -> tuple[Ints, Floats]:
    """Neighbour and length of each border piece, patch by patch as `start` says."""
    rows, cols = labels.shape
    fill = start[:-1].copy()
    other = np.empty(start[-1], dtype=np.int64)
    length = np.empty(start[-1], dtype=np.float64)
    for r in range(rows):
        for c in range(cols):
            a = labels[r, c]
            if a < 0:
                continue
            for k in range(2):
                rr, cc = r + (k == 1), c + (k == 0)
                if rr >= rows or cc >= cols:
                    continue
                b = labels[rr, cc]
                if b < 0 or b == a:
                    continue
                side = cell_y if k == 0 else cell_x
                other[fill[a]], length[fill[a]] = b, side
                other[fill[b]], length[fill[b]] = a, side
                fill[a] += 1
                fill[b] += 1
    return other, length


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
    start = count_borders(labels, count)
    other, length = list_borders(labels, start, cell_x, cell_y)
    parent = join_small(area, kind, start, other, length, least)
    merged = classes.copy()
    for r in range(rows):
        for c in range(cols):
            if labels[r, c] >= 0:
                merged[r, c] = kind[find(parent, labels[r, c])]
    return merged


@njit(cache=True)
def join_small(area: Floats, kind: Bytes, start: Ints, other: Ints, length: Floats, least: float) -> Ints:
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
        if kind[i] != UNKNOWN and area[i] < least:
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
