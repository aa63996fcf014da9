"""What the files of a map that are no field's own are written from."""

from __future__ import annotations

from dataclasses import dataclass

from atlas.editions.beside import Beside
from atlas.editions.publishing import Staging
from atlas.editions.state import Edition
from atlas.farm.farm import Farm
from atlas.farm.records import Parcel
from atlas.pages.context import PageContext
from atlas.running.records import MissingField
from atlas.settings import Settings


@dataclass(frozen=True)
class ToWrite:
    """A map whose fields' own pages and states are in `stage` already: `parcels` are those, `missing` the fields
    that could not be surveyed. Paper is bound in the `other` process meanwhile, if there is one."""

    stage: Staging
    farm: Farm
    edition: Edition
    context: PageContext
    parcels: list[Parcel]
    missing: tuple[MissingField, ...]
    other: Beside

    @property
    def settings(self) -> Settings:
        return self.context.settings
