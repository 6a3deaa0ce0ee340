"""Delivery of rendered records: FHIR bundles over REST, HL7 v2 messages over MLLP."""
