"""Slope classes as a table that carries its own edge rule, because published ones disagree on who owns an edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from atlas.grid import Bytes, Floats

UNKNOWN = 255


Edge = Literal["lower", "upper"]


@dataclass(frozen=True)
class ClassTable:
    """Breaks in percent, rising. `edge` says which class a value exactly on a break belongs to, for all breaks or
    one by one.

    `edge_within_pct` is what counts as exactly on it: wide enough for the rounding of the sum (1e-12 on heights of
    a thousand metres), far below anything a survey can measure.

    Source: hillside classes 18, 35, 50 % with "more than 35 to 50": Direktzahlungsverordnung, SR 910.13, Art. 43.
    """

    breaks_pct: tuple[float, ...] = (18.0, 35.0, 50.0)
    edge: Edge | tuple[Edge, ...] = "lower"
    edge_within_pct: float = 1e-9

    @property
    def count(self) -> int:
        return len(self.breaks_pct) + 1

    @property
    def limits(self) -> Floats:
        """Steepness (rise over run) above which the next class begins, (count - 1,)."""
        edges = self.edge if isinstance(self.edge, tuple) else (self.edge,) * len(self.breaks_pct)
        shifts = [self.edge_within_pct if edge == "lower" else -self.edge_within_pct for edge in edges]
        found: Floats = (np.asarray(self.breaks_pct, dtype=np.float64) + np.asarray(shifts)) / 100.0
        return found

    def over_pct(self, index: int) -> float:
        return 0.0 if index == 0 else self.breaks_pct[index - 1]

    def upto_pct(self, index: int) -> float | None:
        return None if index == len(self.breaks_pct) else self.breaks_pct[index]

    def sort(self, steepness: Floats) -> Bytes:
        """Class of each cell, same shape, from steepness as rise over run; UNKNOWN where that is NaN."""
        found = np.searchsorted(self.limits, steepness, side="left").astype(np.uint8)
        found[np.isnan(steepness)] = UNKNOWN
        return found
