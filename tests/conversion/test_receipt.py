"""The receipt of an export: which times can be, and that waiting makes no other ones true; how long one may take."""

from __future__ import annotations

import itertools
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.conversion.batch import Batch
from gateway.errors import InputError
from gateway.ledger import HoldFilter, open_ledger
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, fhir_facts, findings, run

USUAL = WIDE.replace('past_days = "any"\n', "")
CHICAGO = ZoneInfo("America/Chicago")
RECEIVED = datetime(2026, 3, 14, 12, 0, tzinfo=CHICAGO)


def export(folder: Path, when: datetime, name: str = "a.csv") -> Path:
    file = folder / name
    file.write_text(f"{WIDE_HEADER}\n{when:%Y-%m-%d %H:%M},P-0007,M1,121,79,64,97,36.6,70\n", encoding="utf-8")
    return file


def told(out: Path) -> list[str]:
    return [each["rule"] for each in findings(out)]


@pytest.mark.parametrize(
    ("days", "key", "rules"),
    [
        (29, "", []), (31, "", ["time-too-far-back"]), (31, "past_days = 32\n", []), (9, "past_days = 8\n",
        ["time-too-far-back"]), (365 * 40, 'past_days = "any"\n', []), (365 * 40, "", ["time-too-far-back"]),
    ],
)  # fmt: skip
def test_a_time_long_before_receipt_is_held(tmp_path: Path, days: int, key: str, rules: list[str]) -> None:
    mapping = USUAL.replace("[patient]", f"{key}\n[patient]", 1)
    batch = run(tmp_path, [export(tmp_path, RECEIVED - timedelta(days=days))], mapping, received=RECEIVED)
    assert told(tmp_path / "out") == rules
    assert batch.report.reckoning.readings.all.recorded == (0 if rules else 6)


def test_a_clock_years_wrong_is_noticed_without_a_word_in_the_mapping(tmp_path: Path) -> None:
    run(tmp_path, [export(tmp_path, datetime.now(CHICAGO) - timedelta(days=4 * 365))], USUAL)
    assert told(tmp_path / "out") == ["time-too-far-back"]
    (finding,) = findings(tmp_path / "out")
    assert finding["message"] == "the time is 1,460 days before the export was received; the mapping takes 30"


@settings(max_examples=60)
@given(st.integers(-20_000, 3000), st.one_of(st.integers(1, 36_500), st.just("any")))
def test_the_time_is_recorded_where_it_can_be_and_held_elsewhere(minutes: int, past: int | str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        days = past if isinstance(past, int) else 30
        # Around either end of what can be.
        edge = -days * 1440 if minutes < -10_000 else 0
        when = RECEIVED + timedelta(minutes=edge + (minutes + 15_000 if edge else min(minutes, 0) % 97 - 48))
        told_days = f"past_days = {past if isinstance(past, int) else chr(34) + past + chr(34)}\n"
        mapping = USUAL.replace("[patient]", f"{told_days}\n[patient]", 1)
        batch = run(Path(folder), [export(Path(folder), when)], mapping, received=RECEIVED)
        # By the wall, as the export has it: an hour of summer time is no part of what this is about.
        instant = when.replace(second=0, fold=0).astimezone(UTC)
        far = past != "any" and instant < RECEIVED - timedelta(days=days)
        ahead = instant > RECEIVED + timedelta(minutes=5)
        expected = ["time-too-far-back"] if far else ["time-in-future"] if ahead else []
        if "time-in-dst-gap" not in told(Path(folder) / "out"):
            assert told(Path(folder) / "out") == expected
            assert batch.report.reckoning.readings.all.recorded == (0 if expected else 6)


class TestWaiting:
    """Nothing becomes true by waiting: a time is held against the receipt that its export had."""

    def converted(self, folder: Path, out: str, exports: list[Path], **options: object) -> Batch:
        return run(folder, exports, USUAL, out, ledger=folder / "ledger.db", **options)

    @pytest.mark.parametrize("off", [timedelta(hours=3), timedelta(days=-90)], ids=["ahead", "years behind"])
    def test_what_was_held_stays_held(self, tmp_path: Path, off: timedelta) -> None:
        file = export(tmp_path, RECEIVED + off)
        self.converted(tmp_path, "one", [file], received=RECEIVED)
        later = self.converted(tmp_path, "two", [], received=RECEIVED + off + timedelta(days=1))
        assert later.report.batch.holds is not None
        assert later.report.batch.holds.open == 1
        assert fhir_facts(tmp_path / "two") == []

    def test_nor_by_a_run_that_does_not_say_when(self, tmp_path: Path) -> None:
        file = export(tmp_path, datetime.now(CHICAGO) + timedelta(hours=3))
        self.converted(tmp_path, "one", [file], received=datetime.now(UTC))
        assert told(tmp_path / "one") == ["time-in-future"]
        with open_ledger(tmp_path / "ledger.db") as ledger:
            (hold,) = ledger.holds(HoldFilter(state="open"))
            received = ledger.block(hold.export_id, hold.block).received
        assert abs(received - datetime.now(UTC).timestamp()) < 600
        again = self.converted(tmp_path, "two", [file])
        assert again.report.reckoning.readings.all.recorded == 0

    def test_the_same_bytes_have_the_receipt_they_had(self, tmp_path: Path) -> None:
        file = export(tmp_path, RECEIVED + timedelta(hours=3))
        self.converted(tmp_path, "one", [file], received=RECEIVED)
        # Years later by the clock of this machine; nobody says when the export came.
        self.converted(tmp_path, "two", [file])
        assert "time-in-future" in told(tmp_path / "two")
        assert fhir_facts(tmp_path / "two") == []
        # Whoever says so is believed.
        self.converted(tmp_path, "three", [file], received=RECEIVED + timedelta(hours=4))
        assert len(fhir_facts(tmp_path / "three")) == 6


def ten_seconds_a_look(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = itertools.count(0.0, 10.0)
    monkeypatch.setattr("gateway.conversion.exports.monotonic", lambda: next(clock))


@pytest.mark.parametrize("workers", [1, 2])
def test_an_export_that_takes_too_long_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    small = export(tmp_path, RECEIVED, "small.csv")
    large = tmp_path / "large.csv"
    row = "2026-03-14 09:{:02},P-0007,M1,121,79,64,97,36.6,70"
    large.write_text("\n".join([WIDE_HEADER, *[row.format(at % 60) for at in range(60_000)]]) + "\n", encoding="utf-8")
    ten_seconds_a_look(monkeypatch)
    run(tmp_path, [small], WIDE, "small", export_seconds=15, workers=workers)
    with pytest.raises(InputError, match="It took longer than 15 seconds") as caught:
        run(tmp_path, [small, large], WIDE, "both", export_seconds=15, workers=workers)
    assert "large.csv" in (caught.value.where or "")
    assert not (tmp_path / "both").exists()
