"""The record files of one block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import BinaryIO

from gateway.conversion.rendering import Rendered
from gateway.conversion.understanding import Written
from gateway.model import Block


class RecordFiles:
    """The record files of one block, opened when first needed; for a `with` statement.

    Args:
        folder: the result folder.
        block: the block, which gives the files their names.
        batch: makes an HL7 v2 batch file of messages and a number.

    Attributes:
        names: the files so far, below the result folder.
    """

    def __init__(self, folder: Path, block: Block, batch: Callable[[Sequence[str], str], bytes]) -> None:
        self._folder = folder
        self._stem = f"{block.export:04d}-{block.number:05d}"
        self._observations: BinaryIO | None = None
        self._provenance: BinaryIO | None = None
        self._messages: list[str] = []
        self._batch = batch
        self._parts = 0
        self.names: list[str] = []

    def __enter__(self) -> RecordFiles:
        return self

    def __exit__(self, *_: object) -> None:
        for file in (self._observations, self._provenance):
            if file is not None:
                file.close()

    def write(self, records: Rendered) -> Written:
        """Write verified records; messages are kept until the batch file of the block is complete."""
        self._parts += 1
        self._messages.extend(records.messages)
        oru = f"oru/{self._stem}.hl7" if records.messages else ""
        fhir = records.fhir
        if fhir is None:
            return Written("", oru)
        if fhir.bundled:
            with self._new(f"fhir/{self._stem}-{self._parts:04d}.bundle.json") as file:
                file.write(fhir.data)
            return Written(self.names[-1], oru)
        if self._observations is None:
            self._observations = self._new(f"fhir/{self._stem}.observations.ndjson")
        self._observations.write(fhir.data)
        if fhir.provenance:
            if self._provenance is None:
                self._provenance = self._new(f"fhir/{self._stem}.provenance.ndjson")
            self._provenance.write(b"\n".join([*fhir.provenance, b""]))
        return Written(self._observations.name.removeprefix(f"{self._folder}/"), oru)

    def finish(self) -> None:
        """Write the batch file of the messages."""
        if self._messages:
            with self._new(f"oru/{self._stem}.hl7") as file:
                file.write(self._batch(self._messages, self._stem))

    def _new(self, name: str) -> BinaryIO:
        path = self._folder / name
        path.parent.mkdir(exist_ok=True)
        self.names.append(name)
        return path.open("wb")
