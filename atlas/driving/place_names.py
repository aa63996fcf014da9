"""The fixed list of phrases for a place in a field; nothing else is ever said of where something is."""

from __future__ import annotations

from collections.abc import Callable

from atlas.words import N_

# clockwise from north
ALONG_EDGE = (
    N_("along the north edge"),
    N_("along the north-east edge"),
    N_("along the east edge"),
    N_("along the south-east edge"),
    N_("along the south edge"),
    N_("along the south-west edge"),
    N_("along the west edge"),
    N_("along the north-west edge"),
)
AT_EDGE = (
    N_("at the north edge"),
    N_("at the north-east edge"),
    N_("at the east edge"),
    N_("at the south-east edge"),
    N_("at the south edge"),
    N_("at the south-west edge"),
    N_("at the west edge"),
    N_("at the north-west edge"),
)
IN_PART = (
    N_("in the north"),
    N_("in the north-east"),
    N_("in the east"),
    N_("in the south-east"),
    N_("in the south"),
    N_("in the south-west"),
    N_("in the west"),
    N_("in the north-west"),
)
MOSTLY = (
    N_("mostly in the north"),
    N_("mostly in the north-east"),
    N_("mostly in the east"),
    N_("mostly in the south-east"),
    N_("mostly in the south"),
    N_("mostly in the south-west"),
    N_("mostly in the west"),
    N_("mostly in the north-west"),
    N_("mostly in the middle"),
)
CORNER = (
    N_("in the north"),
    N_("in the north-east corner"),
    N_("in the east"),
    N_("in the south-east corner"),
    N_("in the south"),
    N_("in the south-west corner"),
    N_("in the west"),
    N_("in the north-west corner"),
)
ACROSS = (
    N_("right across from north to south"),
    N_("right across from north-east to south-west"),
    N_("right across from east to west"),
    N_("right across from south-east to north-west"),
)
MIDDLE = N_("in the middle")
ALL_ROUND = N_("all round the edge")
UPPER = N_("across the upper part")
LOWER = N_("across the lower part")
MOSTLY_UPPER = N_("mostly in the upper part")
MOSTLY_LOWER = N_("mostly in the lower part")
MOST = N_("over most of the field")
NEARLY_ALL = N_("nearly everywhere")
SEVERAL = N_("in several places")
TWO_PLACES = N_("{first} and {second}")

PHRASES = frozenset(
    (
        *(*ALONG_EDGE, *AT_EDGE, *IN_PART, *MOSTLY, *CORNER, *ACROSS),
        *(MIDDLE, ALL_ROUND, UPPER, LOWER, MOSTLY_UPPER, MOSTLY_LOWER, MOST, NEARLY_ALL, SEVERAL),
    )
)


def place_in(place: str, tr: Callable[[str], str]) -> str:
    """A place as it is kept, in these phrases, said in another language; what is none of them stays as it is."""
    if place in PHRASES:
        return tr(place)
    first, _, second = place.partition(TWO_PLACES.format(first="", second=""))
    if first in PHRASES and second in PHRASES:
        return tr(TWO_PLACES).format(first=tr(first), second=tr(second))
    return place
