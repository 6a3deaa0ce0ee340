"""What people need to agree on a mapping: a draft from a file, a comparison of two, and exports with expected results.

| module | what it does |
| --- | --- |
| draft | proposes a mapping from an export, with the evidence and the open questions |
| compare | what two mappings, or two versions of the gateway, make of the same exports |
| pack | runs exports whose records were agreed on, and tells the first difference |
| results | reads the records and reports of a result folder |
"""
