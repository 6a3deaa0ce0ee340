"""The commands about what is sent, as a user meets them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gateway.cli.main import main
from gateway.ledger import OutboxFilter, open_ledger
from tests.nightly.night_kit import WIDE
from tests.nightly.outbox_kit import bundles, messages, queue


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A ledger with one message delivered, one parked, and one that was tried and waits with the others."""
    monkeypatch.chdir(tmp_path)
    with open_ledger("l.db") as ledger:
        queue(ledger, tmp_path, oru=messages(4), fhir=bundles(1))
        ledger.name_owners({"lab": "Interface team"})
        first, second, third, _ = ledger.waiting("lab", "oru")
        ledger.sent(first.id, "delivered", "AA", "Accepted by the receiver.")
        ledger.sent(second.id, "parked", "AE", "The receiver found an error in the message.")
        for _ in range(3):
            ledger.sent(third.id, "later", "no-answer", "The receiver did not answer in time.")
    return tmp_path


def said(capsys: pytest.CaptureFixture[str]) -> list[str]:
    return [" ".join(line.split()) for line in capsys.readouterr().out.splitlines() if line]


def test_outbox_shows_counts_and_what_is_parked(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["outbox", "--ledger", "l.db"]) == 0
    assert said(capsys) == [
        "target owner takes state items oldest",
        "ehr fhir waiting 1 0 min",
        "lab Interface team oru delivered 1",
        "lab Interface team oru parked 1 0 min",
        "lab Interface team oru waiting 2 0 min",
        "lab waits at item 3 after 3 tries, the last 0 min ago: no-answer: The receiver did not answer in time.",
        "Parked, until somebody has looked at it; gateway replay sends it again:",
        "item target owner run sets age reason in words",
        "2 lab Interface team 1 0 0 min AE The receiver found an error in the message.",
    ]
    assert main(["outbox", "--ledger", "l.db", "--target", "ehr"]) == 0
    assert said(capsys) == ["target owner takes state items oldest", "ehr fhir waiting 1 0 min"]
    with open_ledger("empty.db"):
        pass
    assert main(["outbox", "--ledger", "empty.db"]) == 0
    assert said(capsys) == ["The outbox is empty."]


@pytest.mark.parametrize(("days", "words"), [(-3.0, "0 min"), (0.1, "2 h"), (1.9, "45 h"), (40.0, "40 d")])
def test_ages(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, days: float, words: str
) -> None:
    now = datetime.now(UTC) + timedelta(days=days, seconds=30)

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> Clock:
            return now  # type: ignore[return-value]

    monkeypatch.setattr("gateway.cli.delivery.datetime", Clock)
    assert main(["outbox", "--ledger", "l.db", "--target", "ehr"]) == 0
    assert said(capsys)[1] == f"ehr fhir waiting 1 {words}"


def test_replay(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["replay", "--ledger", "l.db", "--target", "lab", "--who", "N. Ole", "--why", "code added"]
    assert main([*words, "--parked", "--dry-run"]) == 0
    assert said(capsys) == ["1 item for lab would wait again."]
    assert main([*words, "2"]) == 0
    assert said(capsys) == ["1 item for lab waits again. The next delivery sends it."]
    with open_ledger("l.db", readonly=True) as ledger:
        assert [item.data for item in ledger.waiting("lab", "oru")] == messages(4)[1:]
    assert main([*words, "--run", "1"]) == 0
    assert said(capsys) == ["1 item for lab waits again. The next delivery sends it."]
    assert main(["audit", "--ledger", "l.db"]) == 0
    entries = said(capsys)
    assert [entry.split("UTC ")[1] for entry in entries[:-1]] == ["N. Ole: replay target lab: code added"] * 2
    assert entries[-1] == "2 entries; the trail is whole."


def test_replay_of_a_period(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["replay", "--ledger", "l.db", "--target", "lab", "--who", "N. Ole", "--why", "restored from a copy"]
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    assert main([*words, "--from", tomorrow]) == 2
    assert "nothing fits" in capsys.readouterr().err
    assert main([*words, "--from", "2026-01-01T00:00:00Z", "--to", tomorrow]) == 0
    assert said(capsys) == ["2 items for lab wait again. The next delivery sends them."]


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--target", "lab"], "nothing was named"),
        (["--target", "lab", "2", "--run", "1"], "name items, or choose them in another way"),
        (["--target", "lab", "3"], "item 3 is not delivered, parked or skipped there"),
        (["--target", "ehr", "2"], "item 2 is not delivered, parked or skipped there"),
        (["--target", "labs", "2"], "did you mean 'lab'"),
        (["--target", "lab", "--from", "2026-01-01"], "no offset"),
        (["--target", "lab", "--run", "7"], "nothing fits"),
        (["--target", "lab", "2", "--why", " "], "must not be empty"),
    ],
)
def test_replay_of_nothing(site: Path, capsys: pytest.CaptureFixture[str], words: list[str], what: str) -> None:
    assert main(["replay", "--ledger", "l.db", "--who", "N. Ole", "--why", "a test", *words]) == 2
    assert what in " ".join(capsys.readouterr().err.split())
    with open_ledger("l.db", readonly=True) as ledger:
        assert ledger.audit() == []


def states() -> list[str]:
    with open_ledger("l.db", readonly=True) as ledger:
        return [item.state for item in ledger.outbox(OutboxFilter(target="lab"))]


@pytest.mark.parametrize(
    ("words", "told", "after"),
    [
        (["park", "3", "4"], "2 items for lab are parked.", ["delivered", "parked", "parked", "parked"]),
        (["release", "2"], "1 item for lab is released.", ["delivered", "waiting", "waiting", "waiting"]),
        (["skip", "2", "3"], "2 items for lab are skipped.", ["delivered", "skipped", "skipped", "waiting"]),
        (["skip", "2", "--dry-run"], "1 item for lab would be skipped.", ["delivered", "parked", "waiting", "waiting"]),
    ],
)
def test_the_queue(
    site: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str, after: list[str]
) -> None:
    decided = ["--ledger", "l.db", "--target", "lab", "--who", "N. Ole", "--why", "seen"]
    assert main(["queue", *words, *decided]) == 0
    assert said(capsys) == [told]
    assert states() == after


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["park"], "no item was named"),
        (["park", "2"], "item 2 does not wait there"),
        (["release", "3"], "item 3 is not parked there"),
        (["skip", "1"], "item 1 neither waits nor is parked there"),
        (["stop", "3"], "this is about the whole target"),
        (["resume"], "target 'lab' is not stopped"),
        (["park", "3", "--set", "x"], "a set is named by 32 hex digits"),
        (["park", "3", "--set", "0" * 32], "is in none of these items"),
    ],
)
def test_decisions_that_do_not_fit(site: Path, capsys: pytest.CaptureFixture[str], words: list[str], what: str) -> None:
    before = states()
    decided = ["--ledger", "l.db", "--target", "lab", "--who", "N. Ole", "--why", "seen"]
    assert main(["queue", *words, *decided]) == 2
    assert what in " ".join(capsys.readouterr().err.split())
    assert states() == before


def test_a_target_is_stopped(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    decided = ["--ledger", "l.db", "--target", "lab", "--who", "N. Ole", "--why", "moved tonight"]
    assert main(["queue", "stop", *decided]) == 0
    assert said(capsys) == ["lab is stopped; 2 items wait for it."]
    assert main(["outbox", "--ledger", "l.db"]) == 0
    assert any(line.startswith("lab was stopped by N. Ole 0 min ago: moved tonight.") for line in said(capsys))
    assert main(["queue", "resume", *decided]) == 0
    assert said(capsys) == ["lab is resumed; 2 items wait for it."]


def test_one_target_is_sent_to_now(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site / "share").mkdir()
    (site / "in").mkdir()
    (site / "site.toml").write_text(
        f"""name = "Example clinic"
ledger = "l.db"
results = "results"

[[feeds]]
name = "clinic"
place = "in"
mapping = '{WIDE / "mapping.toml"}'
records = "both"
targets = ["lab", "ehr"]

[[targets]]
kind = "folder"
name = "lab"
owner = "Interface team"
path = "share"
takes = "oru"

[[targets]]
kind = "folder"
name = "ehr"
owner = "Interface team"
path = "share"
takes = "fhir"
"""
    )
    assert main(["send", "site.toml", "--target", "lab"]) == 0
    assert said(capsys) == ["lab: 2 delivered, 0 parked, 0 waiting."]
    assert states() == ["delivered", "parked", "delivered", "delivered"]
    assert len(list((site / "share").iterdir())) == 2
    assert main(["send", "site.toml", "--target", "labs"]) == 2
    assert "did you mean 'lab'" in capsys.readouterr().err
    main(["queue", "stop", "--ledger", "l.db", "--target", "ehr", "--who", "N. Ole", "--why", "moved"])
    assert main(["send", "site.toml", "--target", "ehr"]) == 2
    assert "target 'ehr' is stopped" in capsys.readouterr().err
    assert len(list((site / "share").iterdir())) == 2
