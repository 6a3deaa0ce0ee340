"""Who is it: associations of patients and devices."""

from gateway.identity.associations import Association, Associations, Found, load_associations

__all__ = ["Association", "Associations", "Found", "load_associations"]
