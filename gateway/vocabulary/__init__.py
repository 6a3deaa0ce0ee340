"""What the gateway knows: vitals, panels, units, sites, methods, answers, qualifiers, limits, as data.

The tables are TOML files beside this module, with their editions and sources written into them. They are read once,
checked against each other (a contradiction is a `VocabularyError`: a fault in the gateway) and then only looked up.
Every LOINC code passes its check digit on loading.
"""

from __future__ import annotations

from gateway.vocabulary.tables import (
    CATEGORY_SYSTEM,
    LOINC,
    MDC,
    SNOMED,
    UCUM,
    Answer,
    Choice,
    Coding,
    Limits,
    Method,
    Panel,
    Qualifier,
    Site,
    Unit,
    Vital,
    convert,
    editions,
    limits,
    loinc_check_digit_ok,
    panels,
    profiles,
    qualifiers,
    unit_for,
    units,
    vitals,
)

__all__ = [
    "CATEGORY_SYSTEM",
    "LOINC",
    "MDC",
    "SNOMED",
    "UCUM",
    "Answer",
    "Choice",
    "Coding",
    "Limits",
    "Method",
    "Panel",
    "Qualifier",
    "Site",
    "Unit",
    "Vital",
    "convert",
    "editions",
    "limits",
    "loinc_check_digit_ok",
    "panels",
    "profiles",
    "qualifiers",
    "unit_for",
    "units",
    "vitals",
]
