"""gateway help: the pages of the documentation in the terminal; -h and shell completion."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

from gateway.cli import main as cli
from gateway.cli import pages
from gateway.cli.terminal import GROUPS

REPOSITORY = Path(__file__).resolve().parents[2]


def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "gateway", *words],
        cwd=REPOSITORY,
        env=os.environ | {"COLUMNS": "100"} | environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_every_page_is_listed_with_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help"]) == 0
    lines = dict(line.split(maxsplit=1) for line in capsys.readouterr().out.splitlines() if "  " in line)
    there = {path.stem for path in (REPOSITORY / "docs").rglob("*.md")}
    assert there
    assert lines.keys() - {"topic"} == there
    assert all(len(words) <= 105 and words.endswith(".") for name, words in lines.items() if name != "topic")


@pytest.mark.parametrize("topic", sorted(pages.topics()))
def test_a_page_is_shown_as_it_is_where_there_is_no_terminal(topic: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help", topic]) == 0
    shown = capsys.readouterr().out
    written = pages.topics()[topic].read_text(encoding="utf-8")
    assert shown.startswith(written.partition("\n")[0])
    assert "<!-- made" not in shown
    kept = [line for line in written.splitlines() if line and not line.startswith("<!--")]
    assert [line for line in shown.splitlines() if line] == kept


def test_on_a_terminal_a_page_is_drawn_and_its_links_are_topics(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(pages, "on_terminal", lambda stream: True)
    monkeypatch.setenv("COLUMNS", "100")
    assert cli.main(["help", "flow"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "How a cell becomes a record" in shown
    assert "report (gateway help report)" in shown
    assert "](" not in shown
    assert "flow.svg" not in shown


def test_a_command_is_a_topic_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help", "convert"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("Usage: gateway convert [OPTIONS]")
    assert "--mapping" in shown


def test_an_unknown_topic_is_refused_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["help", "nigthly"]) == 2
    assert "did you mean 'nightly'" in capsys.readouterr().err


def test_missing_pages_are_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(pages, "_home", lambda: tmp_path)
    assert cli.main(["help"]) == 2
    assert "the pages are missing" in capsys.readouterr().err


def test_short_help_works_everywhere(capsys: pytest.CaptureFixture[str]) -> None:
    known: Any = typer.main.get_command(cli.app)
    for words in ([], *([name] for name in known.commands)):
        assert cli.main([*words, "--help"]) == 0
        long = capsys.readouterr().out
        assert cli.main([*words, "-h"]) == 0
        assert capsys.readouterr().out == long


def test_every_command_stands_in_one_group(capsys: pytest.CaptureFixture[str]) -> None:
    known: Any = typer.main.get_command(cli.app)
    assert sorted(name for names in GROUPS.values() for name in names) == sorted(known.commands)
    assert cli.main(["--help"]) == 0
    told = capsys.readouterr().out
    assert [told.index(f"\n{heading}:\n") for heading in GROUPS] == sorted(
        told.index(f"\n{heading}:\n") for heading in GROUPS
    )
    assert "Others:" not in told


def test_the_shell_completes_commands_and_options() -> None:
    done = run(_GATEWAY_COMPLETE="complete_bash", COMP_WORDS="gateway nigh", COMP_CWORD="1")
    assert (done.stdout.split(), done.stderr) == (["nightly"], "")
    done = run(_GATEWAY_COMPLETE="complete_bash", COMP_WORDS="gateway convert --mapp", COMP_CWORD="2")
    assert (done.stdout.split(), done.stderr) == (["--mapping"], "")


def test_the_script_for_the_shell_is_shown() -> None:
    # Which shell called is not looked for: there is none in a continuous integration.
    done = run("--show-completion", "bash", _TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION="1")
    assert done.returncode == 0, done.stderr
    assert "_GATEWAY_COMPLETE" in done.stdout
