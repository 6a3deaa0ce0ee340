"""What makes a set the same set in another export, and what it says: the key that `gateway.once` compares."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from gateway.conversion.fields import Fields, trimmed
from gateway.conversion.understanding.when import STEPS, When
from gateway.conversion.understanding.who import Who
from gateway.mapping import Mapping
from gateway.model import Moment, Party, Reading
from gateway.once import Key, Prints, telling

_BETWEEN = "/"
"""Between the parts of a record number that stand in several columns."""


class Source:
    """Makes the keys of sets.

    Args:
        mapping: the mapping.
        fields: where the columns stand.
        when: for the time by the export's own clock.
    """

    def __init__(self, mapping: Mapping, fields: Fields, when: When) -> None:
        self._namespace = mapping.namespace
        self._sequence = fields.every(mapping.sequences)
        self._when = when
        self._prints = Prints()

    def key(
        self,
        place: tuple[int, int],
        cells: list[str],
        who: Who,
        device: Party | None,
        moment: Moment,
        readings: Sequence[Reading],
        content: str,
    ) -> Key:
        """The key of a set.

        Args:
            place: position of the export, and line of the set's first entry.
            cells: of that entry.
            who: its patient.
            device: its device.
            moment: its time.
            readings: those that are to be recorded.
            content: the texts of its measurements.
        """
        export, line = place
        parts = [trimmed(cells, at) for at in self._sequence]
        number = _BETWEEN.join(parts) if any(parts) else ""
        step = STEPS[moment.precision]
        return Key(
            self._when.wall(moment),
            self._identity(who.party, device, self._when.printed(moment, content), number),
            _digest(content, 8),
            export,
            line,
            device.value if device else "",
            number,
            who.digest,
            who.how,
            self._prints.of(readings),
            step,
            device is None and telling(readings, step),
        )

    def _identity(self, patient: Party, device: Party | None, printed: str, number: str) -> bytes:
        """Digest of the source identity: who, on what, when by the export's own clock, and its own number."""
        place = device.value if device else ""
        return _digest("\x1f".join([self._namespace, patient.system, patient.value, place, printed, number]), 16)


def _digest(text: str, size: int) -> bytes:
    return hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=size).digest()
