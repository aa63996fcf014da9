"""What every page says beside its own matter: whose atlas it is, whom to ring, which map, from which terrain."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from atlas.farm.heights_said import sigma_assumed
from atlas.languages import Speaker, speakers, tr
from atlas.settings import Settings
from atlas.words import N_

if TYPE_CHECKING:
    from atlas.driving.machines import Rig
    from atlas.farm.farm import Farm
    from atlas.farm.records import Parcel


@dataclass(frozen=True)
class TerrainNote:
    """Where the heights come from and how far they can be trusted; lengths in metres."""

    source: str  # stated, or "not stated"
    date: str  # stated, or ""
    cell_x_m: float
    cell_y_m: float
    sigma_m: float
    sigma_assumed: bool  # nobody stated the height error: the default stands
    crs: str


@dataclass(frozen=True)
class Home:
    """Where the pages lie that a field shares with others: one of each for all fields (`slug` is ""), or for each
    group of them. Paths in the atlas, of the first language."""

    slug: str = ""
    farm: str = ""
    part: int = 1
    parts: int = 1

    @property
    def overview(self) -> str:
        return f"farms/{self.slug}.html" if self.slug else "index.html"

    @property
    def map_script(self) -> str:
        return f"farms/{self.slug}.js" if self.slug else "assets/overview-map.js"

    @property
    def day(self) -> str:
        return self._page("day")

    @property
    def walk(self) -> str:
        return self._page("walk")

    @property
    def changes(self) -> str:
        return f"changes/{self.slug}.html" if self.slug else "changes.html"

    @property
    def pdf(self) -> str:
        return f"print/farms/{self.slug}.pdf" if self.slug else "print/atlas.pdf"

    @property
    def gpx(self) -> str:
        return f"data/walks/{self.slug}.gpx" if self.slug else "data/walk.gpx"

    @property
    def data(self) -> str:
        return f"data/farms/{self.slug}.json" if self.slug else "data/atlas.json"

    @property
    def name(self) -> str:
        """What the group is called, in the language being spoken; "" where all fields are together."""
        if not self.slug:
            return ""
        farm = self.farm or tr(N_("Fields of no farm"))
        return tr(N_("{farm}, part {n}")).format(farm=farm, n=self.part) if self.parts > 1 else farm

    def _page(self, kind: str) -> str:
        return f"{kind}s/{self.slug}.html" if self.slug else f"{kind}.html"


def home_of(farm: Farm, parcel: Parcel) -> Home:
    """What a field's sheet links to. A sheet knows its group by its slug only, so that nothing else changes it."""
    group = farm.group_of(parcel)
    return Home(group.slug) if group else Home()


@dataclass(frozen=True)
class PageContext:
    """The same for every page of one edition. Picklable, so that a worker process can render."""

    farm_name: str
    lead_name: str
    lead_phone: str
    emergency_number: str
    languages: tuple[str, ...]
    number: int  # of this map
    issued_at: datetime
    terrain: TerrainNote
    rig: Rig
    settings: Settings
    home: Home = Home()
    several: bool = False  # groups of fields, each with pages of its own
    moving: str = ""  # what folium writes for a movable map, see `moving_map`

    @property
    def speakers(self) -> tuple[Speaker, ...]:
        """Who says it, one per language, by the farm's clock."""
        return speakers(self.languages, self.settings.farm.time_zone)


def page_context(farm: Farm, settings: Settings, rig: Rig, number: int, issued_at: datetime) -> PageContext:
    """Gather what pages say of the farm. The farm's own name in the settings goes before the file's."""
    from atlas.pages import folium_map  # not for whoever only makes sheets

    grid = farm.terrain.grid
    note = TerrainNote(
        farm.terrain.source,
        farm.terrain.date,
        grid.cell_x,
        grid.cell_y,
        settings.terrain.dem_sigma_m,
        sigma_assumed(settings),
        grid.crs.to_string(),
    )
    who = settings.farm
    return PageContext(
        who.name or farm.name,
        who.lead_name,
        who.lead_phone,
        who.emergency_number,
        who.languages,
        number,
        issued_at,
        note,
        rig,
        settings,
        several=bool(farm.groups),
        moving=folium_map.written(),
    )
