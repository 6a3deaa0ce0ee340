"""What every adapter keeps to. A new adapter is tested here by existing: its `example()` is the material."""

from __future__ import annotations

import io
import json
import pickle
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import cast, get_args

import pytest

from gateway.adapters import Adapter, adapter_for, forms
from gateway.adapters.base import METHODS, _adapters, discover
from gateway.conversion.batch import Batch
from gateway.errors import GatewayError, InputError, MappingError
from gateway.mapping.forms import tables
from gateway.mapping.loader import load
from gateway.mapping.model import Category, Mapping
from gateway.model import Block, Finding, LineKind, Parsed
from tests.conversion.conversion_kit import run

NEEDED_KEYS = ("column", "columns")


def named(value: object) -> Iterator[str]:
    """Every column a mapping names, found without help from the code under test."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in NEEDED_KEYS:
                yield from [inner] if isinstance(inner, str) else inner
            else:
                yield from named(inner)


class Case:
    def __init__(self, form: str) -> None:
        data, self.export = _adapters()[form].example()
        self.needed = tuple(dict.fromkeys(named(data)))
        self.mapping = Mapping.model_validate(data)
        self.adapter: Adapter = adapter_for(self.mapping, self.needed)

    def read(self, export: bytes, number: int = 1) -> tuple[list[Block], list[Parsed]]:
        blocks = list(self.adapter.blocks(io.BytesIO(export), number))
        return blocks, [self.adapter.parse(block) for block in blocks]


@pytest.fixture(params=forms())
def case(request: pytest.FixtureRequest) -> Case:
    return Case(request.param)


def size_of(case: Case, data: bytes) -> int:
    """What there is to account for: lines or bytes, as the adapter counts."""
    if case.adapter.counts == "bytes":
        return len(data)
    parts = re.split(rb"\r\n|\r|\n", data)
    return len(parts) - (parts[-1] == b"")


def accounted(blocks: list[Block], parsed: list[Parsed]) -> Counter[LineKind]:
    total: Counter[LineKind] = Counter()
    for lines in (*(block.lines for block in blocks), *(part.lines for part in parsed)):
        total.update(lines)
    return total


def noticed(blocks: list[Block], parsed: list[Parsed]) -> list[Finding]:
    return [
        finding for block, part in zip(blocks, parsed, strict=True) for finding in (*block.findings, *part.findings)
    ]


def test_the_example_is_read(case: Case) -> None:
    blocks, parsed = case.read(case.export)
    entries = [entry for part in parsed for entry in part.entries]
    assert entries
    assert sum(accounted(blocks, parsed).values()) == size_of(case, case.export)
    for block, part in zip(blocks, parsed, strict=True):
        assert set(case.needed) <= set(block.fields)
        assert all(len(cells) == len(block.fields) for _, cells in part.entries)
        assert all(isinstance(cell, str) for _, cells in part.entries for cell in cells)


def test_lines_of_entries_rise_and_point_at_the_export(case: Case) -> None:
    _, parsed = case.read(case.export)
    lines = [line for part in parsed for line, _ in part.entries]
    assert lines == sorted(set(lines))
    assert min(lines) >= 1
    if case.adapter.counts == "bytes":
        return
    texts = re.split("\r\n|\r|\n", case.export.decode())
    for part in parsed:
        for line, cells in part.entries:
            assert any(cell and cell in texts[line - 1] for cell in cells)


def test_blocks_are_numbered_and_carry_the_export(case: Case) -> None:
    blocks, parsed = case.read(case.export + b"broken\n", number=7)
    assert [block.number for block in blocks] == list(range(1, len(blocks) + 1))
    findings = noticed(blocks, parsed)
    assert findings
    assert {block.export for block in blocks} | {finding.export for finding in findings} == {7}


def test_reading_twice_gives_the_same(case: Case) -> None:
    assert case.read(case.export) == case.read(case.export)


def test_parse_changes_nothing_and_repeats_itself(case: Case) -> None:
    for block in case.adapter.blocks(io.BytesIO(case.export), 1):
        before = pickle.dumps(block)
        assert case.adapter.parse(block) == case.adapter.parse(block)
        assert pickle.dumps(block) == before


def test_blocks_do_not_depend_on_how_bytes_arrive(case: Case) -> None:
    class Drops(io.BytesIO):
        def read(self, size: int | None = -1) -> bytes:
            return super().read(min(size, 3) if size and size > 0 else 3)

        def read1(self, size: int | None = -1) -> bytes:
            return self.read(size)

    export = case.export * 2
    whole, parsed = case.read(export)
    blocks = list(case.adapter.blocks(Drops(export), 1))
    assert blocks == whole
    assert [case.adapter.parse(block) for block in blocks] == parsed


def test_blocks_travel_between_processes(case: Case) -> None:
    other = Case(case.mapping.form).adapter
    for block in case.adapter.blocks(io.BytesIO(case.export), 1):
        assert other.parse(pickle.loads(pickle.dumps(block))) == case.adapter.parse(block)


def test_an_empty_export_is_a_finding(case: Case) -> None:
    blocks, parsed = case.read(b"")
    assert [finding.rule for finding in blocks[0].findings] == ["export-empty"]
    assert len(blocks) == 1
    assert set(case.needed) <= set(blocks[0].fields)
    assert parsed[0].entries == []
    assert accounted(blocks, parsed) == Counter()


@pytest.mark.parametrize("junk", [bytes(range(256)) * 40, b"\x89PNG\r\n\x1a\n" + b"\0" * 999, b"\xff" * 5000])
def test_junk_is_an_error_that_says_what_to_do(case: Case, junk: bytes) -> None:
    with pytest.raises(InputError) as caught:
        case.read(junk)
    assert caught.value.todo


def test_junk_after_the_start_is_accounted_for(case: Case) -> None:
    export = case.export + bytes(range(256)) * 40
    blocks, parsed = case.read(export)
    total = accounted(blocks, parsed)
    assert sum(total.values()) == size_of(case, export)
    assert total[LineKind.UNREADABLE]


def test_what_is_unreadable_has_a_finding(case: Case) -> None:
    blocks, parsed = case.read(case.export + bytes(range(256)) * 3)
    errors = [finding for finding in noticed(blocks, parsed) if finding.severity == "error"]
    unreadable = accounted(blocks, parsed)[LineKind.UNREADABLE]
    assert unreadable
    assert errors
    if case.adapter.counts == "lines":
        assert len(errors) == unreadable
        assert all(finding.line for finding in errors)
    else:
        assert all(0 <= finding.offset < len(case.export) + 3 * 256 for finding in errors)


def test_a_failing_read_is_an_error_with_its_place(case: Case) -> None:
    class Failing(io.RawIOBase):
        sent = False

        def read(self, size: int = -1) -> bytes:
            if self.sent:
                raise OSError(5, "Input/output error")
            self.sent = True
            return case.export

    with pytest.raises(InputError, match=f"after byte {len(case.export)} .*Input/output error"):
        list(case.adapter.blocks(Failing(), 1))  # type: ignore[arg-type]


# -- its table of the mapping


def test_the_form_has_its_table(case: Case) -> None:
    table = tables()[case.mapping.form]
    assert case.mapping.form in get_args(Mapping.model_fields["form"].annotation)
    assert isinstance(case.mapping.table, table), f"the example has no table [{case.mapping.form}]"
    assert table.__doc__
    assert table.hints[()]
    table.model_validate(table.stand_ins[()])
    needed = {name for name, field in table.model_fields.items() if field.is_required()}
    assert needed == {key[0] for key in table.hints if len(key) == 1} == {key[0] for key in table.stand_ins if key}


def test_a_mapping_without_its_table_is_refused_before_an_export_is_seen(case: Case) -> None:
    data, _ = _adapters()[case.mapping.form].example()
    del data[case.mapping.form]
    with pytest.raises(MappingError) as caught:
        load("\n".join(f"{key} = {toml(value)}" for key, value in data.items()))
    (error,) = caught.value.problems
    assert f"key {case.mapping.form}" in error.where
    assert tables()[case.mapping.form].hints[()] in error.todo


def test_the_table_checks_its_own_keys(case: Case) -> None:
    data, _ = _adapters()[case.mapping.form].example()
    data[case.mapping.form] = {**cast(dict, data[case.mapping.form]), "encoding": "latin-l"}
    with pytest.raises(MappingError) as caught:
        load("\n".join(f"{key} = {toml(value)}" for key, value in data.items()))
    (error,) = caught.value.problems
    assert f"key {case.mapping.form}.encoding" in error.where


@pytest.mark.parametrize(
    ("there", "says"),
    [
        (("delimited", "framed", "listing", "sheet"), "form of export has no adapter in gateway/adapters/sheet.py"),
        (("delimited", "framed"), "adapter has no table in gateway/mapping/forms/listing.py"),
    ],
)
def test_a_table_and_an_adapter_belong_together(
    monkeypatch: pytest.MonkeyPatch, there: tuple[str, ...], says: str
) -> None:
    monkeypatch.setattr("gateway.adapters.base.tables", lambda: dict.fromkeys(there))
    with pytest.raises(GatewayError, match=says):
        _adapters.__wrapped__()


# -- a later run


def test_columns_now_are_those_the_block_is_read_into(case: Case) -> None:
    for block in case.adapter.blocks(io.BytesIO(case.export), 1):
        columns = case.adapter.columns_now(block)
        assert columns is not None
        assert set(case.needed) <= set(columns)
        assert all(len(cells) == len(columns) for _, cells in case.adapter.parse(block).entries)


def test_a_column_that_a_kept_block_does_not_have_is_noticed(case: Case) -> None:
    """The mapping uses another column by now: it is refused at once, or the block does not fit."""
    try:
        later = adapter_for(case.mapping, (*case.needed, "a column of tomorrow"))
    except MappingError:
        return
    assert [later.columns_now(block) for block in case.read(case.export)[0]] == [None] * len(case.read(case.export)[0])


def toml(value: object) -> str:
    """A value as TOML, tables inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(name)} = {toml(inner)}" for name, inner in value.items()) + "}"
    return "[" + ", ".join(map(toml, value)) + "]" if isinstance(value, list | tuple) else json.dumps(value)


def test_what_was_held_is_taken_up_again(case: Case, tmp_path: Path) -> None:
    """A ledger run with open holds, of blocks that an earlier run kept: everything that an adapter is asked for."""
    data, export = _adapters()[case.mapping.form].example()
    (tmp_path / "export.txt").write_bytes(export)
    band = {"hold": [0, 1]}
    strict = {each: dict.fromkeys(case.mapping.vitals, band) for each in get_args(Category)}

    def converted(name: str, more: dict[str, object], *exports: Path) -> Batch:
        text = "\n".join(f"{key} = {toml(value)}" for key, value in (data | more).items())
        return run(tmp_path, exports, text, name, ledger=tmp_path / "ledger.db")

    held = converted("held", {"plausibility": {"limits": strict}}, tmp_path / "export.txt").report
    readings = held.reckoning.readings.all.held
    assert readings >= 2
    assert held.reckoning.readings.all.recorded == 0
    released = converted("released", {}).report.batch.holds
    assert released is not None
    assert released.readings["recorded"] == readings, f"{case.mapping.form}: columns_now or parse lost what was kept"
    assert released.open == 0


# -- discovery


def package(folder: Path, name: str, **modules: str) -> str:
    home = folder / name
    home.mkdir()
    for module, source in {"__init__": "", **modules}.items():
        (home / f"{module}.py").write_text(source)
    return name


WHOLE = """
class A:
    form = "{form}"
    counts = "lines"
    def blocks(self, stream, export): ...
    def columns_now(self, block): ...
    def parse(self, block): ...
    @staticmethod
    def example(): ...
ADAPTER = A
"""


def test_discovery_finds_whole_adapters_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(tmp_path)
    name = package(
        tmp_path, "demo_good", two=WHOLE.format(form="two"), one=WHOLE.format(form="one"), base="1 / 0", _own="1 / 0"
    )
    assert list(discover(name)) == ["one", "two"]


@pytest.mark.parametrize(
    ("name", "source", "says"),
    [
        ("demo_raises", "import no_such_module_here", "cannot be imported .*no_such_module_here"),
        ("demo_syntax", "def (", "cannot be imported .SyntaxError"),
        ("demo_empty", "", "no class named ADAPTER"),
        ("demo_instance", WHOLE.format(form="bad") + "\nADAPTER = A()", "no class named ADAPTER"),
        *(
            (f"demo_lacks_{name}", WHOLE.format(form="bad").replace(f"def {name}", "def other"), f"lacks {name}")
            for name in METHODS
        ),
        ("demo_uncounted", WHOLE.format(form="bad").replace("counts", "other"), "what it counts"),
        ("demo_misnamed", WHOLE.format(form="good"), "calls its form 'good'"),
    ],
)
def test_a_broken_adapter_stops_them_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, source: str, says: str
) -> None:
    monkeypatch.syspath_prepend(tmp_path)
    package(tmp_path, name, good=WHOLE.format(form="good"), bad=source)
    with pytest.raises(GatewayError, match=says) as caught:
        discover(name)
    assert f"{name}.bad" in caught.value.where
    assert caught.value.todo


def test_everything_in_the_face_is_asked_for() -> None:
    assert set(METHODS) == {"blocks", "columns_now", "parse", "example"}, "exercise the new method in this file"


def test_the_shipped_forms() -> None:
    assert forms() == tuple(sorted(forms()))
    assert {"delimited", "framed", "listing"} <= set(forms())
