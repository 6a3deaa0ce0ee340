"""Entries become sets of readings: every distinct text is understood once and looked up after that.

| module | what it does |
| --- | --- |
| sets | the way of an entry: which entries make a set, and what all the others say of it |
| values | the cells of the vitals, in the wide and in the long layout |
| qualifiers | what is said beside a measurement: mode, cuff, position |
| checks | what holds or marks readings that are understood: rules over a set, panels |
| when | the time: in a text, by an age, by a device's clock |
| who | the patient, and the other parties: device, operator, location, encounter |
| source | what makes a set the same set in another export |
| candidate | a set that is understood and not yet recorded |
"""

from __future__ import annotations

from gateway.conversion.understanding.candidate import Candidate, Written
from gateway.conversion.understanding.sets import Understanding

__all__ = ["Candidate", "Understanding", "Written"]
