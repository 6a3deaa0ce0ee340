"""Trying again, in silence: what became of an attempt is in the receipt, and standard output is for the commands."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stamina import Attempt

_silenced = False


def attempts(**how: Any) -> Iterator[Attempt]:
    """The attempts of `stamina.retry_context`, which by itself tells structlog, and so standard output, of each."""
    global _silenced
    import stamina
    from stamina.instrumentation import set_on_retry_hooks

    if not _silenced:
        # Once: whoever sets hooks of their own later keeps them.
        set_on_retry_hooks(())
        _silenced = True
    return iter(stamina.retry_context(**how))
