"""The documents say only what is so: links lead somewhere, commands and options exist."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path
from typing import Any

import pytest
import typer

from gateway.entry import cli

REPOSITORY = Path(__file__).resolve().parents[1]
DOCUMENTS = sorted(
    path
    for path in REPOSITORY.rglob("*.md")
    if not {".venv", ".git", "demo-output", "dist", "build"} & set(path.relative_to(REPOSITORY).parts)
)
IDS = [path.relative_to(REPOSITORY).as_posix() for path in DOCUMENTS]


def anchors(text: str) -> set[str]:
    """The anchors a Markdown page gives its headings."""
    prose = re.sub(r"^```.*?^```", "", text, flags=re.M | re.S)
    titles = re.findall(r"^#+ +(.+?) *$", prose, re.M)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def commands(text: str) -> list[list[str]]:
    """The shell commands of a Markdown page, continuation lines joined, as words."""
    found = []
    for block in re.findall(r"^```(?:sh|bash|shell|console)\n(.*?)^```", text, re.M | re.S):
        for line in block.replace("\\\n", " ").splitlines():
            words = shlex.split(line.removeprefix("$ "), comments=True)
            for stop in ("|", "&&", ";", ">"):
                if stop in words:
                    words = words[: words.index(stop)]
            if words:
                found.append(words)
    return found


def test_readme_states_the_test_command() -> None:
    readme = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    assert ["./dev", "test"] in commands(readme)
    assert ["./dev", "demo"] in commands(readme)


@pytest.mark.parametrize("path", DOCUMENTS, ids=IDS)
def test_links_lead_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", re.sub(r"^```.*?^```", "", text, flags=re.M | re.S)):
        if re.match(r"[a-z]+:", target):
            continue
        file, _, anchor = target.partition("#")
        there = (path.parent / file) if file else path
        assert there.exists(), f"{target}: there is no such file"
        if anchor:
            assert anchor in anchors(there.read_text(encoding="utf-8")), f"{target}: there is no such heading"


@pytest.mark.parametrize("path", DOCUMENTS, ids=IDS)
def test_commands_exist(path: Path) -> None:
    known: Any = typer.main.get_command(cli.app)
    help_text = subprocess.run([REPOSITORY / "dev", "help"], capture_output=True, text=True, check=True).stdout
    helper = set(re.findall(r"^  ([a-z]+) ", help_text, re.M))
    for words in commands(path.read_text(encoding="utf-8")):
        if words[0] == "./dev" and len(words) > 1:
            assert words[1] in helper, f"{shlex.join(words)}: ./dev help does not list it"
        if words[0] == "gateway" and len(words) > 1 and not words[1].startswith("-"):
            command = known.commands.get(words[1])
            assert command is not None, f"{shlex.join(words)}: there is no such command"
            options = {"--help"} | {option for parameter in command.params for option in parameter.opts}
            for word in words[2:]:
                if word.startswith("--"):
                    assert word.partition("=")[0] in options, f"{shlex.join(words)}: there is no option {word}"


def test_changelog_has_a_place_for_the_next_change() -> None:
    text = (REPOSITORY / "CHANGELOG.md").read_text(encoding="utf-8")
    headings = re.findall(r"^## (.+)$", text, re.M)
    assert headings[0] == "[Unreleased]"
    for heading in headings[1:]:
        assert re.fullmatch(r"\[\d+\.\d+\.\d+\] - \d{4}-\d{2}-\d{2}", heading)
