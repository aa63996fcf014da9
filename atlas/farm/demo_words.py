"""Names in the made-up dialect of a made-up valley, and what its farm lead says about each field.

`{gate}`, `{gate2}` (where on the edge), `{down}` (which way it falls) and `{flat}` (where it is flattest) are
filled in from the land itself, so that the words stay true on every copy of the farm; `outer_inside` is the
field at the model's edge where it does not reach beyond it.
"""

from __future__ import annotations

import numpy as np

NAMES = {
    "mill": "Mülveska",
    "yard": "Trellveska",
    "little": "Bitzla",
    "broad": "Breida Veska",
    "outer": "Ussaveska",
    "sun": "Sunnarün",
    "crook": "Krumpa Rün",
    "ledge": "Anzelrün",
    "stone": "Grotzarün",
    "walls": "Murenlak",
    "hang": "Hengslak",
    "pair": "Zwaibletta",
    "bench": "Wintalism",
    "high": "Obra Schrof",
    "dark": "Finsterün",
    "pit": "Grubarün",
}
GATE_NAMES = ("gate on the shady road", "gate on the valley road", "gate on the bench track")
AMBULANCE_NOTE = "The ambulance comes to here; one of us waits at it and waves."

NOTES = {
    "mill": "Nearly level. The stream eats under the turf along the north edge: it looks whole and holds nothing.",
    "yard": "House meadow round the farmyard. The well cover west of the yard lies flat in the grass; "
    "look for the white stake before you lower anything.",
    "little": "Small and nearly level. Cattle are in it until June; take the fence wire out first and count"
    " the stakes.",
    "broad": "The wire hangs across the west part and nothing passes under it. One of its poles stands in "
    "the field.",
    "outer": "Level, but the map has no heights for the east end, so nobody drives there. Old ditch in the"
    " west half, you feel it before you see it.",
    "sun": "Falls {down}. Dry it holds well, on dew the rear goes first. New crack along the gully on "
    "the east edge.",
    "crook": "Falls {down}, and the hollow in the middle tips you towards it from both sides. The wire "
    "cuts off the east end: nothing passes under it.",
    "ledge": "A bank higher than a man runs through it from end to end. The part above has no gate: that "
    "hay is cut with the walked mower and thrown down.",
    "stone": "Pasture with cattle steps, falls {down}. The heap of field stones is in the east half; "
    "nettles hide its foot.",
    "walls": "Three dry walls, four strips. Only the top strip has a way in. Nothing holds the top stones "
    "of the middle wall.",
    "hang": "Falls {down} the whole way from the gates, and nothing at the bottom stops a machine. The "
    "wire crosses the middle.",
    "pair": "Two pieces, one above the bench track and one below. They are mown on the same day and "
    "signed off one by one.",
    "bench": "The kindest field on this side. At the west end a bulge has opened since the storm; stay "
    "well east of it. The boulder in the east half has grass on top.",
    "high": "A low strip along the track, then it goes up like a roof. A bank runs through the west half "
    "of the low strip. Above the crag in the north-east nobody drives and nobody mows.",
    "dark": "Falls {down}. No sun before noon, and the dew stays until eleven. Moss under the trees along"
    " the top.",
    "pit": "Falls {down}. The old quarry bites into the lower edge; its rim has no fence and the wall is"
    " as high as the barn.",
    "outer_inside": "Level. Old ditch in the west half, you feel it before you see it.",
}

FIRST_PASS = {
    "mill": "In by the gate {gate}. Park just inside it, nose to the road. First round: along the road, "
    "across the west end, and stay two machine lengths off the stream on the way back. After that"
    " up and down the valley. Turn at both ends. The strip by the stream is raked out by hand.",
    "yard": "In by the gate {gate}. Park on the gravel there. Go round the outside once, then once round "
    "the yard wall, so you know where the corners are. Finish the west part before the east part."
    " Keep out of the place where the gully water lies, however dry it looks from the seat.",
    "little": "In and out by the gate {gate}. Two rounds along the fence, then along the long side. Turn in"
    " the middle. Never back up towards the ditch on the east edge: reverse only away from it.",
    "broad": "In by the gate {gate} for the part east of the wire; the piece west of it has its own, "
    "{gate2}. First round outside, a machine length off the stream, and stop short of the wire. "
    "Then with the valley. Turn at the east end, park by the gate.",
    "outer": "In by the gate {gate}. Go along the road side first, as far as the stake in the east and no "
    "further. Then back and forth with the valley. Round the old ditch, not through it. Turn at "
    "both ends, park by the gate.",
    "sun": "In by the gate {gate}. Park on the lowest strip, nose up the hill. Start at the west edge: "
    "straight up, straight back down the same line, one width over, again. Turn only {flat}. Stop"
    " two machine lengths before the gully and leave the rest to the rake.",
    "crook": "In by the gate {gate}. Mow the strip along the road first: that is your turning place, "
    "{flat}. Then up and down from the outside towards the hollow, which comes last and only "
    "straight down. The end beyond the wire has its own gate, {gate2}.",
    "ledge": "In by the gate {gate}. You drive the part under the bank and nothing else. First pass along "
    "under the bank, two machine lengths from its foot, then rounds below that. Turn {flat}. Look"
    " up now and then: stones come over the edge.",
    "stone": "In by the gate {gate}. Walk to the stone heap first and put a stake at its foot. Then from "
    "the road upwards, straight up and down. Turn {flat}. Under the hazels along the top and the "
    "east side it is hand work.",
    "walls": "In by the gate {gate}, and you stay on the top strip. One pass along the track, one back, a "
    "machine length and a half from the wall: from the seat you do not see where it ends. Back "
    "out the way you came. The strips below are for the walked mower, round the wall ends in the "
    "west.",
    "hang": "In by the gate {gate} for the west half; the east half, beyond the wire, has the gate "
    "{gate2}. Turn on the strip along the track, then straight down and stop while you can still "
    "see the next line. Come back up the same line. Round the wet place in the west half leave "
    "three machine lengths, uphill too.",
    "pair": "Lower piece: in by the gate {gate}, along the track first, then straight down. Upper piece: "
    "in by the gate {gate2}, once round and out. Turn {flat}. Park on the track with the wheels "
    "against the slope.",
    "bench": "In by the gate {gate}. Park right there. First round outside, but cut the west end short by "
    "four machine lengths. Then along the slope, the upper side first. Turn at the ends; the "
    "flattest place is {flat}. Go round the boulder on its upper side.",
    "high": "In by the gate {gate}; the other one, {gate2}, is narrow and not for the transporter. Mow "
    "the low strip along the track first, it is where you turn, {flat}. Then straight up only as "
    "far as your machine's map is bare, and back down the same line. The rest is for the walked "
    "mower and the rake.",
    "dark": "In by the gate {gate}. Wait until it is dry to the hand, not to the eye. Mow the lowest "
    "strip along the road, turn {flat}, and try one line straight up before you trust the rest. "
    "Where the turf slid in the west half nobody goes until I have looked at it. Along the trees "
    "it is hand work.",
    "pit": "In by the gate {gate} for the east half; the west half has its own, {gate2}, and is a day of"
    " its own. Walk the rim of the quarry first. Never cross above it, not even empty: whatever "
    "slides there ends in it. Straight up and down, turn {flat}, and go round the place that the "
    "cattle have trodden.",
    "outer_inside": "In by the gate {gate}. Go along the road side first, to the east end. Then back and forth "
    "with the valley. Round the old ditch, not through it. Turn at both ends, park by the gate.",
}

FIRST = ("Al", "Bor", "Drü", "Esk", "Fal", "Gor", "Hel", "Ild", "Jaz", "Kel", "Lum", "Mor", "Nur", "Ost", "Pel")
LAST = ("ba", "tscha", "va", "nna", "rka", "lla", "zza", "mma")


def field_name(key: str, stretch: int, seed: int) -> str:
    """The plan's own name on the first stretch, with a made-up word before it on the others."""
    return NAMES[key] if stretch == 0 else f"{_word(seed, stretch, 1)} {NAMES[key]}"


def farm_name(number: int, seed: int) -> str:
    """A made-up farm, told from others with the same word by its number."""
    return f"{_word(seed, number, 2)}ska {number + 1}"


def _word(seed: int, number: int, kind: int) -> str:
    rng = np.random.default_rng([seed, number, kind])
    return FIRST[rng.integers(len(FIRST))] + LAST[rng.integers(len(LAST))]
