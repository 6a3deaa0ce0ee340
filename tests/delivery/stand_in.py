"""What stands in for a target where a test looks at delivery, and not at a wire."""

from __future__ import annotations

from types import TracebackType
from typing import Literal, Self

from gateway.delivery.base import Receipt


class StandIn:
    """The face of a target; a test adds `send`, and what it wants otherwise."""

    name: str = "lab"
    kind: Literal["fhir", "oru"] = "oru"
    park_after: int = 0
    corrections: Literal["changed", "whole"] = "changed"

    def send(self, data: bytes) -> Receipt:
        raise NotImplementedError

    def check(self) -> list[str]:
        return []

    def close(self) -> None:
        """Nothing is open."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
