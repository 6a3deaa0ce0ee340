"""The command that shows the pages of the documentation in the terminal: gateway help."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.terminal import look_up, on_terminal, say, say_table
from gateway.errors import UsageError

FOLDERS = ("", "tutorial", "how-to", "reference", "explanation", "internals")
"""The folders of the pages, in the order in which they are listed."""


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(name="help", epilog="Exit status: 0 shown, 2 there is no such topic.")(show)


def show(
    context: typer.Context,
    topic: Annotated[
        str | None,
        typer.Argument(
            metavar="[TOPIC]", help="A page, such as nightly, or a command; left out, all pages are listed."
        ),
    ] = None,
) -> None:
    """Show a page of the documentation, or list the pages."""
    found = topics()
    if topic is None:
        say_table(("topic", "what it is about"), [(name, summary(page)) for name, page in found.items()])
        say("\nRead one with gateway help TOPIC; gateway COMMAND --help tells the options of a command.")
        return
    if topic not in found and (asked := _help_of(context, topic)):
        say(asked)
        return
    page = look_up(topic, found, "topic", "help", "gateway help lists the topics").read_text(encoding="utf-8")
    # The marks of the sections that are made from the program are for those who write the pages.
    text = re.sub(r"^<!-- .+? -->\n\n?", "", page, flags=re.M)
    if not on_terminal(sys.stdout):
        say(text.rstrip())
        return
    text = re.sub(r"^!\[.+?\]\(.+?\)\n\n?", "", text, flags=re.M)
    text = re.sub(r"\[([^\]]+)\]\((?:[\w./-]*/)?([\w-]+)\.md(?:#[\w-]+)?\)", r"\1 (gateway help \2)", text)
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    with console.capture() as capture:
        console.print(Markdown(text, hyperlinks=False))
    say(capture.get().rstrip("\n"))


def _help_of(context: typer.Context, name: str) -> str:
    """The help of a command, empty where there is none of that name."""
    program = context.parent
    command = getattr(program.command, "commands", {}).get(name) if program is not None else None
    if command is None:
        return ""
    with command.make_context(name, [], parent=program, resilient_parsing=True) as inner:
        return str(command.get_help(inner))


def topics() -> dict[str, Path]:
    """The pages by topic, which is the name of their file.

    Raises:
        UsageError: the pages are missing.
    """
    home = _home()
    found = {page.stem: page for folder in FOLDERS for page in sorted((home / folder).glob("*.md"))}
    if not found:
        raise UsageError(
            "the pages are missing", where=str(home), todo="Install the gateway again from a complete wheel"
        )
    return found


def summary(page: Path) -> str:
    """What a page is about: the paragraph below its title, as far as its first sentence."""
    text = page.read_text(encoding="utf-8").split("\n\n")[1]
    return re.split(r"(?<=\.)\s", " ".join(text.split()), maxsplit=1)[0]


def _home() -> Path:
    """The folder of the pages: inside an installed package, or beside the package in the repository."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "_shipped" / "docs"
    return shipped if shipped.is_dir() else package.parent / "docs"
