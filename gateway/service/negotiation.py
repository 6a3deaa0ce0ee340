"""Which of several forms a client prefers (RFC 9110, section 12.5.1)."""

from __future__ import annotations

from collections.abc import Sequence

from gateway.service.problems import Refused


def preferred(accept: str, offered: Sequence[str]) -> str:
    """The media type to answer with: the offered one with the highest quality, the earlier one of equals.

    Args:
        accept: the Accept header; "" takes the first one offered.
        offered: media types without parameters.

    Raises:
        Refused: 406, none of them is accepted.
    """
    if not accept.strip():
        return offered[0]
    ranges = [found for part in accept.split(",") if (found := _range(part)) is not None]
    best, chosen = 0.0, ""
    for media in offered:
        quality = _quality(media, ranges)
        if quality > best:
            best, chosen = quality, media
    if not chosen:
        raise Refused(406, "none of the forms asked for can be given", f"Ask for one of {', '.join(offered)}")
    return chosen


def _range(part: str) -> tuple[str, float] | None:
    media, *parameters = (each.strip().lower() for each in part.split(";"))
    if media.count("/") != 1:
        return None
    quality = 1.0
    for each in parameters:
        if each.startswith("q="):
            try:
                quality = float(each[2:])
            except ValueError:
                return None
    return media, min(max(quality, 0.0), 1.0) if quality == quality else 0.0


def _quality(media: str, ranges: Sequence[tuple[str, float]]) -> float:
    """The quality of the most specific range that fits."""
    for pattern in (media, f"{media.split('/')[0]}/*", "*/*"):
        fitting = [quality for found, quality in ranges if found == pattern]
        if fitting:
            return max(fitting)
    return 0.0
