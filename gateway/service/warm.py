"""Imported once by the process that the others are forked from, so that a look at a sample takes no start-up time."""

import fhir.resources.R4B.observation  # noqa: F401
import hl7apy.core  # noqa: F401

import gateway.conversion
import gateway.inspection.samples
import gateway.records.fhir
import gateway.records.oru
import gateway.service.tasks  # noqa: F401
