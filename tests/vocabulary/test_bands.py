"""The picture of the limits says what the limits say."""

from __future__ import annotations

import re

import pytest

from gateway import vocabulary
from gateway.inspection.bands import picture
from gateway.vocabulary.tables import CATEGORIES
from tests.conversion.conversion_kit import gateway

NUMBERS = [key for key, vital in vocabulary.vitals().items() if vital.units]


@pytest.mark.parametrize("vital", NUMBERS)
def test_each_mark_is_what_the_limits_say_of_its_place(vital: str) -> None:
    scale, *rows = picture(vital)
    assert [row.split()[0] for row in rows] == list(CATEGORIES)
    limits = [vocabulary.limits("proposal", category, vital) for category in CATEGORIES]
    low = float(min(each.hold[0] for each in limits if each and each.hold))
    high = float(max(each.hold[1] for each in limits if each and each.hold))
    left, right = map(float, re.findall(r"[0-9]+(?:\.[0-9]+)?", scale)[:2])
    assert left <= low
    assert right > high
    for row, own in zip(rows, limits, strict=True):
        assert own is not None
        assert own.hold is not None
        assert own.flag is not None
        marks = row[10:]
        step = (right - left) / len(marks)
        for at, mark in enumerate(marks):
            value = left + (at + 0.5) * step
            # The scale's ends are shown rounded: what lies within a step of a limit may be on either side of it.
            if min(abs(value - float(end)) for end in (*own.hold, *own.flag)) <= step:
                continue
            possible, usual = (float(band[0]) <= value <= float(band[1]) for band in (own.hold, own.flag))
            assert mark == ("=" if usual else "-" if possible else "."), (row, value)


def test_a_coded_vital_has_none() -> None:
    assert picture("consciousness") == []


def test_the_command_shows_it() -> None:
    shown = gateway("vitals", "heart_rate").stdout
    assert "\n".join(picture("heart_rate")) in shown
    assert "sign-off" in shown
