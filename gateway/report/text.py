"""The reckoning for a terminal: as plain text, or with rich when a person is looking."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gateway.model import LineKind, Outcome
from gateway.report.model import ClockState, HoldsInfo, ReadingRow, Report, counted, records_in_words

if TYPE_CHECKING:
    from rich.console import Console

RULES_SHOWN = 12
"""How many rules the terminal lists; the report has all."""

LINE_TITLES: dict[LineKind, tuple[str, str]] = {
    LineKind.ENTRY: ("entry", "entries"),
    LineKind.CONTINUATION: ("continuation of an entry", "continuations of entries"),
    LineKind.HEADER: ("header", "headers"),
    LineKind.PREAMBLE: ("line before the header", "lines before the header"),
    LineKind.FOOTER: ("footer line", "footer lines"),
    LineKind.REPEATED_HEADER: ("repeated header", "repeated headers"),
    LineKind.LEFT_OUT: ("row of another kind", "rows of other kinds"),
    LineKind.BLANK: ("blank line", "blank lines"),
    LineKind.EVENT: ("line about the monitor", "lines about the monitor"),
    LineKind.FRAMING: ("framing line", "framing lines"),
    LineKind.UNREADABLE: ("unreadable line", "unreadable lines"),
}
"""What one line of each kind is called, and several."""

BYTE_TITLES: dict[LineKind, str] = {
    LineKind.ENTRY: "in entries",
    LineKind.CONTINUATION: "in continuations",
    LineKind.HEADER: "in headers",
    LineKind.PREAMBLE: "before the header",
    LineKind.FOOTER: "left out as declared",
    LineKind.REPEATED_HEADER: "in repeated headers",
    LineKind.LEFT_OUT: "in rows of other kinds",
    LineKind.BLANK: "blank",
    LineKind.EVENT: "about the monitor",
    LineKind.FRAMING: "of framing",
    LineKind.UNREADABLE: "not readable",
}
"""Where the bytes of each kind are."""


def text(report: Report) -> str:
    """The reckoning as plain text, ended by a line feed; the same for every terminal."""
    rows = _table(report)
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = [f"{report.verdict.state.upper()}: {report.verdict.sentence}", ""]
    for row in rows:
        lines.append(
            "  ".join(
                part.ljust(width) if column == 0 else part.rjust(width)
                for column, (part, width) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
        )
    lines += ["", *_sums(report)]
    shown = report.rules[:RULES_SHOWN]
    if shown:
        lines += ["", f"{counted(report.findings, 'finding')} by {counted(len(report.rules), 'rule')}"]
        width = max(len(f"{found.count:,}") for found in shown)
        slug = max(len(found.rule) for found in shown)
        lines += [
            f"  {found.severity.value:<11}  {found.count:>{width},}  {found.rule:<{slug}}  {found.title}".rstrip()
            for found in shown
        ]
        if len(report.rules) > len(shown):
            lines.append(f"  {len(shown)} of {len(report.rules)} rules shown; the report lists all")
    return "\n".join(lines) + "\n"


def print_text(report: Report, console: Console | None = None) -> None:
    """Print the reckoning; plain text when the output is not a terminal.

    Args:
        report: the report.
        console: where to print; None for standard output.
    """
    from rich.console import Console as Terminal
    from rich.table import Table
    from rich.text import Text

    out = console or Terminal(highlight=False)
    if not out.is_terminal:
        out.file.write(text(report))
        return
    style = {"clean": "bold green", "attention": "bold yellow", "failed": "bold red"}[report.verdict.state]
    out.print(Text.assemble((report.verdict.state.upper(), style), ": ", report.verdict.sentence))
    head, *rows = _table(report)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for column, name in enumerate(head):
        table.add_column(Text(name), justify="right" if column else "left")
    for row in rows:
        table.add_row(*(Text(part) for part in row), style="bold" if row is rows[-1] else "")
    out.print()
    out.print(table)
    out.print()
    for line in text(report).split("\n\n")[2:]:
        out.print(Text(line.rstrip("\n")), soft_wrap=True)
        out.print()


def _table(report: Report) -> list[list[str]]:
    """Reckoning of readings as text cells: head, one row per vital, sum."""
    readings = report.reckoning.readings

    def cells(row: ReadingRow) -> list[str]:
        return [row.title, *(f"{getattr(row, outcome.value):,}" for outcome in Outcome), f"{row.total:,}"]

    return [["", *(outcome.value for outcome in Outcome), "total"], *map(cells, readings.rows), cells(readings.all)]


CLOCK_STATES: dict[ClockState, str] = {
    "in-step": "in step",
    "corrected": "corrected",
    "left": "left as it is",
    "held": "held",
    "unknown": "not known",
    "not-compared": "not compared",
}
"""What was done with the times of a list, in words."""


def clocks_in_words(report: Report) -> str:
    """How many of the clocks listed were in step, corrected and so on, and how many had been reset."""
    listed = report.clocks.listed
    parts = [
        f"{count:,} {words}"
        for state, words in CLOCK_STATES.items()
        if (count := sum(each.state == state for each in listed))
    ]
    for count, words in (
        (sum(each.reset for each in listed), "set or reset within the list"),
        (sum(each.stopped for each in listed), "not running"),
    ):
        parts += [f"{count:,} {words}"] if count else []
    return ", ".join(parts) + (f" among the first {len(listed):,}" if report.clocks.capped else "")


def _sums(report: Report) -> list[str]:
    reckoning = report.reckoning
    whole = reckoning.lines.unit == "line"
    kinds = [
        counted(count, *LINE_TITLES[kind]) if whole else f"{count:,} {BYTE_TITLES[kind]}"
        for kind, count in reckoning.lines.kinds.items()
        if count
    ]
    sign = "=" if reckoning.lines.adds_up else "is not"
    lines = [f"{counted(reckoning.lines.read, reckoning.lines.unit)} read {sign} {' + '.join(kinds) or '0'}"]
    found = reckoning.readings.found
    if found is not None:
        sign = "=" if reckoning.readings.adds_up else "is not"
        lines.append(f"{counted(found, 'reading')} found {sign} {reckoning.readings.all.total:,} accounted for")
    lines.append(f"{counted(reckoning.sets, 'set')}, {reckoning.recorded_sets:,} with something recorded")
    if report.events.count:
        lines.append(f"{counted(report.events.count, 'event')} of the monitor itself; the report lists them")
    if report.clocks.count:
        lines.append(f"{counted(report.clocks.count, 'list')} with a clock looked at: {clocks_in_words(report)}")
    lines.append(f"written: {records_in_words(report.records) or 'no records'}")
    if report.batch.holds is not None:
        lines += holds_lines(report.batch.holds)
    return lines


def holds_lines(holds: HoldsInfo) -> list[str]:
    """What became of the holds of earlier runs, and what is open, in words."""
    lines = []
    if holds.taken_up:
        lines.append(holds.sentence.removesuffix("."))
        total = sum(holds.readings.values())
        parts = " + ".join(f"{count:,} {outcome}" for outcome, count in holds.readings.items() if count)
        lines.append(f"{counted(total, 'reading')} in them = {parts or '0'}; they are not in the table above")
    if holds.corrected:
        lines.append(f"{counted(holds.corrected, 'set')} recorded earlier now corrected")
    reasons = ", ".join(f"{count:,} {slug}" for slug, count in holds.reasons.items())
    sign = "=" if holds.adds_up else "is not"
    closed = holds.released + holds.repeats
    sums = f"{holds.before:,} before + {holds.opened:,} opened - {closed:,} closed {sign} {holds.open:,} open"
    lines.append(f"holds in the ledger: {sums}{f': {reasons}' if reasons else ''}")
    return lines
