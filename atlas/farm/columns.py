"""What a layer calls our columns: one answer for those who read it and those who write into it."""

from __future__ import annotations

from atlas.farm.layers import Layer
from atlas.settings import Settings


def column_names(layer: Layer, ours: tuple[str, ...], settings: Settings) -> dict[str, str]:
    """Our name to the layer's own, for the columns it has: as settings say, else our name without case."""
    named = {o: found for o in ours if o in settings.columns and (found := layer.column(settings.columns[o]))}
    taken = {name.lower() for name in named.values()}
    for o in ours:
        if o not in named and (found := layer.column(o)) and found.lower() not in taken:
            named[o] = found
    return named
