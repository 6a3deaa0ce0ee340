"""The mapping file: how one kind of export is read. Its model, its loader and its static checks.

loaded = load("site.toml")      # or MappingError, with every mistake at its line
loaded.mapping.time.zone
"""

from gateway.mapping.loader import LoadedMapping, load, ready, schema
from gateway.mapping.model import Mapping
from gateway.mapping.uses import columns

__all__ = ["LoadedMapping", "Mapping", "columns", "load", "ready", "schema"]
