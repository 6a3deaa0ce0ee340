"""Exports that are JSON Lines: the columns are JSON Pointers."""

from __future__ import annotations

import io
import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters._json_rows import _at, parsed, parts
from gateway.adapters.delimited import Delimited
from gateway.conversion.options import load_mapping
from gateway.errors import InputError, MappingError
from gateway.ledger import open_ledger
from gateway.mapping import columns
from gateway.model import LineKind
from tests.conversion.conversion_kit import COMMON, LOINC, fhir_facts, findings, run

HEAD = (
    COMMON.replace('"When"', '"/taken"').replace('"Who"', '"/patient/id"').replace('"On"', '"/monitor"')
    + '[delimited]\nrows = "json"\n'
)
_UNITS = {"systolic": "mmHg", "diastolic": "mmHg", "heart_rate": "/min", "spo2": "%", "temperature": "Cel",
          "weight": "kg"}  # fmt: skip
CODES = {code: vital for code, vital in LOINC.items() if vital in _UNITS}
WIDE = (
    HEAD
    + 'layout = "wide"\n'
    + "".join(f'[vitals.{vital}]\ncolumn = "/vitals/{vital}"\nunit = "{unit}"\n' for vital, unit in _UNITS.items())
)
LONG = (
    HEAD
    + 'layout = "long"\nlabel_column = "/results/-/code"\nvalue_column = "/results/-/value"\n'
    + "".join(f'[vitals.{vital}]\nlabels = ["{code}"]\nunit = "{_UNITS[vital]}"\n' for code, vital in CODES.items())
)


def told(folder: Path, mapping: str, *lines: str, out: str = "out", **options: Any) -> list[tuple[int, str]]:
    (folder / "a.jsonl").write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    run(folder, [folder / "a.jsonl"], mapping, out, **options)
    return [
        (int(each["line"] or 0), each["rule"]) for each in findings(folder / out) if each["rule"] != "column-not-seen"
    ]


def wide(minute: int, patient: str = "P-0007", **vitals: object) -> str:
    return json.dumps({"taken": f"2026-03-14 09:{minute:02}", "patient": {"id": patient, "name": None}, "monitor": "M1",
                       "vitals": vitals})  # fmt: skip


def test_pointers_are_those_of_the_standard() -> None:
    """RFC 6901, 5: the document and the pointers of its table."""
    document = (
        '{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\\\j": 5, "k\\"l": 6, " ": 7, '
        '"m~n": 8}'
    )
    found = parsed(document)
    assert _at(found, parts("")) == found
    assert _at(found, parts("/foo")) == ["bar", "baz"]
    for pointer, value in {
        "/foo/0": "bar", "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3", "/g|h": "4", "/i\\j": "5", '/k"l': "6",
        "/ ": "7", "/m~0n": "8",
    }.items():  # fmt: skip
        assert _at(found, parts(pointer)) == value, pointer
    # 4: no leading zeros; - is past the end; what is not there is no value.
    for pointer in ("/foo/00", "/foo/2", "/foo/-", "/foo/0/x", "/nothing", "/foo/x"):
        assert _at(found, parts(pointer)) is None, pointer


def test_numbers_are_read_as_they_are_written(tmp_path: Path) -> None:
    line = wide(30, temperature=0).replace(": 0}", ": 36.60}")
    assert told(tmp_path, WIDE, line, wide(40, heart_rate="64")) == []
    assert {(fact.vital, fact.value, fact.time[:16]) for fact in fhir_facts(tmp_path / "out")} == {
        ("temperature", "36.60", "2026-03-14T09:30"), ("heart_rate", "64", "2026-03-14T09:40"),
    }  # fmt: skip


def test_what_is_null_or_not_there_is_blank(tmp_path: Path) -> None:
    blank = wide(30, heart_rate=64, spo2=None, temperature=None)
    assert told(tmp_path, WIDE, blank, "", wide(31, spo2=97)) == []
    assert {fact.vital for fact in fhir_facts(tmp_path / "out")} == {"heart_rate", "spo2"}


@pytest.mark.parametrize(
    "line",
    [
        wide(30, heart_rate=64)[:-5],
        wide(30, heart_rate=64).replace('"monitor"', '"patient": {"id": "P-0008"}, "monitor"'),
        f"[{wide(30, heart_rate=64)}]",
        wide(30, heart_rate=64).replace("64", "NaN"),
        wide(30, heart_rate=64).replace("64", '"\\ud83d"'),
        wide(30, heart_rate=64) + wide(31, heart_rate=65),
        '{"a":' * 10_000,
        "64",
        "null",
    ],
)
def test_a_line_that_is_no_object_is_told_and_the_rest_goes_on(line: str, tmp_path: Path) -> None:
    found = told(tmp_path, WIDE, wide(29, heart_rate=60, patient="P-0001"), line, wide(50, heart_rate=61))
    assert found == [(2, "row-no-object")]
    assert {(fact.value, fact.time[11:16]) for fact in fhir_facts(tmp_path / "out")} == {
        ("60", "09:29"),
        ("61", "09:50"),
    }


def test_what_stands_where_a_value_should_be_is_held(tmp_path: Path) -> None:
    lines = [wide(at, heart_rate=value) for at, value in enumerate([{"value": 64}, [64], True, "", "64 bpm"], 10)]
    found = [rule for _, rule in told(tmp_path, WIDE, *lines) if rule != "set-has-no-values"]
    assert len(found) == 4
    assert fhir_facts(tmp_path / "out") == []


def test_a_column_that_is_not_there(tmp_path: Path) -> None:
    typo = WIDE.replace("/vitals/heart_rate", "/vitals/hart_rate")
    told(tmp_path, typo, *[wide(at, heart_rate=64) for at in range(3)])
    said = [each["message"] for each in findings(tmp_path / "out") if "hart" in each["message"]]
    assert said == ["None of the first 3 lines has /vitals/hart_rate (there is /vitals/heart_rate)"]
    with pytest.raises(InputError, match=r"the only line is not one that has /patient/no"):
        told(tmp_path, WIDE.replace("/patient/id", "/patient/no"), wide(30, heart_rate=64), out="no")
    with pytest.raises(InputError, match="none of the first 2 lines is a JSON object"):
        told(tmp_path, WIDE, "When,Who", "2026-03-14,P-0007", out="csv")
    with pytest.raises(InputError, match="none of the first 3 lines is a JSON object") as raised:
        told(tmp_path, WIDE, "[", wide(30, heart_rate=64) + ",", "]", out="array")
    assert "one object in each line" in f"{raised.value.todo}"


def results(*pairs: tuple[str, object], minute: int = 30, patient: str = "P-0007") -> str:
    return json.dumps({"taken": f"2026-03-14 09:{minute:02}", "patient": {"id": patient}, "monitor": "M1",
                       "results": [{"code": code, "value": value} for code, value in pairs]})  # fmt: skip


def test_each_element_of_a_list_is_a_reading(tmp_path: Path) -> None:
    lines = [
        results(("8480-6", 121), ("8462-4", 79), ("8867-4", 64)),
        results(("8867-4", 65), minute=40),
        results(minute=50),
        '{"taken": "2026-03-14 10:00", "patient": {"id": "P-0001"}, "monitor": "M1"}',
    ]
    found = told(tmp_path, LONG, *lines, ledger=tmp_path / "ledger.db")
    assert [each for each in found if each[1] == "row-no-object"] == [(4, "row-no-object")]
    facts = {(fact.vital, fact.value, fact.time[11:16]) for fact in fhir_facts(tmp_path / "out")}
    assert {("systolic", "121", "09:30"), ("diastolic", "79", "09:30"), ("heart_rate", "64", "09:30")} <= facts
    with open_ledger(tmp_path / "ledger.db") as ledger:
        assert all(hold.line in (2, 3) for hold in ledger.holds())


@settings(max_examples=80)
@given(
    st.lists(
        st.lists(st.tuples(st.sampled_from(sorted(CODES)), st.integers(60, 99)), max_size=6),
        min_size=1,
        max_size=8,
    ),
    st.integers(20, 600),
)
def test_every_reading_is_found_wherever_blocks_end(sets: list[list[tuple[str, int]]], size: int) -> None:
    """As Python's own json module reads them, which is the reference here."""
    lines = [results(*pairs, minute=at // 2, patient=f"P-{at // 2:04}") for at, pairs in enumerate(sets)]
    whole = list(lines)
    lines.insert(len(lines) // 2, '{"cut')
    expected: list[tuple[str, ...]] = []
    for each in map(json.loads, whole):
        expected += [
            (each["patient"]["id"], one["code"], f"{one['value']}")
            for one in each["results"] or [{"code": "", "value": ""}]
        ]
    mapping = load_mapping(LONG).mapping
    adapter = Delimited(mapping, columns(mapping))
    adapter.block = size
    found, kinds, seen = [], Counter[LineKind](), dict[str, int]()
    for block in adapter.blocks(io.BytesIO("\n".join(lines).encode()), 1):
        parsed = adapter.parse(block)
        kinds += block.lines + parsed.lines
        for line, cells in parsed.entries:
            own = dict(zip(block.fields, cells, strict=True))
            found.append((own["/patient/id"], own["/results/-/code"], own["/results/-/value"]))
            assert json.loads(lines[line - 1])["patient"]["id"] == own["/patient/id"]
            # Both lines of a set are in one block.
            assert seen.setdefault(own["/patient/id"], block.number) == block.number
    assert found == expected
    assert kinds == {LineKind.ENTRY: len(sets), LineKind.UNREADABLE: 1}


@pytest.mark.parametrize(
    ("old", "new", "line", "what"),
    [
        ('"/taken"', '"taken"', "columns", "is no JSON Pointer"),
        ('"/taken"', '"/tak~en"', "columns", "is no JSON Pointer"),
        ('rows = "json"', 'rows = "json"\ndelimiter = ";"', "delimiter", "has no such thing"),
        ('"/patient/id"', '"/results/-/id"', "/results/-/id", "all readings of a list are one set"),
        ('"/results/-/value"', '"/others/-/value"', "/others/-/value", "another list"),
        ('layout = "long"', 'layout = "long"\norder = "any"', "order", "stand together"),
    ],
)
def test_mistakes_are_explained_at_their_line(old: str, new: str, line: str, what: str, tmp_path: Path) -> None:
    assert old in LONG
    text = LONG.replace(old, new)
    with pytest.raises(MappingError, match=what) as raised:
        told(tmp_path, text, results(("8867-4", 64)))
    at = next(number for number, each in enumerate(text.split("\n"), 1) if line in each)
    assert f"line {at}," in f"{raised.value}"


def test_lists_in_the_wide_layout_are_refused(tmp_path: Path) -> None:
    with pytest.raises(MappingError, match="in the wide layout each line is a set"):
        told(tmp_path, WIDE.replace("/vitals/weight", "/vitals/-/weight"), wide(30))


def test_readings_that_are_lines_of_their_own_in_any_order(tmp_path: Path) -> None:
    mapping = LONG.replace("/results/-/", "/").replace('layout = "long"', 'layout = "long"\norder = "any"')
    rows = [
        json.dumps(
            {
                "taken": f"2026-03-14 {9 + int(who[-1])}:30",
                "patient": {"id": who},
                "monitor": "M1",
                "code": code,
                "value": value,
            }
        )
        for who, code, value in (("P-0001", "8480-6", 121), ("P-0002", "8867-4", 64), ("P-0001", "8462-4", 79))
    ]
    assert told(tmp_path, mapping, *rows) == []
    assert {(fact.patient, fact.vital) for fact in fhir_facts(tmp_path / "out")} == {
        ("P-0001", "systolic"), ("P-0001", "diastolic"), ("P-0002", "heart_rate"),
    }  # fmt: skip
