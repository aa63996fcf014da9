"""field-atlas: from a farm file (GeoPackage) to a driving atlas a new worker can open."""

__version__ = "0.1.0"
