"""Stops at the first thing that is wrong, or, when someone wants to know everything, keeps it and goes on."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from atlas.errors import FarmFileError

T = TypeVar("T")


class Problems:
    """What went wrong so far; `keep` False raises at once."""

    def __init__(self, keep: bool) -> None:
        self.keep = keep
        self.found: list[FarmFileError] = []

    def attempt(self, do: Callable[[], T], otherwise: T) -> T:
        """What `do` gives; where it refuses, `otherwise` (or the refusal itself when nothing is kept)."""
        try:
            return do()
        except FarmFileError as e:
            if not self.keep:
                raise
            self.found.append(e)
            return otherwise
