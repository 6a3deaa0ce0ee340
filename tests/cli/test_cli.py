"""The command line: what it passes on, what it prints, and how it fails."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import typer

import gateway
from gateway import checks, vocabulary
from gateway.cli import main as cli
from gateway.cli import terminal
from gateway.cli.holding import say_recovered
from gateway.errors import InputError, MappingError, OutputError, UsageError

REPOSITORY = Path(__file__).resolve().parents[2]

MAPPING = """\
title = "Ward round, wide"
version = "3"
form = "delimited"
namespace = "urn:example:spot-check"

[delimited]
layout = "wide"

[time]
columns = ["Taken"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/Chicago"
past_days = "any"

[patient]
column = "Patient"
pattern = "any"
system = "urn:example:patients"

[vitals.heart_rate]
column = "Pulse"
unit = "/min"
"""


@dataclass
class FakeBatch:
    status: int = 0
    report: str = "the report"
    folder: Path = Path("result")


@dataclass
class FakeConversion:
    """Stands where `gateway.conversion` would: keeps what it was called with and does what it was told."""

    status: int = 0
    raises: BaseException | None = None
    calls: list[tuple[tuple[Any, ...], dict[str, Any]]] = field(default_factory=list)

    def convert(self, exports: Any, mapping: Any, out: Any, **options: Any) -> FakeBatch:
        self.calls.append(((exports, mapping, out), options))
        if self.raises is not None:
            raise self.raises
        return FakeBatch(status=self.status, folder=Path(out))

    def preview(self, mapping: Any, export: Any, **options: Any) -> list[str]:
        self.calls.append(((mapping, export), options))
        return ["line 2: heart_rate 72 /min", "line 3: nothing"]


@pytest.fixture
def conversion(monkeypatch: pytest.MonkeyPatch) -> FakeConversion:
    from gateway import report
    from gateway.inspection import preview

    fake = FakeConversion()
    module = ModuleType("gateway.conversion")
    module.convert = fake.convert  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "gateway.conversion", module)
    monkeypatch.setattr(gateway, "conversion", module, raising=False)
    monkeypatch.setattr(preview, "preview", fake.preview)
    monkeypatch.setattr(report, "text", lambda shown: f"reckoning of {shown}\n")
    return fake


CONVERT = ["convert", "night.csv", "--mapping", "ward.toml", "--out", "result"]


def run_gateway(*words: str, **options: Any) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(REPOSITORY)}
    return subprocess.run(
        [sys.executable, "-m", "gateway", *words], env=environment, text=True, timeout=60, check=False, **options
    )


class TestConvert:
    def test_defaults_are_passed_on(self, conversion: FakeConversion) -> None:
        assert cli.main(CONVERT) == 0
        assert conversion.calls == [
            (
                (["night.csv"], "ward.toml", "result"),
                {
                    "as_": "fhir",
                    "bundle": "transaction",
                    "associations": None,
                    "workers": 1,
                    "verify": "sample",
                    "received": None,
                    "sent": None,
                    "identifiers": False,
                    "replace": False,
                    "export_seconds": 1800.0,
                    "ledger": None,
                    "wait": 0.0,
                    "recovered": say_recovered,
                    "progress": None,
                },
            )
        ]

    def test_every_option_is_passed_on(self, conversion: FakeConversion) -> None:
        words = (
            "convert a.csv folder *.txt - --mapping m.toml --out o --as both --bundle ndjson --associations who.csv "
            "--workers 2 --verify full --received 2026-03-14T21:30:00-05:00 --sent 2026-03-14T21:00:00-05:00 "
            "--identifiers --replace --ledger led.db --wait 3 --export-seconds 60"
        )
        assert cli.main(words.split()) == 0
        (places, options) = conversion.calls[0]
        assert places == (["a.csv", "folder", "*.txt", "-"], "m.toml", "o")
        received, sent = options.pop("received"), options.pop("sent")
        assert sent == datetime.fromisoformat("2026-03-15T02:00:00+00:00")
        assert received == datetime.fromisoformat("2026-03-15T02:30:00+00:00")
        assert received.utcoffset() == timedelta(hours=-5)
        assert options == {
            "as_": "both",
            "bundle": "ndjson",
            "associations": "who.csv",
            "workers": 2,
            "verify": "full",
            "identifiers": True,
            "replace": True,
            "ledger": "led.db",
            "wait": 3.0,
            "export_seconds": 60.0,
            "recovered": say_recovered,
            "progress": None,
        }

    @pytest.mark.parametrize("status", [0, 1])
    def test_status_is_that_of_the_batch(
        self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str], status: int
    ) -> None:
        conversion.status = status
        assert cli.main(CONVERT) == status
        said = capsys.readouterr()
        assert said.out == (
            f"reckoning of the report\n\nRecords and report: result (open {Path('result', 'report.html')})\n"
        )
        assert said.err == ""

    def test_lost_display_does_not_change_the_status(
        self, conversion: FakeConversion, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        def closed(words: str) -> None:
            raise OutputError("the reader went away", where="standard output")

        conversion.status = 1
        monkeypatch.setattr(cli, "say", closed)
        assert cli.main(CONVERT) == 1
        assert capsys.readouterr().err == "gateway: standard output: the reader went away.\n"

    def test_a_reader_that_went_away_does_not_change_it_either(
        self, conversion: FakeConversion, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        def gone(words: str) -> None:
            raise terminal.ReaderGone

        conversion.status = 1
        monkeypatch.setattr(cli, "say", gone)
        assert cli.main(CONVERT) == 1
        assert capsys.readouterr().err == ""

    def test_progress_is_shown_on_a_terminal_only(
        self, conversion: FakeConversion, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(terminal, "on_terminal", lambda stream: stream is sys.stderr)
        assert cli.main(CONVERT) == 0
        progress = conversion.calls[0][1]["progress"]
        progress(3, 10)
        progress(3, 0)

    @pytest.mark.parametrize("text", ["2026-03-14T21:30:00", "2026-03-14", "yesterday", ""])
    def test_receipt_needs_a_time_with_offset(
        self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str], text: str
    ) -> None:
        assert cli.main([*CONVERT, "--received", text]) == 2
        assert conversion.calls == []
        assert one_paragraph(capsys).startswith("gateway: --received: ")

    def test_unknown_mapping_name_is_told(self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["convert", "a.csv", "--mapping", "no-such-mapping", "--out", "o"]) == 2
        assert "no-such-mapping" in one_paragraph(capsys)


def one_paragraph(capsys: pytest.CaptureFixture[str]) -> str:
    said = capsys.readouterr().err
    assert re.match(r"gateway( [a-z-]+)?: ", said)
    assert said.endswith(".\n")
    assert said.count("\n") == 1
    assert "Traceback" not in said
    return said


def raised(kind: type[BaseException], *arguments: Any) -> BaseException:
    """An error with a traceback, as a stage would raise it."""
    try:
        raise kind(*arguments)
    except BaseException as error:  # noqa: BLE001
        return error


class TestErrors:
    @pytest.mark.parametrize(
        ("error", "words"),
        [
            (
                InputError("not a text file", where="night.csv, line 4", todo="Export it again"),
                "night.csv, line 4: not a",
            ),
            (UsageError("two\nlines"), "two lines."),
            (OutputError("the folder is in use", where="result"), "result: the folder is in use."),
            (FileNotFoundError(2, "No such file or directory", "night.csv"), "night.csv: No such file or directory."),
            (PermissionError(13, "Permission denied", b"night.csv"), "night.csv: Permission denied."),
            (OSError(28, "No space left on device"), "No space left on device."),
            (BrokenPipeError(32, "Broken pipe"), "Broken pipe."),
            (UnicodeDecodeError("utf-8", b"MRN 80412", 4, 5, "invalid start byte"), "a text is not valid utf-8 text."),
            (MemoryError(), "not enough memory."),
            (
                raised(ValueError, "patient 80412 has no name"),
                "a fault in the gateway itself (ValueError at test_cli.py",
            ),
            (raised(RecursionError, "80412"), "a fault in the gateway itself (RecursionError"),
        ],
    )
    def test_every_error_is_one_paragraph(
        self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str], error: BaseException, words: str
    ) -> None:
        conversion.raises = error
        assert cli.main(CONVERT) == 2
        said = one_paragraph(capsys)
        assert words in said
        assert "80412" not in said

    def test_interrupt(self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str]) -> None:
        conversion.raises = KeyboardInterrupt()
        assert cli.main(CONVERT) == 130
        assert "stopped from the keyboard" in one_paragraph(capsys)

    def test_every_problem_of_a_mapping_is_told(
        self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str]
    ) -> None:
        problems = [MappingError("unknown key", where=f"ward.toml, line {line}") for line in (3, 9)]
        conversion.raises = MappingError("the mapping cannot be used", problems=problems)
        assert cli.main(CONVERT) == 2
        assert capsys.readouterr().err.splitlines() == [
            "gateway: ward.toml, line 3: unknown key.",
            "gateway: ward.toml, line 9: unknown key.",
        ]

    def test_debugging_shows_the_traceback(
        self, conversion: FakeConversion, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        monkeypatch.setenv("GATEWAY_DEBUG", "1")
        conversion.raises = raised(ValueError, "deep inside")
        assert cli.main(CONVERT) == 2
        said = capsys.readouterr().err
        assert said.startswith("Traceback")
        assert "deep inside" in said

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            ("convert", "--mapping"),
            ("convert a.csv --out o", "--mapping"),
            ("convert a.csv --mapping m.toml", "--out"),
            ("convert a.csv --mapping m.toml --out o --as pdf", "pdf"),
            ("convert a.csv --mapping m.toml --out o --bundle zip", "zip"),
            ("convert a.csv --mapping m.toml --out o --verify none", "none"),
            ("convert a.csv --mapping m.toml --out o --workers 0", "--workers"),
            ("convert a.csv --mapping m.toml --out o --workers two", "--workers"),
            ("convert a.csv --mapping m.toml --out o --force", "--force"),
            ("convertt", "convertt"),
            ("check", "mapping"),
            ("check m.toml a.csv more", "more"),
        ],
    )
    def test_wrong_usage_is_one_paragraph(
        self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str], words: str, told: str
    ) -> None:
        assert cli.main(words.split()) == 2
        assert told in one_paragraph(capsys)
        assert conversion.calls == []

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            ("convert a.csv --mapping m.toml --out o --workers 0", "'--workers': it must be at least 1."),
            ("convert a.csv --mapping m.toml --out o --workers two", "'--workers': it is not a whole number."),
            ("convert a.csv --mapping m.toml --out o --as pdf", "'--as': 'pdf' is not one of 'fhir', 'oru', 'both'."),
            ("holds seven --ledger l.db", "'HOLD': it is not a whole number."),
            ("capture /dev/null --mapping m --out o --seconds soon", "'--seconds': it is not a number."),
        ],
    )
    def test_wrong_usage_is_told_in_plain_words_with_the_command_once(
        self, capsys: pytest.CaptureFixture[str], words: str, told: str
    ) -> None:
        assert cli.main(words.split()) == 2
        name = f"gateway {words.split()[0]}"
        assert capsys.readouterr().err == f"{name}: Invalid value for {told} See {name} --help.\n"

    def test_a_command_that_is_not_put_together_names_itself_once(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["check"]) == 2
        assert capsys.readouterr().err.startswith("gateway check: no mapping file was named.")

    @pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
    def test_full_output(self) -> None:
        with open("/dev/full", "w") as full:
            done = run_gateway("vitals", stdout=full, stderr=subprocess.PIPE)
        assert done.returncode == 2
        assert done.stderr.startswith("gateway: standard output: cannot print: No space left on device.")
        assert done.stderr.count("\n") == 1

    def test_closed_output(self) -> None:
        reading, writing = os.pipe()
        os.close(reading)
        try:
            done = run_gateway("vitals", stdout=writing, stderr=subprocess.PIPE)
        finally:
            os.close(writing)
        assert (done.returncode, done.stderr) == (141, "")

    @pytest.mark.parametrize("words", [["--help"], ["convert", "--help"], ["check", "--schema"]])
    def test_a_reader_that_has_seen_enough_is_no_error(self, words: list[str]) -> None:
        reading, writing = os.pipe()
        os.close(reading)
        try:
            done = run_gateway(*words, stdout=writing, stderr=subprocess.PIPE)
        finally:
            os.close(writing)
        assert (done.returncode, done.stderr) == (141, "")

    def test_a_broken_pipe_of_something_else_is_one(
        self, conversion: FakeConversion, capsys: pytest.CaptureFixture[str]
    ) -> None:
        conversion.raises = BrokenPipeError(32, "Broken pipe")
        assert cli.main(CONVERT) == 2
        assert "Broken pipe" in one_paragraph(capsys)

    def test_output_that_cannot_show_a_character(self) -> None:
        environment = {"PYTHONIOENCODING": "ascii"}
        command = [sys.executable, "-m", "gateway", "vitals", "spo2"]
        done = subprocess.run(
            command, env=os.environ | environment, cwd=REPOSITORY, capture_output=True, timeout=60, check=False
        )
        assert done.returncode == 0
        assert done.stderr == b""


class TestHelp:
    def test_nothing_said_is_wrong_usage_and_shows_the_help(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main([]) == 2
        assert "Usage: gateway" in capsys.readouterr().out

    @pytest.mark.parametrize("words", [["--help"], ["convert", "--help"]])
    def test_documents_exit_status_and_cautions(self, capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
        from gateway.report.model import CAUTIONS

        assert cli.main(words) == 0
        said = capsys.readouterr().out
        for status in ("0", "1", "2", "130"):
            assert f"\n    {status:<3}  " in said
        folded = " ".join(said.split())
        for caution in CAUTIONS:
            assert caution in folded

    @pytest.mark.parametrize("command", sorted(typer.main.get_command(cli.app).commands))  # type: ignore[attr-defined]
    def test_nothing_of_python_stands_in_a_help_text(self, capsys: pytest.CaptureFixture[str], command: str) -> None:
        assert cli.main([command, "--help"]) == 0
        assert re.search(r"<[a-z]|list\[|x[<>]=|\bRANGE\b", capsys.readouterr().out) is None

    def test_ranges_and_choices_stand_in_a_help_text(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["convert", "--help"]) == 0
        said = " ".join(capsys.readouterr().out.split())
        assert "--as fhir|oru|both " in said
        assert "at least 1]" in said

    def test_version(self, capsys: pytest.CaptureFixture[str]) -> None:
        from gateway.version import VERSION

        assert cli.main(["--version"]) == 0
        assert capsys.readouterr().out == f"gateway {VERSION}\n"

    def test_loads_nothing_heavy(self) -> None:
        code = (
            "import sys; from gateway.cli.main import main; main(['--help']); "
            "heavy = {'altair', 'fhir', 'hl7apy', 'jinja2', 'pydantic', 'rich', 'vl_convert'}; "
            "sys.exit(' '.join(sorted(heavy & {name.split('.')[0] for name in sys.modules})) or None)"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=REPOSITORY, capture_output=True, text=True, timeout=60, check=False
        )
        assert (done.returncode, done.stderr) == (0, "")


class TestCheck:
    def test_schema(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["check", "--schema"]) == 0
        assert "namespace" in json.loads(capsys.readouterr().out)["properties"]

    def test_a_mapping_that_is_not_there_is_not_called_unsigned(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert cli.main(["check", "--signed", str(tmp_path / "nosuch.toml")]) == 2
        assert "nosuch.toml: there is no such file." in one_paragraph(capsys)

    def test_usable_mapping(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "ward.toml").write_text(MAPPING)
        assert cli.main(["check", str(tmp_path / "ward.toml")]) == 0
        said = capsys.readouterr().out
        assert said.count("\n") == 1
        for word in ("Ward round, wide", "version 3", "heart_rate", "America/Chicago", "Patient"):
            assert word in said

    def test_unusable_mapping(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "ward.toml").write_text(MAPPING.replace('unit = "/min"', 'unit = "bananas"\ncolor = "red"'))
        assert cli.main(["check", str(tmp_path / "ward.toml")]) == 2
        said = capsys.readouterr()
        assert said.out == ""
        assert all(line.startswith("gateway: ") for line in said.err.splitlines())
        assert f"line {MAPPING[: MAPPING.index('unit =')].count(chr(10)) + 2}" in said.err

    def test_export_is_tried(
        self, conversion: FakeConversion, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        mapping = tmp_path / "ward.toml"
        mapping.write_text(MAPPING)
        assert cli.main(["check", str(mapping), "night.csv", "--entries", "2"]) == 0
        assert conversion.calls == [
            ((str(mapping), "night.csv"), {"entries": 2, "associations": None, "received": None})
        ]
        assert capsys.readouterr().out == "line 2: heart_rate 72 /min\nline 3: nothing\n"


class TestLists:
    def test_vitals(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["vitals"]) == 0
        lines = capsys.readouterr().out.splitlines()
        rows = {line.split()[0]: line for line in lines if line.strip()}
        for vital in vocabulary.vitals().values():
            assert vital.title in rows[vital.key]
            assert vital.codings[0].code in rows[vital.key]

    @pytest.mark.parametrize("key", list(vocabulary.vitals()))
    def test_one_vital(self, capsys: pytest.CaptureFixture[str], key: str) -> None:
        vital = vocabulary.vitals()[key]
        assert cli.main(["vitals", key]) == 0
        said = " ".join(capsys.readouterr().out.split())
        for word in (vital.title, vital.codings[0].code, *vital.sites, *vital.methods, *vital.answers, *vital.units):
            assert word in said

    def test_rules(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["rules"]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert [line.split()[0] for line in lines[1:]] == list(checks.rules())

    def test_one_rule(self, capsys: pytest.CaptureFixture[str]) -> None:
        rule = checks.rules()["time-in-dst-gap"]
        assert cli.main(["rules", rule.slug]) == 0
        said = " ".join(capsys.readouterr().out.split())
        for words in (rule.title, rule.why, rule.example, rule.todo, rule.reference):
            assert " ".join(words.split()) in said

    @pytest.mark.parametrize(
        ("words", "meant"), [("rules time-in-dst-gpa", "time-in-dst-gap"), ("vitals sysotlic", "systolic")]
    )
    def test_unknown_name(self, capsys: pytest.CaptureFixture[str], words: str, meant: str) -> None:
        assert cli.main(words.split()) == 2
        assert f"did you mean '{meant}'" in one_paragraph(capsys)

    @pytest.mark.parametrize("words", ["vitals", "rules"])
    def test_terminals_get_a_folded_table(
        self, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: str
    ) -> None:
        monkeypatch.setenv("COLUMNS", "100")
        monkeypatch.setattr(terminal, "on_terminal", lambda stream: stream is sys.stdout)
        assert cli.main([words]) == 0
        table = capsys.readouterr().out.split("Editions")[0]
        assert max(map(len, table.splitlines())) <= 100


class TestDemo:
    @pytest.fixture
    def home(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        for name in ("one", "two"):
            (tmp_path / name).mkdir()
            (tmp_path / name / "mapping.toml").write_text("")
            (tmp_path / name / "b.csv").write_text("")
            (tmp_path / name / "a.csv").write_text("")
        (tmp_path / "two" / "associations.csv").write_text("")
        (tmp_path / "two" / "demo.toml").write_text(
            'title = "Second"\nbundle = "ndjson"\nexports = ["b*"]\nreceived = "2026-03-14T10:00:00Z"\n'
        )
        monkeypatch.setattr(cli, "_demo_home", lambda: tmp_path)
        return tmp_path

    def test_every_folder_is_converted_into_both_forms(
        self, conversion: FakeConversion, home: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        conversion.status = 1
        assert cli.main(["demo", "--out", "shown"]) == 0
        (one, one_options), (two, two_options) = conversion.calls
        assert one == (
            [home / "one" / "a.csv", home / "one" / "b.csv"],
            home / "one" / "mapping.toml",
            Path("shown/one"),
        )
        assert two == ([home / "two" / "b.csv"], home / "two" / "mapping.toml", Path("shown/two"))
        assert one_options["as_"] == two_options["as_"] == "both"
        assert (one_options["associations"], one_options["received"]) == (None, None)
        assert two_options["associations"] == home / "two" / "associations.csv"
        assert two_options["received"] == datetime.fromisoformat("2026-03-14T10:00:00+00:00")
        assert (one_options["bundle"], two_options["bundle"]) == ("transaction", "ndjson")
        said = capsys.readouterr().out
        assert "== two: Second" in said
        assert str(Path("shown/two/report.html")) in said

    def test_receipt_without_offset(
        self, conversion: FakeConversion, home: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (home / "one" / "demo.toml").write_text("received = 2026-03-14T10:00:00\n")
        assert cli.main(["demo"]) == 2
        assert "key received: the time has no offset" in one_paragraph(capsys)

    def test_unknown_setting(self, conversion: FakeConversion, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (home / "one" / "demo.toml").write_text("zone = 1\n")
        assert cli.main(["demo"]) == 2
        assert "unknown key zone" in one_paragraph(capsys)

    def test_no_demo_exports(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        monkeypatch.setattr(cli, "_demo_home", lambda: tmp_path / "gone")
        assert cli.main(["demo"]) == 2
        assert "the demo exports are missing" in one_paragraph(capsys)

    def test_shipped_demos_are_found(self) -> None:
        demos = cli._demos()
        assert len(demos) >= 3
        for shown in demos:
            assert shown.exports, f"{shown.name} has no exports"
