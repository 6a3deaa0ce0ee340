"""The one join of the stages: exports in, verified records and a report out.

    export -> adapter -> entries -> readings -> checks -> sets -> repeats -> render -> verify -> write -> report

| module | what it does |
| --- | --- |
| options | what a conversion is asked for |
| exports | finds, measures and hashes the exports; cuts them into blocks |
| understanding | entries become sets of readings |
| blocks | one block: render, verify, write, count |
| clocks | what the clocks of the monitors showed, looked through before anything is converted |
| remembering | a run with a ledger |
| workers | blocks one after another, or in several processes |
| batch | `convert`: the whole run, from arguments to the finished folder |
| payloads | the bytes of an item of the queue |

An export is cut into blocks that never divide a set. A block is converted on its own; what depends on other blocks
(has this set been seen before?) is settled in the order of the export, so that any number of workers gives the
same bytes.
"""

from __future__ import annotations

from gateway.conversion.batch import Batch, convert
from gateway.conversion.options import load_mapping

__all__ = ["Batch", "convert", "load_mapping"]
