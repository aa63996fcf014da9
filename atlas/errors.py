"""Every refusal a user can meet, one class per level, so that a command can print one sentence and stop.

A message names the file, layer and row, gives the value found beside the limit it broke, and says what to do.
"""

from __future__ import annotations


class AtlasError(Exception):
    """Bad input: printed as one sentence, exit code 2."""


class FarmFileError(AtlasError):
    """The farm file as a whole cannot be used (not a GeoPackage, cut off, held by another program)."""


class LayerError(FarmFileError):
    """A layer is missing, ambiguous or of the wrong kind."""


class RowError(FarmFileError):
    """One row (a parcel, a hazard, a mark) cannot be used."""


class TerrainError(FarmFileError):
    """The terrain model cannot be used (no CRS, rotated, no overlap, nothing but gaps)."""


class SettingsError(AtlasError):
    """The settings file has an unknown key or a value that cannot be meant."""


class OutputError(AtlasError):
    """The target cannot be written (holds something else than an atlas, is read-only, the disk is full)."""


class ReadBackError(OutputError):
    """What was just written, or taken over from the atlas before, reads back damaged."""


class FieldFaultError(Exception):
    """A field failed by a fault of ours, told in a sentence, and nothing was to be published then: exit code 1."""


class RunningError(AtlasError):
    """The surveys cannot be run as was asked (no such cluster, workers that differ, processes that die)."""
