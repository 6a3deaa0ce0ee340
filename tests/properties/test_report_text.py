"""Whatever a file, column or device is called, the report can print it and a spreadsheet does not run it."""

from __future__ import annotations

import csv
import io
import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from gateway.report.findings import cell
from gateway.report.model import tidy

ANYTHING = st.text(st.characters(), max_size=80)


@given(ANYTHING, st.integers(min_value=30, max_value=60))
def test_tidy_text_is_printable_and_short(text: str, limit: int) -> None:
    shown = tidy(text, limit)
    assert len(shown) <= limit
    assert not any(unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp") for character in shown)
    assert not any(unicodedata.bidirectional(character) in ("RLO", "LRO", "RLE", "LRE", "RLI") for character in shown)
    assert shown.encode("utf-8").decode("utf-8") == shown
    assert tidy(shown, limit) == shown


@given(st.sampled_from(["", " ", "\t", "\n", "\ufeff"]), st.sampled_from("=+-@\uff1d\uff0b\uff0d\uff20"), ANYTHING)
def test_no_text_becomes_a_formula(before: str, sign: str, rest: str) -> None:
    shown = cell(before + sign + rest)
    assert shown[:1] not in set("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
    written = io.StringIO()
    csv.writer(written).writerow([shown])
    assert next(csv.reader(io.StringIO(written.getvalue()))) == [shown]
