"""Small patches join their neighbours; the loop behind `patches.merge_small`, whose plain reading is beside it."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt
from numba import njit

from atlas.grid import Bytes, Floats

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
def join_small(
    area: Floats, kind: Bytes, start: Ints, other: Ints, length: Floats, least: float, unknown: int
) -> tuple[Ints, Bytes]:
    """Join patches under `least`, smallest first (then first in reading order). Returns what each patch joined and
    the class of every surviving patch. Border lists of joined patches are chained, not copied."""
    n = area.size
    parent = np.arange(n)
    area = area.copy()
    chain_next = np.full(n, -1, dtype=np.int64)  # lists that belong to a patch, as a chain of first patches
    chain_last = np.arange(n)
    along = np.zeros(n)
    heap = [(area[0], 0)]
    heap.pop()
    for i in range(n):
        if kind[i] != unknown and area[i] < least:
            heapq.heappush(heap, (area[i], i))
    touched = np.empty(n, dtype=np.int64)
    while len(heap) > 0:
        was, small = heapq.heappop(heap)
        if parent[small] != small or area[small] != was:
            continue
        met = 0
        link = small
        while link >= 0:
            for k in range(start[link], start[link + 1]):
                beside = find(parent, other[k])
                if beside == small or kind[beside] == unknown:
                    continue
                if along[beside] == 0.0:
                    touched[met] = beside
                    met += 1
                along[beside] += length[k]
            link = chain_next[link]
        best = -1
        for k in range(met):
            i = touched[k]
            if best < 0 or _before(i, best, along, kind, area):
                best = i
        for k in range(met):
            along[touched[k]] = 0.0
        if best < 0:
            continue
        _absorb(best, small, parent, area, chain_next, chain_last)
        for k in range(met):
            i = touched[k]
            if i != best and kind[i] == kind[best]:
                _absorb(best, i, parent, area, chain_next, chain_last)
        if area[best] < least:
            heapq.heappush(heap, (area[best], best))
    return parent, kind


@njit(cache=True)
def _before(i: int, j: int, along: Floats, kind: Bytes, area: Floats) -> bool:
    """Whether patch i is the better neighbour: longer border, then steeper, then larger, then first in order."""
    if abs(along[i] - along[j]) > 1e-9 * along[j]:
        return bool(along[i] > along[j])
    if kind[i] != kind[j]:
        return bool(kind[i] > kind[j])
    if area[i] != area[j]:
        return bool(area[i] > area[j])
    return i < j


@njit(cache=True)
def _absorb(into: int, gone: int, parent: Ints, area: Floats, chain_next: Ints, chain_last: Ints) -> None:
    parent[gone] = into
    area[into] += area[gone]
    chain_next[chain_last[into]] = gone
    chain_last[into] = chain_last[gone]
