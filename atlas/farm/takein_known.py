"""What was taken in before: digests of features, and the ids of marks that became one with another."""

from __future__ import annotations

from atlas.farm import change_hazards
from atlas.farm.change_hazards import Standing
from atlas.farm.change_places import FarmChange
from atlas.farm.edit_rows import quoted
from atlas.farm.history import HISTORY
from atlas.farm.marks_row import Mark


class Known:
    """Looked up once; what the run itself takes in is added."""

    def __init__(self, change: FarmChange) -> None:
        self._change = change
        self._digests: set[str] = set()
        self._aliases: dict[str, str] = {}
        if change.own(HISTORY) is None:
            return
        sql = f"SELECT digest, mark_id, hazard_id, change FROM {quoted(HISTORY.name)} WHERE digest != ''"
        for digest, mark_id, hazard_id, what in change.db.execute(sql):
            self._digests.add(digest)
            if what == "merged":
                self.alias(str(mark_id), str(hazard_id))

    def alias(self, mark_id: str, hazard_id: str) -> None:
        """A mark that became one with a hazard on file."""
        self._aliases[mark_id.lower()] = hazard_id

    def name_here(self, hazard_id: str) -> str:
        """The id under which the file keeps a marking; merging may have happened more than once."""
        seen: set[str] = set()
        while (following := self._aliases.get(hazard_id.lower())) is not None and hazard_id not in seen:
            seen.add(hazard_id)
            hazard_id = following
        return hazard_id

    def taken(self, mark: Mark) -> bool:
        return mark.digest in self._digests or (mark.word == "new" and mark.hazard_id.lower() in self._aliases)

    def took(self, mark: Mark) -> None:
        self._digests.add(mark.digest)

    def standing(self, hazard_id: str) -> Standing | None:
        """The marking with this very id, if the file has it."""
        found = change_hazards.with_id(self._change, hazard_id)
        return found[0] if found else None
