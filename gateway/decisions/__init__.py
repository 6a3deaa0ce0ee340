"""What people decide: one shape for each decision, checked completely when it is made.

| module | what it does |
| --- | --- |
| base | what a decision is, and how one is made |
| settling | holds: confirm, assign, discard |
| again | what a held or recorded set would be now |
| retraction | takes back what was recorded |
| moving | takes back there and records here; the same for a list of merged identifiers |
| queue | what waits to be sent: parked, released, skipped, sent again; targets stopped and resumed |

A decision is checked against the ledger and the mapping that it will be carried out with, so that what cannot be done
is refused then and not by the next run. A dry run is the check, and tells what it found.
"""

from gateway.decisions.base import Decision, Effect, decide
from gateway.decisions.moving import Merge, Move
from gateway.decisions.retraction import Reason, Retract
from gateway.decisions.settling import Action, Settle

__all__ = ["Action", "Decision", "Effect", "Merge", "Move", "Reason", "Retract", "Settle", "decide"]
