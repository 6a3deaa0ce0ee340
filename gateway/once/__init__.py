"""Was this measurement seen before, in which version, and for whom?

`source` says what a measurement is, whoever it is charted for; `batch` and `lists` remember the sets of a batch,
`recorded` asks the ledger besides, and `verdict` decides what becomes of a set of which something is known. Nothing
else decides any of it. What they need of the ledger and of the records they are given.
"""

from gateway.once.batch import BlockRepeats, Repeats
from gateway.once.lists import Listed, Lists
from gateway.once.recorded import Asked, Patient, Recorded, surviving
from gateway.once.source import Earlier, Key, Prints, Seen, canonical, patient_digest, telling
from gateway.once.verdict import Grouping, Judge, Said, Verdict

__all__ = [
    "Asked",
    "BlockRepeats",
    "Earlier",
    "Grouping",
    "Judge",
    "Key",
    "Listed",
    "Lists",
    "Patient",
    "Prints",
    "Recorded",
    "Repeats",
    "Said",
    "Seen",
    "Verdict",
    "canonical",
    "patient_digest",
    "surviving",
    "telling",
]
