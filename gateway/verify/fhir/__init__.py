"""Re-reads rendered FHIR R4 before anything leaves the gateway, by another road than the renderer.

Two readings of the same rules. The plain one parses a record whole and says everything that is wrong with it. The quick
one cuts the bytes of a record at a few member names and looks each piece up: a piece that was once parsed on its own as
a complete run of members and found good is good wherever it stands, so the record is good when all its pieces are and
their facts fit together. Whatever the quick reading does not know as good goes to the plain one, which alone judges.

The rules come from `gateway.verify.published` and from the FHIR R4 4.0.1 invariants named in the problems (vs-1, vs-2,
vs-3, obs-3, obs-6, obs-7, qty-3, ref-1, bdl-1 to bdl-8); the gateway's own promises (identifiers, ifNoneExist, the
pairing of comparator and interpretation) are checked beside them. Problems never quote an identifier or a value.
"""

from gateway.verify.fhir.bundles import REPLACING, UPDATED
from gateway.verify.fhir.deep import deep_fhir
from gateway.verify.fhir.elements import STATUS
from gateway.verify.fhir.problems import Problem
from gateway.verify.fhir.quick import FhirVerifier
from gateway.verify.fhir.resources import ACTIVITIES, DATA_OPERATION

__all__ = ["ACTIVITIES", "DATA_OPERATION", "REPLACING", "STATUS", "UPDATED", "FhirVerifier", "Problem", "deep_fhir"]
