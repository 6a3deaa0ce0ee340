"""What the commands share: printing, looking names up, reading times, how their help is written."""

from __future__ import annotations

import difflib
import os
import re
import select
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO, TypeVar

import typer
from typer.core import TyperCommand, TyperGroup

from gateway.errors import OutputError, UsageError

T = TypeVar("T")


_RANGES: tuple[tuple[str, str], ...] = (
    (r"([\d.]+)<=x<=([\d.]+)", r"\1 to \2"),
    (r"x>=([\d.]+)", r"at least \1"),
    (r"x<=([\d.]+)", r"at most \1"),
)
"""How the library writes what numbers an option takes, and how people do."""


class _Rows:
    """Stands before a formatter of help texts: what the library says in the words of Python is said in plain ones."""

    def __init__(self, formatter: Any) -> None:
        self._formatter = formatter

    def __getattr__(self, name: str) -> Any:
        return getattr(self._formatter, name)

    def write_dl(self, rows: Sequence[tuple[str, str]], *given: Any, **named: Any) -> None:
        self._formatter.write_dl([(self._name(name), self._help(words)) for name, words in rows], *given, **named)

    @staticmethod
    def _name(name: str) -> str:
        """`EXPORT <list[str]>` is EXPORT, and `--as <fhir|oru>` is --as fhir|oru."""
        name = re.sub(r" <([^<>|]+\|[^<>]+)>(\.\.\.)?$", r" \1", name)
        return re.sub(r" <[^<>]*>(\.\.\.)?$", "", name)

    @staticmethod
    def _help(words: str) -> str:
        before, bracket, extra = words.rpartition("  [")
        for pattern, plain in _RANGES:
            extra = re.sub(pattern, plain, extra)
        return before + bracket + extra


class _Command(TyperCommand):
    """A command whose help names its arguments and options without the types of Python."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        super().format_options(ctx, _Rows(formatter))  # type: ignore[arg-type]


GROUPS: Mapping[str, tuple[str, ...]] = {
    "Converting": ("convert", "check", "capture", "demo"),
    "Making a mapping": ("draft", "compare", "verify-pack", "vitals", "rules"),
    "What is held and recorded": ("holds", "resolve", "move", "merge", "retract", "trace", "audit"),
    "Sending": ("outbox", "queue", "replay", "send"),
    "Running unattended": ("nightly", "serve"),
    "Reading on": ("help",),
}
"""The commands by what they are for, as the help lists them."""


class _Grouped(TyperGroup):
    """The commands of the program, listed by what they are for."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List them below headings; one that stands in no group comes last."""
        left = dict.fromkeys(self.list_commands(ctx))
        for heading, names in (*GROUPS.items(), ("Others", tuple(left))):
            found = [(name, self.get_command(ctx, name)) for name in names if name in left]
            for name, _ in found:
                del left[name]
            rows = [(name, command.get_short_help_str(58)) for name, command in found if command is not None]
            if rows:
                with formatter.section(heading):
                    formatter.write_dl(rows)


class Commands(typer.Typer):
    """The commands of one program."""

    def __init__(self, **named: Any) -> None:
        super().__init__(cls=_Grouped, **named)

    def command(self, *given: Any, **named: Any) -> Callable[[Any], Any]:
        """Register a command, as `typer.Typer.command` does."""
        named.setdefault("cls", _Command)
        return super().command(*given, **named)


def instant(text: str, where: str) -> datetime:
    """Read an ISO 8601 time with offset; `where` is the option or file it stands in.

    Raises:
        UsageError: the text is no such time, or has no offset.
    """
    todo = "Write it as 2026-03-14T21:30:00-05:00"
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError("this is not an ISO 8601 time", where=where, todo=todo) from None
    if instant.tzinfo is None:
        raise UsageError("the time has no offset from UTC, and none is guessed", where=where, todo=todo)
    return instant


def look_up(key: str, table: Mapping[str, T], kind: str, where: str, todo: str) -> T:
    """Look a name up.

    Raises:
        UsageError: there is no such name; the nearest one is suggested.
    """
    if key in table:
        return table[key]
    near = difflib.get_close_matches(key, table, n=1)
    raise UsageError(
        f"there is no {kind} '{key}'" + (f"; did you mean '{near[0]}'" if near else ""), where=where, todo=todo
    )


def mapping_file(text: str) -> str:
    """Turn what stands for a mapping on the command line into a path: a file, or the name of a shipped mapping."""
    if Path(text).suffix or os.sep in text or Path(text).exists():
        return text
    from gateway.mapping.loader import ready

    names = ready()
    return str(look_up(text, names, "file and no shipped mapping", "mapping", f"Shipped are: {', '.join(names)}"))


def say_details(rows: Sequence[tuple[str, str]]) -> None:
    """Print names and texts, one below the other, folded to a width that can be read."""
    import textwrap

    left = max(len(name) for name, _ in rows) + 2
    for name, words in rows:
        if words:
            lines = textwrap.wrap(words, 96 - left, break_long_words=False, break_on_hyphens=False)
            say(f"{name:<{left}}" + f"\n{'':<{left}}".join(lines))


def say_table(heading: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table: folded to the width of a terminal, or one plain line for each row."""
    if on_terminal(sys.stdout):
        from rich import box
        from rich.console import Console
        from rich.table import Table

        table = Table(*heading, box=box.SIMPLE_HEAD, pad_edge=False)
        for row in rows:
            table.add_row(*row)
        console = Console()
        with console.capture() as capture:
            console.print(table, markup=False)
        say(capture.get().rstrip("\n"))
        return
    widths = [max(len(row[column]) for row in (heading, *rows)) for column in range(len(heading))]
    for row in (heading, *rows):
        say("  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip())


def on_terminal(stream: TextIO | None) -> bool:
    """Whether a stream leads to a terminal that can show more than lines."""
    return stream is not None and stream.isatty() and os.environ.get("TERM") != "dumb"


class ReaderGone(Exception):  # noqa: N818 - it is no error
    """Nobody reads standard output any more: `gateway check MAPPING | head` has seen enough."""


def say(words: str) -> None:
    """Print to standard output.

    Raises:
        ReaderGone: whoever read it went away.
        OutputError: it is full.
    """
    try:
        print(words, flush=True)
    except OSError as error:
        _to_nowhere()
        if isinstance(error, BrokenPipeError):
            raise ReaderGone from error
        raise OutputError(
            f"cannot print: {reason(error)}", where="standard output", todo="Free the space, or print somewhere else"
        ) from error


def reader_gone() -> bool:
    """Whether standard output is a pipe that nobody reads any more (other pipes and sockets break as well)."""
    try:
        asked = select.poll()
        asked.register(sys.stdout.fileno(), select.POLLOUT)
        gone = any(event & (select.POLLERR | select.POLLHUP) for _, event in asked.poll(0))
    except (OSError, ValueError):
        return False
    if gone:
        _to_nowhere()
    return gone


def _to_nowhere() -> None:
    """Let what is left in the buffer go somewhere, or the interpreter complains once more on its way out."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextmanager
def progress_bar() -> Iterator[Callable[[int, int], None] | None]:
    """Give a progress bar's callback (done, total) when a terminal is there to see it, else None."""
    if not on_terminal(sys.stderr):
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("converting"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("converting", total=None)

        def show(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total or None)

        yield show


def reason(error: OSError) -> str:
    """What the operating system says about an error, without its final stop."""
    return (error.strerror or type(error).__name__).rstrip(".")
