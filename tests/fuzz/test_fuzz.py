"""A small part of `./dev fuzz`, and that what it looks for is found."""

from __future__ import annotations

import pytest

from gateway.adapters.delimited import Delimited
from gateway.conversion.understanding.values import Wide
from gateway.errors import GatewayError
from gateway.model import LineKind
from tests.fuzz.fuzz import Outcome, bases, fuzz, main, once, without_pages


def test_nothing_is_found() -> None:
    exports, mappings = fuzz(exports=150, mappings=120, seed=7)
    assert exports.faults + mappings.faults == []
    # Otherwise the spoilt ones are all refused, and nothing is looked at.
    assert exports.counts["converted"] > 60
    assert mappings.counts["refused"] > 60


def judged(name: str) -> list[str]:
    (base,) = [each for each in bases() if each.name == name]
    outcome = Outcome()
    with without_pages():
        once(outcome, base, base.mapping, base.export, coloured=base.coloured, again="it")
    return outcome.faults


@pytest.mark.parametrize("name", [each.name for each in bases()])
def test_what_is_not_spoilt_is_in_order(name: str) -> None:
    assert judged(name) == []


def test_a_traceback_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Wide, "sets", lambda *_: 1 / 0)
    assert "ZeroDivisionError" in judged("wide")[0]


def test_a_fault_of_the_gateway_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> object:
        raise GatewayError("this is a fault of the gateway", todo="Report it")

    monkeypatch.setattr(Wide, "sets", broken)
    assert "fault of the gateway" in judged("wide")[0]


def test_a_lost_line_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    parse = Delimited.parse

    def losing(self: Delimited, block: object) -> object:
        parsed = parse(self, block)  # type: ignore[arg-type]
        parsed.lines[LineKind.ENTRY] -= 1
        return parsed

    monkeypatch.setattr(Delimited, "parse", losing)
    assert any("lines were read" in fault for fault in judged("wide"))


def test_a_value_of_another_column_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    parse = Delimited.parse

    def shifting(self: Delimited, block: object) -> object:
        parsed = parse(self, block)  # type: ignore[arg-type]
        for _, cells in parsed.entries:
            cells[3], cells[5] = cells[5], cells[3]
        return parsed

    monkeypatch.setattr(Delimited, "parse", shifting)
    assert any("stands in another column" in fault for fault in judged("wide"))


def test_the_command_ends_when_its_time_is_over(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--exports", "5", "--mappings", "5", "--seconds", "0"]) == 0
    assert "exports: ; the slowest took 0.00 s; 0 faults" in capsys.readouterr().out
