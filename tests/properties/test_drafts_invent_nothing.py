"""Whatever the file, a draft is TOML, states no unit, zone or system the file does not state, and names nobody."""

from __future__ import annotations

import tempfile
import tomllib
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from gateway.authoring.draft import draft
from gateway.errors import InputError
from gateway.mapping import loader

SECRETS = ("FH000104", "Okonkwo-Lindqvist", "7712345", "0012-4455-88")
CELLS = st.one_of(
    st.sampled_from(
        [*SECRETS, "", "120", "36,5", "98.6", "120/80", "--", "Q07", "01/02/2026 10:00", "2026-13-40", "x y"]
    ),
    st.text(max_size=6),
)
NAMES = st.sampled_from(["Time", "Patient", "MRN", "Device", "SYS", "SBP", "NIBP", "Temp", "Pulse", "T", "SpO2", "Wt",
                         "Label", "Value", "Unit", "Remark", "", 'a"b', "#x", "[t]", "Zeit\x07"])  # fmt: skip


def drafted(data: bytes) -> str | None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "export"
        path.write_bytes(data)
        try:
            return draft(path)
        except InputError:
            return None


def units_in(table: object) -> bool:
    return isinstance(table, dict) and bool({"unit", "units"} & table.keys())


@given(
    st.lists(NAMES, min_size=2, max_size=8),
    st.lists(st.lists(CELLS, min_size=2, max_size=8), min_size=1, max_size=8),
    st.sampled_from(",;\t|"),
    st.booleans(),
)
def test_tables(names: list[str], rows: list[list[str]], mark: str, named: bool) -> None:
    rows = [(row * 8)[: len(names)] for row in rows]
    lines = [mark.join(row) for row in ([names, *rows] if named else rows)]
    text = drafted("\n".join([*lines, ""]).encode("utf-8", "replace"))
    if text is None:
        return
    made = tomllib.loads(text)
    assert not any(secret in text for secret in SECRETS)
    assert "zone" not in made["time"]
    assert "system" not in made["patient"]
    assert not {"title", "namespace"} & made.keys()
    if "%" not in "".join(map("".join, rows)):
        assert not any(units_in(vital) for key, vital in made.get("vitals", {}).items() if "labels" not in vital)


@given(st.binary(min_size=1, max_size=400))
def test_bytes(data: bytes) -> None:
    text = drafted(data)
    if text is not None:
        made = tomllib.loads(text)
        assert "zone" not in made["time"] or made["time"]["zone"] == "offset-in-text"
        # What gateway check reads first: no control characters, and TOML.
        loader.decode(text.encode(), "draft")
