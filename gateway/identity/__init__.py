"""Who is it: identifiers, and associations of patients and devices."""

from gateway.identity.associations import Association, Associations, Found
from gateway.identity.identifiers import Identifier, Identifiers
from gateway.identity.sources import load_associations

__all__ = ["Association", "Associations", "Found", "Identifier", "Identifiers", "load_associations"]
