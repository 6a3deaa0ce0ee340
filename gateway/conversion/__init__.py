"""The one join of the stages: exports in, verified records and a report out.

    export -> adapter -> entries -> readings -> checks -> sets -> repeats -> render -> verify -> write -> report

| module | what it does |
| --- | --- |
| batch | `convert`: the whole run, from arguments to the finished folder |
| request | what a conversion is asked for, refused where it cannot be done |
| options | the choices, and what every block needs to know |
| exports | finds, measures and hashes the exports; cuts them into blocks |
| clocks | what the clocks of the monitors showed, looked through before anything is converted |
| workers | blocks one after another, or in several processes |
| blocks | one block: its stages one after the other, and what is counted |
| understanding | entries become sets of readings |
| fields | where columns stand among the cells of an entry |
| seen | what becomes of sets that were discarded or seen before |
| rendering | sets become records, which are verified |
| record_files | the record files of a block |
| ledger_rows | what a ledger is to remember of the sets of a block |
| remembering | a run with a ledger |
| summary | the report, from what was counted |
| payloads | the bytes of an item of the queue |

An export is cut into blocks that never divide a set. A block is converted on its own; what depends on other blocks
(has this set been seen before?) is settled in the order of the export, so that any number of workers gives the
same bytes.
"""

from __future__ import annotations

from gateway.conversion.batch import Batch, convert
from gateway.conversion.options import load_mapping

__all__ = ["Batch", "convert", "load_mapping"]
