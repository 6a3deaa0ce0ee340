"""The reckoning adds up, the same export gives the same bytes, a repeat adds nothing, identifiers stay in records."""

from __future__ import annotations

import json
import logging
import re
import shutil
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.adapters.delimited import Delimited
from gateway.conversion import convert
from gateway.conversion.batch import Batch
from gateway.conversion.exports import LineCounter
from gateway.inspection.preview import preview
from gateway.memo import Memo
from gateway.report.model import DEVICE_WITHHELD
from tests.conversion import conversion_kit as kit
from tests.conversion.conversion_kit import (
    DEMO,
    GOOD_ROW,
    LONG,
    LONG_HEADER,
    WIDE,
    WIDE_HEADER,
    fhir_facts,
    findings,
    gateway,
    run,
    tree,
    written,
)

DEMOS = {
    "clinic-wide": ("clinic-2026-03-14.csv", r"FH\d{6}", "2026-03-14T17:05:00-05:00"),
    "homecare-long": ("tournee-2026-03.csv", r"00\d{5}", "2026-03-29T12:00:00+02:00"),
    "ward-messy": ("ward-2.csv", r"FH[0-9O]{6}", "2026-11-01T09:00:00-06:00"),
}


def demo(name: str, out: Path, **options: Any) -> Batch:
    file, _, received = DEMOS[name]
    folder = DEMO / name
    associations = folder / "associations.csv"
    return convert(
        [options.pop("export", folder / file)],
        folder / "mapping.toml",
        out,
        associations=associations if associations.exists() else None,
        received=datetime.fromisoformat(received),
        **options,
    )


def forgetful(real: Callable[..., None]) -> Callable[..., None]:
    """How to set up a memo that keeps one key."""

    def init(self: Memo[Any, Any], find: Callable[[Any], Any], *_: int) -> None:
        real(self, find, 1)

    return init


def small_blocks(monkeypatch: pytest.MonkeyPatch, characters: int) -> None:
    """Let the adapter cut blocks of few characters; it cuts in this process, also for workers."""
    real = Delimited.__init__

    def init(self: Delimited, *arguments: Any) -> None:
        real(self, *arguments)
        self.block = characters

    monkeypatch.setattr(Delimited, "__init__", init)


def lasting(folder: Path) -> dict[str, Any]:
    """The report without what differs from run to run."""
    report: dict[str, Any] = json.loads((folder / "report.json").read_bytes())
    report.pop("seconds")
    report["batch"].pop("started")
    report["batch"].pop("finished")
    report["batch"]["mapping"].pop("file")
    return report


class TestConservation:
    @pytest.mark.parametrize("name", DEMOS)
    def test_demo(self, tmp_path: Path, name: str) -> None:
        batch = demo(name, tmp_path / "out", as_="both")
        report = batch.report
        data = (DEMO / name / DEMOS[name][0]).read_bytes()
        lines = len(re.findall(rb"\r\n|\r|\n", data)) + (not data.endswith((b"\r", b"\n")))
        assert report.reckoning.lines.read == report.reckoning.lines.total == lines
        rows = report.reckoning.readings.rows
        everything = report.reckoning.readings.all
        for outcome in ("recorded", "held", "repeat", "absent", "unreadable", "total"):
            assert sum(getattr(row, outcome) for row in rows) == getattr(everything, outcome)
        assert report.reckoning.readings.found == everything.total
        assert report.findings == len(findings(tmp_path / "out")) == sum(rule.count for rule in report.rules)
        held = [row for row in findings(tmp_path / "out") if row["effect"] == "hold"]
        assert bool(held) == bool(everything.held + everything.unreadable) == bool(batch.status)

    def test_records_are_counted_as_written(self, tmp_path: Path) -> None:
        for bundle in ("transaction", "ndjson"):
            out = tmp_path / bundle
            records = demo("ward-messy", out, as_="both", bundle=bundle).report.records
            kinds = [each["resourceType"] for each in kit.resources(out)]
            for kind in ("Observation", "Device", "Provenance"):
                assert records[kind] == kinds.count(kind)
            assert records["ORU message"] == len(kit.oru_messages(out))

    @pytest.mark.parametrize(
        ("data", "encoding", "lines"),
        [
            (b"", "utf-8", 0),
            (b"a", "utf-8", 1),
            (b"a\r\nb\rc\nd", "utf-8", 4),
            (b"a\r", "utf-8", 1),
            ("a\nb\n".encode("utf-16"), "utf-8", 2),
            ("a\nb\n".encode("utf-16"), "utf-16", 2),
            (b"\xef\xbb\xbfa\nb", "utf-16", 2),
            ("a\n".encode("utf-16-le") + b"x", "utf-16-le", 2),
            ("ਊ\u0d0a\n".encode("utf-16-be"), "utf-16-be", 1),
            ("a\nb".encode("cp037"), "cp037", 2),
        ],
    )
    @pytest.mark.parametrize("piece", [1 << 20, 4])
    def test_lines_are_counted_apart_from_the_adapter(self, data: bytes, encoding: str, lines: int, piece: int) -> None:
        counter = LineCounter(encoding)
        for at in range(0, len(data), piece):
            counter.feed(data[at : at + piece])
        assert counter.total() == lines


class TestDeterminism:
    @pytest.mark.parametrize("name", DEMOS)
    def test_workers_runs_and_names_change_nothing(self, tmp_path: Path, name: str) -> None:
        renamed = tmp_path / "another name.txt"
        shutil.copy(DEMO / name / DEMOS[name][0], renamed)
        demo(name, tmp_path / "1", as_="both")
        demo(name, tmp_path / "again", as_="both")
        demo(name, tmp_path / "2", as_="both", workers=2)
        demo(name, tmp_path / "renamed", as_="both", export=renamed)
        first = written(tmp_path / "1")
        assert first
        for other in ("again", "2", "renamed"):
            assert written(tmp_path / other) == first
        assert lasting(tmp_path / "2") == lasting(tmp_path / "again") == lasting(tmp_path / "1")

    @pytest.mark.parametrize("bundle", ["transaction", "ndjson"])
    def test_repeats_across_blocks(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bundle: str) -> None:
        """Repeats and contradictions within a block, of an earlier block and of an earlier export."""
        small_blocks(monkeypatch, 200)
        rows = [GOOD_ROW.replace("09:30", f"09:{minute % 40:02d}") for minute in range(60)]
        rows.insert(3, rows[2])
        rows.insert(30, rows[1].replace("36.8", "36.9"))
        rows.insert(31, rows[1].replace("36.8", "36.9"))
        rows += [GOOD_ROW.replace("09:30", "10:01")] * 9
        (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        (tmp_path / "b.csv").write_text("\n".join([WIDE_HEADER, *reversed(rows), ""]))
        exports = [tmp_path / "a.csv", tmp_path / "b.csv", tmp_path / "a.csv"]
        batches = [
            run(tmp_path, exports, WIDE, f"w{workers}", as_="both", bundle=bundle, workers=workers)
            for workers in (1, 2, 3)
        ]
        everything = batches[0].report.reckoning.readings.all
        assert everything.recorded == 6 * 41
        assert everything.held == 6 * 6
        assert everything.repeat == 6 * (3 * len(rows) - 41 - 6)
        assert len({fact.time for fact in fhir_facts(tmp_path / "w1")}) == 41
        # The run in pieces records what the run in one piece does; its files are cut elsewhere.
        monkeypatch.undo()
        run(tmp_path, exports, WIDE, "whole", as_="both", bundle=bundle)
        assert fhir_facts(tmp_path / "whole") == fhir_facts(tmp_path / "w1")
        assert findings(tmp_path / "whole") == findings(tmp_path / "w1")
        for workers in (2, 3):
            assert written(tmp_path / f"w{workers}") == written(tmp_path / "w1")
            assert findings(tmp_path / f"w{workers}") == findings(tmp_path / "w1")
            assert lasting(tmp_path / f"w{workers}") == lasting(tmp_path / "w1")

    def test_a_long_set_is_never_divided(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        demo("homecare-long", tmp_path / "whole", bundle="ndjson")
        small_blocks(monkeypatch, 150)
        demo("homecare-long", tmp_path / "pieces", bundle="ndjson", workers=2)
        whole, pieces = kit.observations(tmp_path / "whole"), kit.observations(tmp_path / "pieces")
        assert len(list((tmp_path / "pieces" / "fhir").glob("*.observations.ndjson"))) > 3
        assert pieces == whole

    def test_a_forgotten_text_is_understood_the_same_again(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The memory for texts is bounded; what falls out of it must not change what becomes of a set."""
        rows = [f"2026-03-14 09:30;P;M;HR;{rate};/min" for rate in (64, 64, 64)]
        rows += [f"2026-03-14 09:{minute};P;M;Temp;36.8;C" for minute in range(31, 40)] * 2
        (tmp_path / "a.csv").write_text("\n".join([LONG_HEADER, *rows, ""]))
        run(tmp_path, [tmp_path / "a.csv"], LONG, "kept")
        monkeypatch.setattr(Memo, "__init__", forgetful(Memo.__init__))
        run(tmp_path, [tmp_path / "a.csv"], LONG, "forgotten")
        assert written(tmp_path / "forgotten") == written(tmp_path / "kept")
        assert lasting(tmp_path / "forgotten") == lasting(tmp_path / "kept")
        assert lasting(tmp_path / "kept")["reckoning"]["readings"]["all"]["repeat"] == 2 + 9


class TestIdempotence:
    @pytest.mark.parametrize("workers", [1, 2])
    @pytest.mark.parametrize("name", DEMOS)
    def test_the_same_export_twice(self, tmp_path: Path, name: str, workers: int) -> None:
        once = demo(name, tmp_path / "once", as_="both", bundle="ndjson")
        copy = tmp_path / "copy.csv"
        shutil.copy(DEMO / name / DEMOS[name][0], copy)
        folder = DEMO / name
        associations = folder / "associations.csv"
        twice = convert(
            [folder / DEMOS[name][0], copy],
            folder / "mapping.toml",
            tmp_path / "twice",
            as_="both",
            bundle="ndjson",
            workers=workers,
            associations=associations if associations.exists() else None,
            received=datetime.fromisoformat(DEMOS[name][2]),
        )
        assert written(tmp_path / "twice") == written(tmp_path / "once")
        assert twice.report.records == once.report.records
        before, after = once.report.reckoning.readings.all, twice.report.reckoning.readings.all
        assert after.recorded == before.recorded
        assert after.total == 2 * before.total
        assert "export-same-content" in {row["rule"] for row in findings(tmp_path / "twice")}

    def test_another_unit_is_no_repeat(self, tmp_path: Path) -> None:
        mapping = WIDE.replace(
            'column = "Temp"\nunit = "Cel"', 'column = "Temp"\nunit_column = "TU"\nunits = ["Cel", "[degF]"]'
        )
        rows = ["2026-03-14 09:30,P,M,,,,,38.0,,Cel", "2026-03-14 09:30,P,M,,,,,38.0,,[degF]"]
        (tmp_path / "a.csv").write_text("\n".join([f"{WIDE_HEADER},TU", *rows, ""]))
        batch = run(tmp_path, [tmp_path / "a.csv"], mapping)
        assert batch.report.reckoning.readings.all.held == 1
        assert {row["rule"] for row in findings(tmp_path / "out")} == {"probable-unit-mix-up"}

    def test_another_site_is_no_repeat(self, tmp_path: Path) -> None:
        mapping = WIDE.replace(
            'unit = "Cel"', 'unit = "Cel"\nsite = { column = "At", values = { O = "oral", A = "axillary" } }'
        )
        rows = ["2026-03-14 09:30,P,M,,,,,38.0,,O", "2026-03-14 09:30,P,M,,,,,38.0,,A"]
        (tmp_path / "a.csv").write_text("\n".join([f"{WIDE_HEADER},At", *rows, ""]))
        batch = run(tmp_path, [tmp_path / "a.csv"], mapping)
        assert batch.report.reckoning.readings.all.held == 1

    def test_another_note_is_a_repeat(self, tmp_path: Path) -> None:
        rows = [f"{GOOD_ROW},first", f"{GOOD_ROW},second"]
        (tmp_path / "a.csv").write_text("\n".join([f"{WIDE_HEADER},Note", *rows, ""]))
        mapping = WIDE.replace('namespace = "', 'notes = ["Note"]\nnamespace = "', 1)
        batch = run(tmp_path, [tmp_path / "a.csv"], mapping)
        assert batch.report.reckoning.readings.all.repeat == 6


class TestIdentifiersStayInTheRecords:
    @pytest.fixture
    def logged(self, caplog: pytest.LogCaptureFixture) -> Iterator[pytest.LogCaptureFixture]:
        with caplog.at_level(logging.DEBUG):
            yield caplog

    @pytest.mark.parametrize("name", DEMOS)
    def test_command(self, tmp_path: Path, name: str) -> None:
        file, pattern, received = DEMOS[name]
        folder = DEMO / name
        words: list[str | Path] = ["convert", folder / file, "--mapping", folder / "mapping.toml"]
        words += ["--out", tmp_path / "out", "--received", received, "--as", "both"]
        if (folder / "associations.csv").exists():
            words += ["--associations", folder / "associations.csv"]
        done = gateway(*words)
        assert done.returncode in (0, 1), done.stderr
        texts = {name: data.decode() for name, data in tree(tmp_path / "out").items()}
        told = {name: text for name, text in texts.items() if not name.startswith(("fhir/", "oru/"))}
        assert set(told) == {"report.json", "report.html", "findings.csv", "operation-outcome.json"}
        told |= {"standard output": done.stdout, "standard error": done.stderr}
        known = set(re.findall(pattern, (folder / file).read_text("cp1252")))
        if (folder / "associations.csv").exists():
            known |= set(re.findall(pattern, (folder / "associations.csv").read_text()))
        assert known
        assert any(patient in text for patient in known for text in texts.values()), "the records name the patients"
        for place, text in told.items():
            leaked = sorted(patient for patient in known if patient in text)
            assert not leaked, f"{place} names patients"

    @pytest.mark.parametrize("name", DEMOS)
    def test_logs_and_preview(self, tmp_path: Path, name: str, logged: pytest.LogCaptureFixture) -> None:
        file, pattern, _ = DEMOS[name]
        demo(name, tmp_path / "out")
        told = "\n".join(preview(DEMO / name / "mapping.toml", DEMO / name / file)) + logged.text
        assert not re.search(rf"\b{pattern}\b", told)

    def test_paths_are_told_only_when_asked_for(self, tmp_path: Path) -> None:
        folder = tmp_path / "Ada Sample"
        folder.mkdir()
        (folder / "night.csv").write_text(f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        for identifiers in (False, True):
            out = f"out-{identifiers}"
            run(tmp_path, [folder / "night.csv"], WIDE, out, identifiers=identifiers)
            assert ("Ada Sample" in (tmp_path / out / "report.json").read_text()) is identifiers


class TestHeldStaysOut:
    def test_ward(self, tmp_path: Path) -> None:
        demo("ward-messy", tmp_path / "out", as_="both", bundle="collection")
        everything = b"\n".join(written(tmp_path / "out").values()).decode()
        for held in ("Err 9", "98,3", "FH00O355", "131/88", "37.2 degF", "extra", "café", "open quote"):
            assert held not in everything, held
        for number in (310, 160, 200, 999, 88, 95):
            assert f'"value":{number},' not in everything
            assert f"|{number}|" not in everything


class TestMended:
    def test_two_sets_in_one_second(self, tmp_path: Path) -> None:
        mapping = WIDE.replace("%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S.%f")
        rows = ["2026-03-14 09:30:01.100,P,M,,,64,,,", "2026-03-14 09:30:01.900,P,M,,,65,,,"]
        (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        assert run(tmp_path, [tmp_path / "a.csv"], mapping).report.reckoning.readings.all.recorded == 2

    def test_patient_in_the_wrong_column(self, tmp_path: Path) -> None:
        """Columns that moved by one put an identifier where a value belongs."""
        rows = ["2026-03-14 09:30,FH000104,M,,,FH000104,,,"]
        (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        run(tmp_path, [tmp_path / "a.csv"], WIDE)
        for name in ("findings.csv", "report.json", "operation-outcome.json"):
            assert "FH000104" not in (tmp_path / "out" / name).read_text()

    def test_a_damaged_identifier_holds_its_set_and_no_other(self, tmp_path: Path) -> None:
        rows = ["2026-03-14 09:30,P1,M\x012,,,64,,,", "2026-03-14 09:31,P1,M2,,,65,,,"]
        (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        batch = run(tmp_path, [tmp_path / "a.csv"], WIDE)
        assert (batch.report.reckoning.readings.all.recorded, batch.report.reckoning.readings.all.held) == (1, 1)
        assert [found.rule for found in batch.report.rules] == ["identifier-malformed"]

    def test_a_unit_separator_in_a_cell_ends_no_value(self, tmp_path: Path) -> None:
        rows = ["2026-03-14 09:30,P1,M2,,,64\x1f99,,,"]
        (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        batch = run(tmp_path, [tmp_path / "a.csv"], WIDE)
        assert (batch.report.reckoning.readings.all.recorded, batch.report.reckoning.readings.all.held) == (0, 1)


def _converted(tmp: Path, mapping: str, rows: list[str]) -> Batch:
    (tmp / "moved.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")
    return run(tmp, [tmp / "moved.csv"], mapping)


def test_a_report_names_no_patient_where_columns_moved(tmp_path: Path) -> None:
    """The identifier of the patient stands in the column of the device, in a recorded row and in a held one."""
    moved = GOOD_ROW.replace(",M1,", ",P-0007,")
    held = GOOD_ROW.replace("09:30", "09:40").replace("P-0007,M1,", ",P-0009,")
    batch = _converted(tmp_path, WIDE, [WIDE_HEADER, GOOD_ROW.replace("09:30", "09:20"), moved, held])
    assert sorted(each.device for each in batch.report.timeline.listed) == [DEVICE_WITHHELD, "M1"]
    for name, data in tree(batch.folder).items():
        if not name.startswith("fhir/"):
            assert b"P-0007" not in data, name
            assert b"P-0009" not in data, name


def test_the_clocks_of_a_report_name_no_patient_where_columns_moved(tmp_path: Path) -> None:
    clock = '[time.clock]\ncolumns = ["Shown"]\nreference = "columns"\nreference_columns = ["True"]\n'
    clock += 'policy = "correct"\nlimit_minutes = 60\norder = "oldest-first"\n\n[patient]'
    row = f"{GOOD_ROW},2026-03-14 10:00,2026-03-14 10:00"
    rows = [f"{WIDE_HEADER},Shown,True", row, row.replace(",M1,", ",P-0007,")]
    batch = _converted(tmp_path, WIDE.replace("[patient]", clock), rows)
    assert sorted(each.device for each in batch.report.clocks.listed) == [DEVICE_WITHHELD, "M1"]
    assert b"P-0007" not in (batch.folder / "report.json").read_bytes()
