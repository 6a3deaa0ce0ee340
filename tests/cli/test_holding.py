"""The commands that work on a ledger, as a user meets them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from gateway.cli.holding import say_recovered
from gateway.cli.main import main
from gateway.ledger import Recovered
from gateway.records.output import Stage
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, fhir_facts, observations, oru_messages

ROWS = (
    "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,71.4",
    "2026-03-14 09:45,,M1,118,76,71,98,36.6,",
    "2026-03-14 10:05,P-0009,M2,135,88,580,95,37.2,80.1",
)


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """A folder with a ledger in which one set is recorded, one waits for its patient, one has a value that waits."""
    monkeypatch.chdir(tmp_path)
    Path("m.toml").write_text(WIDE)
    Path("a.csv").write_text("\n".join([WIDE_HEADER, *ROWS, ""]))
    words = "convert a.csv --mapping m.toml --out one --as both --ledger l.db"
    assert main(words.split()) == 1
    capsys.readouterr()
    return tmp_path


def said(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_holds_are_listed_without_patients(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["holds", "--ledger", "l.db"]) == 0
    out = said(capsys)
    assert "By reason: 1 outside-hold-limits, 1 patient-missing" in out
    assert "By age: 2 up to a day" in out
    assert "By device: 1 M2, 1 M1" in out
    assert "P-000" not in out
    assert main(["holds", "--ledger", "l.db", "--device", "M2"]) == 0
    out = said(capsys)
    assert "Heart rate 580" in out
    assert "patient-missing" not in out
    assert main(["holds", "--ledger", "l.db", "--older-than", "3"]) == 0
    assert said(capsys) == "Nothing is held."


def test_a_hold_is_assigned_and_recorded(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    decide = ["resolve", "assign", "--ledger", "l.db", "--who", "N. Ole", "--why", "asked", "--patient", "P-0042"]
    assert main([*decide, "--reason", "patient-missing", "--dry-run"]) == 0
    assert "1 hold with 5 readings would be settled" in said(capsys)
    assert main([*decide, "--reason", "patient-missing"]) == 0
    assert "The next run with this ledger records them" in said(capsys)
    assert main(["convert", "--mapping", "m.toml", "--out", "two", "--as", "both", "--ledger", "l.db"]) == 0
    assert {fact.patient for fact in fhir_facts(site / "two")} == {"P-0042"}
    assert len(oru_messages(site / "two")) == 1
    capsys.readouterr()
    assert main(["audit", "--ledger", "l.db"]) == 0
    out = said(capsys)
    assert "N. Ole: assign hold 1: asked" in out
    assert "P-0042" not in out
    assert "the trail is whole" in out


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["assign", "1"], "assign needs --patient"),
        (["confirm", "1", "--patient", "P-1"], "confirm does not use --patient"),
        (["discard"], "no hold was named"),
        (["discard", "77"], "hold 77 is not open"),
        (["discard", "--device", "M9"], "no open hold fits"),
        (["confirm", "1"], "cannot be released by confirming"),
        (["discard", "--reason", "patient-mising"], "did you mean 'patient-missing'"),
        (["discard", "1", "--why", " "], "must not be empty"),
    ],
)
def test_what_cannot_be_settled(site: Path, capsys: pytest.CaptureFixture[str], words: list[str], what: str) -> None:
    assert main(["resolve", "--ledger", "l.db", "--who", "N. Ole", "--why", "asked", *words]) == 2
    told = capsys.readouterr().err
    assert what in told
    assert len(told.splitlines()) == 1
    main(["audit", "--ledger", "l.db"])
    assert "0 entries" in said(capsys)


def test_a_ledger_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["holds"], ["audit"], ["trace", "0" * 32], ["retract", "0" * 32, "--who", "a", "--why", "b",
                                                             "--dry-run"]):  # fmt: skip
        assert main([*words, "--ledger", str(tmp_path / "none.db")]) == 2
        assert "none.db" in capsys.readouterr().err
        assert not (tmp_path / "none.db").exists()


def test_records_are_traced_both_ways(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    observation = next(
        each for each in observations(site / "one") if each["subject"]["identifier"]["value"] == "P-0007"
    )
    identifier = observation["identifier"][0]["value"]
    message = next(each for each in oru_messages(site / "one") if str(each.segment("PID")[3][0][0]) == "P-0007")
    told = []
    for name in (identifier, identifier.partition(".")[0], str(message.segment("MSH")[10])):
        assert main(["trace", name, "--ledger", "l.db"]) == 0
        told.append(said(capsys))
    assert told[0] == told[1] == told[2]
    assert "line 2" in told[0]
    assert "A kit, version 1" in told[0]
    assert "P-0007" not in told[0]
    assert main(["trace", "--export", "a.csv", "--line", "2", "--ledger", "l.db", "--verbatim"]) == 0
    out = said(capsys)
    assert identifier.partition(".")[0] in out
    assert ROWS[0] in out
    assert main(["trace", "--export", "a.csv", "--line", "3", "--ledger", "l.db"]) == 0
    out = said(capsys)
    assert "Hold 1: open" in out
    assert "patient-missing" in out
    assert main(["trace", "f" * 32, "--ledger", "l.db"]) == 1
    assert "knows nothing of it" in said(capsys)
    assert main(["trace", "A-117", "--ledger", "l.db"]) == 2


def test_a_repeat_leads_to_what_was_recorded(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("b.csv").write_text("\n".join([WIDE_HEADER, ROWS[0], ""]))
    main(["convert", "b.csv", "--mapping", "m.toml", "--out", "two", "--ledger", "l.db", "--as", "both"])
    capsys.readouterr()
    assert main(["trace", "--export", "b.csv", "--line", "2", "--ledger", "l.db"]) == 0
    out = said(capsys)
    assert "Repeat" in out
    assert "into" in out
    assert re.search(r"run 1,", out)


def test_retracting(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["retract", "--ledger", "l.db", "--who", "N. Ole", "--why", "a test"]
    assert main(words) == 2
    assert "nothing was named to retract" in capsys.readouterr().err
    assert main([*words, "--device", "M1"]) == 2
    assert "no folder was named" in capsys.readouterr().err
    assert main([*words, "--device", "M1", "--dry-run"]) == 0
    assert "Dry run: nothing was changed" in said(capsys)
    assert main([*words, "--device", "M1", "--out", "back"]) == 0
    out = said(capsys)
    assert "5 Observations become entered-in-error" in out
    assert "P-0007" not in out
    assert {each["status"] for each in observations(site / "back" / "retracted")} == {"entered-in-error"}
    assert main([*words, "--device", "M1", "--out", "again"]) == 2
    assert "No recorded set fits" in capsys.readouterr().err


def test_convert_needs_exports_or_a_ledger(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["convert", "--mapping", "m.toml", "--out", "two"]) == 2
    assert "No export was named" in capsys.readouterr().err


@pytest.mark.parametrize("again", ["two", "three"])
def test_a_run_that_was_cut_off_is_told_of(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, again: str
) -> None:
    """Also where the same command is given again, and finds the result in its place."""

    def stop(stage: Stage) -> None:
        raise KeyboardInterrupt

    Path("b.csv").write_text("\n".join([WIDE_HEADER, ROWS[0].replace("09:30", "11:30"), ""]))
    words = ["convert", "b.csv", "--mapping", "m.toml", "--ledger", "l.db", "--out"]
    with monkeypatch.context() as patch:
        patch.setattr(Stage, "commit", stop)
        assert main([*words, "two"]) == 130
    assert not Path("two").exists()
    capsys.readouterr()
    assert main([*words, again]) == (2 if again == "two" else 0)
    out = capsys.readouterr().out
    assert out.splitlines()[0] == f"Run 2 had been cut off; its result is complete now: {site / 'two'}"
    assert "P-000" not in out
    assert len(fhir_facts(site / "two")) == 6
    assert main(["holds", "--ledger", "l.db"]) == 0
    assert "had been cut off" not in capsys.readouterr().out


def test_a_result_that_cannot_be_put_in_place_yet(capsys: pytest.CaptureFixture[str]) -> None:
    say_recovered([Recovered(4, "/results/four", "", "Permission denied")])
    assert capsys.readouterr().out == (
        "Run 4 was cut off, and its result cannot be put in place: /results/four: Permission denied. "
        "The next run with this ledger tries again.\n"
    )


def test_a_hold_shows_what_is_decided_on(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody confirms a value unseen: value, unit, time, device, line, rule, and what stands beside it."""
    assert main(["holds", "--ledger", "l.db"]) == 0
    out = said(capsys)
    # The possible true extreme comes first, although it was held later.
    assert out.index("Heart rate 580 /min") < out.index("Systolic blood pressure 118 mmHg")
    assert main(["holds", "2", "--ledger", "l.db"]) == 0
    out = said(capsys)
    for part in (
        "waits Heart rate 580 /min",
        "held by",
        "(outside-hold-limits)",
        "Oxygen saturation 95 % (recorded)",
        "2026-03-14 15:05 UTC",
        "device M2",
        "line 4",
    ):
        assert part in out, part
    assert "P-000" not in out
    assert main(["holds", "77", "--ledger", "l.db"]) == 2
    assert "hold 77 is not open" in capsys.readouterr().err


def test_a_hold_shows_what_its_device_gave_before_and_after(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("b.csv").write_text("\n".join([WIDE_HEADER, "2026-03-14 09:50,P-0011,M1,109,66,59,99,36.4,", ""]))
    assert main(["convert", "b.csv", "--mapping", "m.toml", "--out", "two", "--ledger", "l.db"]) in (0, 1)
    capsys.readouterr()
    assert main(["holds", "1", "--ledger", "l.db"]) == 0
    out = said(capsys)
    assert "before 2026-03-14 14:30 UTC: " in out
    assert "Systolic blood pressure 121 mmHg" in out
    assert "after 2026-03-14 14:50 UTC: " in out
    assert "P-00" not in out


SURE = ["--who", "N. Ole", "--why", "asked", "--ledger", "l.db"]


def test_records_are_moved(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    choose = ["move", "--recorded-for", "P-0007", "--patient", "P-0042", *SURE]
    assert main([*choose, "--dry-run"]) == 0
    assert "1 set goes to another patient, 0 stay where they are, 0 to nobody and wait" in said(capsys)
    assert main([*choose, "--mapping", "m.toml", "--out", "moved"]) == 0
    assert "recorded anew 1 set, in moved/recorded" in said(capsys)
    assert {fact.patient for fact in fhir_facts(site / "moved" / "recorded")} == {"P-0042"}
    assert {each["status"] for each in observations(site / "moved" / "retracted")} == {"entered-in-error"}
    assert main(["audit", "--ledger", "l.db"]) == 0
    out = said(capsys)
    assert out.count("N. Ole: move") == 2
    assert "P-00" not in out


def test_identifiers_are_merged(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("merged.csv").write_text("old,surviving\nP-0007,P-0042\n")
    assert main(["merge", "merged.csv", *SURE, "--dry-run"]) == 0
    assert "merged 1 identifier anew" in said(capsys)
    assert main(["merge", "merged.csv", *SURE, "--out", "moved"]) == 0
    assert "The next run with this ledger records them for their patients." in said(capsys)
    assert main(["merge", "merged.csv", *SURE]) == 0
    assert "merged 0 identifiers anew" in said(capsys)


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["move", "--patient", "P-0042", "--dry-run"], "nothing was named to move"),
        (["move", "--device", "M1", "--patient", "P-0042"], "no folder was named"),
        (["move", "--device", "M1", "--dry-run"], "a move needs to know where to"),
        (["move", "--device", "M1", "--patient", "P-0042", "--associations", "x.csv", "--dry-run"], "know where to"),
        (["move", "--device", "M1", "--associations", "x.csv", "--dry-run"], "there is no such file of associations"),
        (["move", "xyz", "--patient", "P-0042", "--dry-run"], "this is not the identifier of a record"),
        (["merge", "none.csv"], "there is no such file of merged identifiers"),
        (["resolve", "assign", "2", "--patient", "P-0042"], "hold 2 is about its values"),
        (["resolve", "confirm", "2", "--mapping", "m.toml"], "confirm does not use --mapping"),
    ],
)
def test_decisions_that_are_refused(
    site: Path, capsys: pytest.CaptureFixture[str], words: list[str], what: str
) -> None:
    assert main([*words, *SURE]) == 2
    told = capsys.readouterr().err
    assert what in told
    assert len(told.splitlines()) == 1
    main(["audit", "--ledger", "l.db"])
    assert "0 entries" in said(capsys)
