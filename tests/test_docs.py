"""The documents say only what is so: links lead somewhere, commands and options exist, made sections are current."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer

from gateway.cli import main as cli
from gateway.mapping import loader
from tests import docs_refresh

REPOSITORY = Path(__file__).resolve().parents[1]
DOCUMENTS = sorted(
    path
    for path in REPOSITORY.rglob("*.md")
    if not {".venv", ".git", "demo-output", "dist", "build", "site"} & set(path.relative_to(REPOSITORY).parts)
)
PAGES = docs_refresh.pages()
IDS = [path.relative_to(REPOSITORY).as_posix() for path in DOCUMENTS]


def anchors(text: str) -> set[str]:
    """The anchors a Markdown page gives its headings."""
    prose = re.sub(r"^```.*?^```", "", text, flags=re.M | re.S)
    titles = re.findall(r"^#+ +(.+?) *$", prose, re.M)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def commands(text: str) -> list[list[str]]:
    """The shell commands of a Markdown page, continuation lines joined, as words; in a console block those after $."""
    found = []
    for kind, block in re.findall(r"^```(sh|bash|shell|console)\n(.*?)^```", text, re.M | re.S):
        for line in block.replace("\\\n", " ").splitlines():
            if kind == "console" and not line.startswith("$ "):
                continue
            words = shlex.split(line.removeprefix("$ "), comments=True)
            for stop in ("|", "&&", ";", ">"):
                if stop in words:
                    words = words[: words.index(stop)]
            if words:
                found.append(words)
    return found


def test_readme_is_short_and_states_the_two_commands() -> None:
    assert ["./dev", "test"] in commands(readme())
    assert ["./dev", "demo"] in commands(readme())
    assert readme().count("\n") <= 150


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
            options = {"-h", "--help"} | {option for parameter in command.params for option in parameter.opts}
            for word in words[2:]:
                if word.startswith("--"):
                    assert word.partition("=")[0] in options, f"{shlex.join(words)}: there is no option {word}"
            if not {"-h", "--help"} & set(words):
                command.make_context(words[1], words[2:])  # refuses a value or a number of arguments that does not fit


def test_changelog_has_a_place_for_the_next_change() -> None:
    text = (REPOSITORY / "CHANGELOG.md").read_text(encoding="utf-8")
    headings = re.findall(r"^## (.+)$", text, re.M)
    assert headings[0] == "[Unreleased]"
    for heading in headings[1:]:
        assert re.fullmatch(r"\[\d+\.\d+\.\d+\] - \d{4}-\d{2}-\d{2}", heading)


def readme() -> str:
    return (REPOSITORY / "README.md").read_text(encoding="utf-8")


def everything() -> str:
    """The text of all documents, one after the other."""
    return "\n\n".join(path.read_text(encoding="utf-8") for path in PAGES)


RUN = {
    "demo": ["demo"],
    "steps": ["check", "mistake", "preview", "mended", "converted", "files", "one row"],
    "recovery": ["recovery"],
}
FROM_DATA = sorted(docs_refresh.SECTIONS.keys() - {name for names in RUN.values() for name in names})


def assert_current(names: list[str]) -> None:
    stale = [
        f"{path.name}: {name}"
        for path in PAGES
        for text in [path.read_text(encoding="utf-8")]
        for name in docs_refresh.marks(text)
        if name in names and docs_refresh.refreshed(text, name) != text
    ]
    assert not stale, f"out of date: {stale}. Run: .venv/bin/python -m tests.docs_refresh, and read what changed"


@pytest.mark.parametrize("name", FROM_DATA)
def test_section_made_from_data_is_current(name: str) -> None:
    assert_current([name])


@pytest.mark.slow
@pytest.mark.parametrize("names", RUN.values(), ids=RUN)
def test_section_made_by_running_commands_is_current(names: list[str]) -> None:
    assert_current(names)


@pytest.mark.parametrize("path", PAGES, ids=[path.relative_to(REPOSITORY).as_posix() for path in PAGES])
def test_every_mark_has_its_end(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert docs_refresh.marks(text) == re.findall(r"^<!-- end: (.+?) -->$", text, re.M)


def test_every_section_is_shown_somewhere() -> None:
    assert set(docs_refresh.marks(everything())) == set(docs_refresh.SECTIONS)


def test_a_stale_section_is_noticed() -> None:
    text = readme()
    assert docs_refresh.refreshed(text, "cautions") == text
    spoilt = text.replace("not a medical device", "a medical device", 1)
    assert spoilt != text
    assert docs_refresh.refreshed(spoilt, "cautions") == text


def test_the_man_page_is_current() -> None:
    assert docs_refresh.MAN.read_text(encoding="utf-8") == docs_refresh.man_page(), "run tests.docs_refresh"


@pytest.mark.skipif(shutil.which("groff") is None, reason="there is no groff on this machine")
def test_the_man_page_is_understood() -> None:
    words = ["groff", "-man", "-Tutf8", "-ww", str(docs_refresh.MAN)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert "spot-check vital signs into FHIR and HL7 v2 records" in done.stdout
    assert "--mapping" in re.sub(r"\x1b\[[0-9;]*m|.\x08", "", done.stdout)


def test_every_command_and_option_is_documented() -> None:
    known: Any = typer.main.get_command(cli.app)
    text = (docs_refresh.DOCS / "reference" / "commands.md").read_text(encoding="utf-8")
    missing = [name for name in known.commands if f"`gateway {name}`" not in text]
    for command in known.commands.values():
        for parameter in command.params:
            if parameter.param_type_name == "option":
                missing += [option for option in parameter.opts if not re.search(rf"^\| `{option}[ `]", text, re.M)]
    assert missing == []


def test_every_page_says_at_its_top_what_it_is_about() -> None:
    stems = [path.stem for path in PAGES if docs_refresh.DOCS in path.parents]
    assert len(set(stems)) == len(stems), "gateway help finds a page by the name of its file"
    for path in PAGES:
        if docs_refresh.DOCS in path.parents:
            text = path.read_text(encoding="utf-8")
            assert re.match(r"# [^\n]+\n\n[A-Z][^\n#]{20,105}\.\n", text), f"{path.name}: a title, then one short line"


def test_the_description_of_the_http_interface_is_current() -> None:
    """What programs read, and what was agreed on: a change of it is seen here first."""
    assert docs_refresh.OPENAPI.read_text(encoding="utf-8") == docs_refresh.openapi_document()


@pytest.mark.slow
def test_the_site_is_built_strictly_and_needs_no_network(tmp_path: Path) -> None:
    pytest.importorskip("material", reason="mkdocs-material is not installed: pip install '.[docs]'")
    words = [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(tmp_path / "site")]
    quiet = os.environ | {"NO_MKDOCS_2_WARNING": "1"}
    done = subprocess.run(words, cwd=REPOSITORY, env=quiet, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    built = sorted((tmp_path / "site").rglob("*.html"))
    assert len(built) >= len(PAGES) - 2
    # What a browser fetches by itself, as against links that a reader may follow.
    fetched = re.compile(
        r"<(?:script|img|iframe|source)\b[^>]*\bsrc=\"?(?:https?:)?//|<link\b[^>]*\bhref=\"?(?:https?:)?//"
    )
    assert fetched.search('<script src="https://cdn.example/x.js">')
    assert [path.name for path in built if fetched.search(path.read_text(encoding="utf-8"))] == []
    # The viewer of the HTTP interface has its script, and the description, beside it.
    viewer = next(path for path in built if path.name.startswith("swagger-")).read_text(encoding="utf-8")
    scripts = re.findall(r'<script[^>]*\bsrc="([^"]+)"', viewer)
    assert scripts
    assert all((tmp_path / "site" / "reference" / name).resolve().is_file() for name in scripts)
    assert "openapi.json" in viewer
    assert (tmp_path / "site" / "reference" / "openapi.json").is_file()


@pytest.mark.parametrize("name", ["report.png", "bench.png", "flow.svg"])
def test_pictures_are_small(name: str) -> None:
    picture = docs_refresh.DOCS / "images" / name
    assert picture.stat().st_size < 200_000
    assert f"docs/images/{name}" in readme()


def test_every_table_and_key_of_a_mapping_is_described() -> None:
    made = loader.schema()
    tables = {name for _, name, _ in docs_refresh.TABLES}
    assert tables == {"", *made["$defs"]}
    keys = {
        (name, key): rule
        for name in tables
        for key, rule in (made["$defs"][name] if name else made)["properties"].items()
    }
    described = {place for place, rule in keys.items() if rule.get("description")}
    assert docs_refresh.WORDS.keys() == keys.keys() - described, "WORDS describes what the model leaves undescribed"


def test_toml_in_the_documents_is_toml() -> None:
    blocks = list(docs_refresh.shown("toml", everything()))
    assert blocks
    for block in blocks:
        tomllib.loads(block)


def test_cautions_stand_before_anything_is_run() -> None:
    text = readme()
    assert text.index("not a medical device") < text.index("```sh")


def test_python_in_the_documents_runs(tmp_path: Path) -> None:
    (code,) = docs_refresh.shown("python", everything())
    shutil.copy(REPOSITORY / "mappings" / "wide-example.toml", tmp_path / "my-monitor.toml")
    (tmp_path / "first-export.csv").write_text(next(docs_refresh.shown("csv", everything())), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(REPOSITORY)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("1 ")
    assert list((tmp_path / "from-python").rglob("*.ndjson"))


def internals() -> str:
    """What is written for developers."""
    pages = [REPOSITORY / "DEVELOPERS.md", *sorted((docs_refresh.DOCS / "internals").glob("*.md"))]
    return "\n\n".join(path.read_text(encoding="utf-8") for path in pages)


def test_paths_named_for_developers_exist() -> None:
    text = internals()
    prose = re.sub(r"^```.*?^```", "", text, flags=re.M | re.S)
    named = re.findall(r"`((?:gateway|tests|mappings|fixtures)/[\w./-]*|[\w-]+\.(?:toml|md))`", prose)
    assert len(named) > 20
    # Names without a folder stand for a file of each demo.
    assert [
        name for name in named if not (REPOSITORY / name).exists() and name not in {"mapping.toml", "demo.toml"}
    ] == []


@pytest.mark.parametrize("package", ["conversion", "decisions"])
def test_modules_of_a_package_are_listed(package: str) -> None:
    text = internals()
    table = text.partition(f"\n`gateway/{package}/` is ")[2].split("\n\n")[1]
    files = {path.name for path in (REPOSITORY / "gateway" / package).glob("*.py")} - {"__init__.py"}
    assert set(re.findall(r"^\| `(\w+\.py)` \|", table, re.M)) == files


def test_packages_are_listed() -> None:
    text = internals()
    folders = {path.parent.name for path in (REPOSITORY / "gateway").glob("*/__init__.py")}
    assert {name for name in folders if f"`gateway/{name}/`" not in text} == set()


@pytest.mark.parametrize("path", DOCUMENTS, ids=IDS)
def test_dashes_are_rare(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\u2014") <= 3, "write two sentences, or use a comma or a colon"
