"""The plan of one stretch of the invented valley, in valley coordinates: what lies where, and nothing else.

u runs up the valley (east), v across it (0 at the stream, north positive), both in metres; one stretch is
1000 by 900. Every farm of the demo is this plan on other ground: the noise bends it differently each time.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Spot:
    """A place in valley coordinates, metres."""

    u: float
    v: float


def ring(text: str) -> tuple[Spot, ...]:
    """Spots from "u v, u v, …"."""
    return tuple(Spot(*map(float, pair.split())) for pair in text.split(","))


@dataclass(frozen=True)
class PlannedField:
    """A field's corners; `parts` and `holes` beyond the first ring where it has them."""

    key: str
    use: str
    corners: tuple[Spot, ...]
    holes: tuple[tuple[Spot, ...], ...] = ()
    parts: tuple[tuple[Spot, ...], ...] = ()


@dataclass(frozen=True)
class PlannedGate:
    """A way in from road `road` (index into ROADS) at `u`, on its north (1) or south (−1) side, with a ramp."""

    field: str
    road: int
    side: int
    u: float
    width_m: float
    max_load_t: float
    ambulance: bool = False
    ramp_m: float = 12.0
    ramp_rise: float = 0.14


@dataclass(frozen=True)
class PlannedHazard:
    """A marking; `seen_h` is hours before (−) or after the storm,
    its shape follows the land ("line", "polygon"), the field's outline ("edge") or hangs straight ("wire")."""

    field: str
    kind: str
    shape: str
    spots: tuple[Spot, ...]
    severity: int = 2
    reach_m: float | None = 5.0
    accuracy_m: float | None = 2.0
    depth_m: float | None = None
    seen_h: float | None = -300.0
    retired_h: float | None = None
    note: str = ""
    pictured: bool = False


@dataclass(frozen=True)
class PlannedSpring:
    """Where water comes out that nobody has marked yet."""

    field: str
    at: Spot


FIELDS = (
    PlannedField("mill", "meadow", ring("62 -14,150 -11,240 -13,330 -10,338 -45,326 -80,230 -83,120 -79,72 -70,"
                                        "52 -40")),
    PlannedField("yard", "meadow", ring("330 -10,420 -12,520 -10,640 -13,662 -40,630 -76,500 -78,400 -80,326 -80,"
                                        "338 -45"),
                 holes=(ring("478 -66,484 -40,512 -36,538 -44,534 -66"),)),
    PlannedField("little", "pasture", ring("158 14,216 13,219 40,210 67,166 66,150 42")),
    PlannedField("broad", "meadow", ring("246 13,330 10,455 14,520 30,500 66,360 69,240 67,251 40")),
    PlannedField("outer", "meadow", ring("840 16,930 12,1012 14,1034 40,1010 66,920 68,850 64,826 40")),
    PlannedField("sun", "meadow", ring("40 88,110 84,180 88,192 130,178 168,110 172,40 160,22 120")),
    PlannedField("crook", "meadow", ring("262 87,350 84,430 86,440 130,425 171,340 174,270 166,255 125")),
    PlannedField("ledge", "meadow", ring("430 86,520 84,610 88,625 120,600 150,610 172,500 174,425 171,440 130")),
    PlannedField("stone", "pasture", ring("700 86,790 84,870 90,905 130,860 168,780 172,705 160,690 120")),
    PlannedField("walls", "meadow", ring("40 160,110 172,178 168,202 190,200 230,190 253,110 256,50 252,30 210")),
    PlannedField("hang", "meadow", ring("275 180,380 178,480 182,570 178,575 215,560 254,450 257,340 255,280 250,"
                                        "262 215")),
    PlannedField("pair", "meadow", ring("720 182,800 178,850 185,860 220,840 252,760 256,715 245,705 210"),
                 parts=(ring("730 276,830 274,850 300,790 318,735 310"),)),
    PlannedField("bench", "meadow", ring("60 274,160 273,280 275,300 300,270 322,150 326,70 320,45 296")),
    PlannedField("high", "meadow", ring("330 275,450 273,580 274,670 277,690 310,660 350,640 388,520 396,400 390,"
                                        "345 360,320 315")),
    PlannedField("dark", "meadow", ring("90 -103,180 -101,270 -104,290 -140,275 -185,200 -200,120 -190,80 -150")),
    PlannedField("pit", "pasture", ring("440 -103,520 -101,566 -106,586 -137,627 -139,650 -110,735 -103,772 -140,"
                                        "745 -195,640 -215,520 -205,450 -170,430 -135")),
)  # fmt: skip

# u0, v0, u1, v1, depth, half width, fade at both ends as a share of the length: gullies, ditches, swales
HOLLOWS = (
    (236, 268, 222, 66, 5.5, 21, 0.22),
    (666, 316, 654, 64, 7.0, 24, 0.18),
    (362, -340, 372, -78, 6.0, 26, 0.20),
    (838, -310, 810, -76, 5.0, 23, 0.22),
    (226, 69, 232, 2, 0.9, 5, 0.08),
    (654, 70, 648, 2, 1.0, 6, 0.08),
    (806, -84, 800, -2, 0.9, 5, 0.08),
    (352, 246, 345, 92, 3.2, 38, 0.35),
    (500, 392, 462, 258, 3.6, 40, 0.30),
    (786, 246, 776, 92, 3.4, 36, 0.35),
    (150, 390, 142, 276, 3.2, 42, 0.30),
    (232, -330, 222, -106, 3.6, 36, 0.30),
)

# the same columns, depth below zero
SPURS = (
    (140, 440, 150, 60, -10.0, 132, 0.40),
    (520, 430, 480, 64, -11.0, 150, 0.40),
    (860, 440, 870, 64, -9.0, 120, 0.40),
    (180, -440, 190, -96, -12.0, 110, 0.35),
    (640, -440, 560, -96, -11.0, 120, 0.35),
)

# u0, v0, u1, v1, height, width of the face, levelled length behind it: terrace walls, then a bank
STEPS = (
    (36, 186, 206, 192, 1.7, 0.5, 16.0),
    (24, 208, 208, 213, 2.3, 0.5, 18.0),
    (36, 232, 200, 235, 1.6, 0.5, 16.0),
    (415, 124, 645, 131, 3.0, 2.4, 40.0),
    (300, 300, 470, 296, 1.5, 2.0, 20.0),
)

# v, half width, sunk by, between u, and u, cut, fill (rise over run)
ROADS = (
    (-92, 2.5, 1.5, 440, 705, 1.2, 0.7),
    (76, 2.5, 0.0, 0, 1000, 1.0, 0.7),
    (265, 1.7, 0.0, 0, 1000, 1.1, 0.8),
)

# u, v, floor radius, rise of the wall, v of the road whose level the floor has, floor above it
PITS = ((606, -115, 11.0, 3.2, -92, 0.3),)

GATES = (
    PlannedGate("mill", 0, 1, 118, 4.0, 12.0, ramp_m=15.0, ramp_rise=0.07),
    PlannedGate("yard", 0, 1, 368, 4.5, 16.0, ambulance=True, ramp_m=15.0, ramp_rise=0.07),
    PlannedGate("little", 1, -1, 188, 3.2, 8.0, ramp_m=15.0, ramp_rise=0.07),
    PlannedGate("broad", 1, -1, 430, 4.0, 16.0, ramp_m=15.0, ramp_rise=0.07),
    PlannedGate("broad", 1, -1, 276, 3.0, 8.0, ramp_m=15.0, ramp_rise=0.07),
    PlannedGate("outer", 1, -1, 905, 4.0, 12.0, ramp_m=15.0, ramp_rise=0.07),
    PlannedGate("sun", 1, 1, 70, 3.5, 10.0),
    PlannedGate("crook", 1, 1, 300, 3.5, 10.0),
    PlannedGate("crook", 1, 1, 408, 3.0, 6.0),
    PlannedGate("ledge", 1, 1, 560, 3.0, 8.0),
    PlannedGate("stone", 1, 1, 830, 3.0, 6.0),
    PlannedGate("walls", 2, -1, 95, 2.8, 5.0),
    PlannedGate("hang", 2, -1, 330, 3.0, 6.0),
    PlannedGate("hang", 2, -1, 545, 3.0, 6.0),
    PlannedGate("pair", 2, -1, 750, 2.8, 5.0),
    PlannedGate("pair", 2, 1, 785, 2.8, 5.0),
    PlannedGate("bench", 2, 1, 200, 3.0, 6.0, ambulance=True),
    PlannedGate("high", 2, 1, 420, 3.0, 6.0),
    PlannedGate("high", 2, 1, 585, 2.6, 5.0),
    PlannedGate("dark", 0, -1, 130, 3.0, 6.0),
    PlannedGate("pit", 0, -1, 725, 3.2, 8.0),
    PlannedGate("pit", 0, -1, 452, 2.8, 5.0),
)

SPRINGS = (
    PlannedSpring("crook", Spot(343, 120)),
    PlannedSpring("stone", Spot(772, 118)),
    PlannedSpring("bench", Spot(149, 302)),
    PlannedSpring("high", Spot(474, 293)),
    PlannedSpring("dark", Spot(226, -127)),
)

HAZARDS = (
    PlannedHazard("mill", "unstable_bank", "line", ring("66 -12,150 -8,240 -9,325 -7"), 2, 2.0, 1.0, 1.6, -420,
                  note="the stream eats under the turf"),
    PlannedHazard("yard", "wet_spot", "polygon", ring("388 -72,412 -70,424 -54,414 -30,396 -26,384 -48"), 2, 5.0,
                  2.0, None, 11, note="gully water came over the road and lies here"),
    PlannedHazard("yard", "obstacle", "point", ring("440 -52"), 1, 3.0, 1.0, None, -2000, note="well cover"),
    PlannedHazard("broad", "wet_spot", "point", ring("396 36"), 1, 6.0, 3.0, None, 12, note="water stood here"),
    PlannedHazard("broad", "overhead_line", "wire", ring("330 -95,326 48,429 171,424 262"), 2, 6.0, 2.0, None,
                  -9000, note="hangs lowest in the middle, loader arm down"),
    PlannedHazard("broad", "obstacle", "point", ring("326 48"), 2, 3.0, 1.0, None, -9000, note="line pole"),
    PlannedHazard("outer", "wet_spot", "polygon", ring("852 36,880 26,912 30,905 46,868 50"), 1, 4.0, 2.0, None,
                  -600, note="old ditch, fills slowly"),
    PlannedHazard("sun", "wet_spot", "point", ring("120 110"), 2, 5.0, 2.0, None, -9500, -5000,
                  "drained, dry since"),
    PlannedHazard("sun", "unstable_bank", "edge", ring("180 88,192 130,178 168"), 2, 3.0, 2.0, 2.5, 14,
                  note="new crack along the gully"),
    PlannedHazard("ledge", "no_go", "line", ring("432 127,520 130,618 134"), 2, 3.0, 1.0, None, -5000,
                  note="nobody drives over the bank, not up and not down"),
    PlannedHazard("stone", "obstacle", "polygon", ring("826 140,842 148,856 142,850 130,834 128"), 2, 2.0, 1.0,
                  None, -8000, note="heap of field stones, nettles hide its foot"),
    PlannedHazard("stone", "forest_edge", "edge", ring("705 160,780 172,860 168,905 130,870 90"), 1, 3.0, 1.0,
                  None, -9000, note="branches low, nuts all over"),
    PlannedHazard("walls", "unstable_bank", "line", ring("60 209,130 211,190 212"), 2, 2.0, 1.0, 2.3, -700,
                  note="wall bulges, top stones loose"),
    PlannedHazard("hang", "wet_spot", "polygon", ring("330 214,352 222,368 208,358 192,334 196"), 3, 6.0, 2.0,
                  None, 10, note="mower went in to the axle last year; wider now", pictured=True),
    PlannedHazard("hang", "slip", "point", ring("505 226"), 2, 8.0, 3.0, None, -40,
                  note="rear went round on dew, stopped by the ridge"),
    PlannedHazard("pair", "wet_spot", "polygon", ring("800 200,815 206,826 198,818 188,802 190"), 1, None, None,
                  None, None, note="told by phone, never dated"),
    PlannedHazard("bench", "obstacle", "point", ring("250 304"), 2, 4.0, 1.0, None, -9000,
                  note="boulder, grass grows over it"),
    PlannedHazard("bench", "unstable_bank", "polygon", ring("52 300,72 318,84 314,66 296"), 3, 3.0, 2.0, 1.8, 16,
                  note="bulge since the storm, crack above it"),
    PlannedHazard("high", "no_go", "polygon", ring("540 362,600 366,640 352,650 378,630 392,540 398"), 3, 3.0, 1.0,
                  None, -6000, note="above the crag, nobody drives or mows here"),
    PlannedHazard("high", "forest_edge", "edge", ring("640 388,520 396,400 390,345 360"), 1, 4.0, 1.0, None,
                  -9000, note="larch, needles and cones"),
    PlannedHazard("dark", "forest_edge", "edge", ring("275 -185,200 -200,120 -190"), 1, 3.0, 1.0, None, -9000,
                  note="shade until noon, moss under the trees"),
    PlannedHazard("dark", "slip", "polygon", ring("140 -160,156 -156,160 -172,144 -176"), 3, 6.0, 3.0, None, 9,
                  note="turf slid in one piece", pictured=True),
    PlannedHazard("pit", "obstacle", "polygon", ring("596 -101,592 -114,596 -126,607 -130,618 -125,621 -112,616 "
                  "-101"), 3, 6.0, 1.0, None, -9000, note="old quarry, wall as high as the barn"),
    PlannedHazard("pit", "wet_spot", "polygon", ring("690 -128,712 -124,722 -136,702 -142"), 2, 5.0, None, None,
                  -200, note="trodden by the cattle"),
)  # fmt: skip


@dataclass(frozen=True)
class PlannedRelease:
    """The lead's word; hours before (−) or after the storm."""

    field: str
    ground: str
    from_h: float
    until_h: float


RELEASES = (
    PlannedRelease("mill", "firm", -62, -10),
    PlannedRelease("yard", "hay_down", -38, -12),
    PlannedRelease("sun", "firm", -14, 22),  # the storm ended it
    PlannedRelease("bench", "firm", -14, 22),
    PlannedRelease("mill", "damp", 33, 70),
    PlannedRelease("little", "firm", 33, 70),
    PlannedRelease("broad", "damp", 34, 46),
    PlannedRelease("crook", "damp", 34, 70),
    PlannedRelease("stone", "firm", 36, 70),
    PlannedRelease("hang", "firm", 57, 70),
    PlannedRelease("bench", "firm", 33, 70),
    PlannedRelease("high", "hay_down", 57, 70),
)
