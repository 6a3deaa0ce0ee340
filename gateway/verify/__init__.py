"""Reads again what was rendered, independently of the renderers, before anything leaves.

Written from the standards, and from tables of their own: nothing here imports a renderer or the vocabulary.

| module | what it reads |
| --- | --- |
| fhir | FHIR R4 Observations, Devices, Provenance and Bundles |
| oru | HL7 v2 messages and batch files |
| published | the codes and units that the standards publish, by vital |
"""
