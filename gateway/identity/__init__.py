"""Who is it: identifiers, associations of patients and devices, merged identifiers."""

from gateway.identity.associations import Association, Associations, Found
from gateway.identity.crosswalk import Crosswalk
from gateway.identity.forms import endings, spoken, usual_endings
from gateway.identity.identifiers import Identifier, Identifiers
from gateway.identity.merges import Merge, load_merges, settled
from gateway.identity.reading import Issuers
from gateway.identity.sources import load_associations

__all__ = [
    "Association",
    "Associations",
    "Crosswalk",
    "Found",
    "Identifier",
    "Identifiers",
    "Issuers",
    "Merge",
    "endings",
    "load_associations",
    "load_merges",
    "settled",
    "spoken",
    "usual_endings",
]
