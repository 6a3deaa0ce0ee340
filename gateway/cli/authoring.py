"""Commands for people who agree on mappings: draft, compare, verify-pack."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.terminal import instant, say, say_table
from gateway.errors import OutputError, UsageError

if TYPE_CHECKING:
    from gateway.authoring.compare import Comparison


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(epilog="Exit status: 0 a draft was made, 2 the export cannot be read.")(draft)
    app.command(epilog="Exit status: 0 the same, 1 something differs, 2 a mapping or an export cannot be used.")(
        compare
    )
    app.command(epilog="Exit status: 0 all is as expected, 1 something differs, 2 a case cannot be run.")(verify_pack)


def draft(
    export: Annotated[Path, typer.Argument(metavar="EXPORT", help="The file; its first 4 MiB are looked at.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write the draft here; the file must not exist.")
    ] = None,
) -> None:
    """Propose a mapping from an export: candidates with their evidence, and questions where it does not decide.

    Units, zones and identifier systems that the file does not state are asked for, never filled in.
    """
    from gateway.authoring import draft as drafting

    text = drafting.draft(export)
    if out is None:
        say(text.rstrip("\n"))
        return
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        reason = (error.strerror or type(error).__name__).rstrip(".")
        raise OutputError(f"the draft cannot be written: {reason}", where=str(out), todo="Name a new file") from error
    asked = text.count("\n# ? ")
    say(f"{out}: {asked} question{'' if asked == 1 else 's'}. See gateway check {out} for those that must be answered.")


def compare(
    names: Annotated[
        list[str],
        typer.Argument(metavar="OLD NEW EXPORT...", help="Two mappings and exports. With --against: MAPPING EXPORT..."),
    ],
    against: Annotated[
        Path | None,
        typer.Option("--against", metavar="DIR", help="Compare with a result that another version left in DIR."),
    ] = None,
    associations: Annotated[
        str | None, typer.Option("--associations", metavar="FILE", help="Who was on which device, and when.")
    ] = None,
    received: Annotated[
        str | None, typer.Option("--received", metavar="TIME", help="As for convert; the same for both.")
    ] = None,
    sent: Annotated[str | None, typer.Option("--sent", metavar="TIME", help="As for convert.")] = None,
    details: Annotated[int, typer.Option("--details", metavar="N", min=0, help="How many changes to list.")] = 50,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")] = False,
) -> int:
    """Show what two mappings, or two versions of the gateway, make of the same exports.

    Compares what became of every reading: outcome, code, unit, value, time, identity, and what is said beside it.
    Patients are compared, and never named.
    """
    from gateway.authoring import compare as comparing
    from gateway.cli.terminal import mapping_file

    needed = 2 if against is not None else 3
    if len(names) < needed:
        raise UsageError(
            "a mapping and an export are needed" if against is not None else "two mappings and an export are needed",
            where="gateway compare", todo="See gateway compare --help",
        )  # fmt: skip
    inputs = comparing.Inputs(
        names[needed - 1 :],
        associations,
        None if received is None else instant(received, "--received"),
        None if sent is None else instant(sent, "--sent"),
        details,
    )
    if against is not None:
        found = comparing.result(mapping_file(names[0]), against, inputs)
    else:
        found = comparing.mappings(mapping_file(names[0]), mapping_file(names[1]), inputs)
    if as_json:
        import json

        say(json.dumps(found.as_dict(), indent=2, ensure_ascii=False))
    else:
        _say_comparison(found)
    return int(found.differs)


def _say_comparison(found: Comparison) -> None:
    from gateway.authoring.compare import KINDS

    listed = f"{found.exports} export{'' if found.exports == 1 else 's'}"
    say(f"{listed}: {found.readings[0]:,} readings by the old side, {found.readings[1]:,} by the new.")
    if not found.differs:
        say("Nothing differs.")
        return
    names = list(dict.fromkeys([*found.same, *found.changed]))
    rows = [
        (
            name or "(no vital)",
            str(found.same[name]),
            str(found.changed[name]),
            *(str(found.kinds[name, each]) for each in KINDS),
        )
        for name in names
    ]
    if rows:
        say("")
        say_table(("vital", "same", "changed", *KINDS), rows)
    if found.outcomes:
        say("")
        outcomes = [
            (vital or "(no vital)", old, new, str(count)) for (vital, old, new), count in sorted(found.outcomes.items())
        ]
        say_table(("vital", "outcome was", "outcome is", "readings"), outcomes)
    if found.sums:
        say("")
        say_table(("in sum", "old", "new"), [(what, str(old), str(new)) for what, (old, new) in found.sums.items()])
    if found.records:
        say("")
        records = [(kind, str(old), str(new)) for kind, (old, new) in found.records.items()]
        say_table(("records by content", "only old", "only new"), records)
    if found.changes:
        say("")
        changes = [
            (
                f"{each.export}:{each.line}" if each.line else "-",
                each.vital or "(no vital)",
                each.kind,
                each.old,
                each.new,
            )
            for each in found.changes
        ]
        say_table(("export:line", "vital", "changed", "old", "new"), changes)
    more = found.kinds.total() - len(found.changes)
    if more > 0:
        say(f"{more:,} more changes are not listed; --details lists more.")


def verify_pack(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The pack: a folder for each case.")],
    junit: Annotated[
        Path | None, typer.Option("--junit", metavar="FILE", help="Write the results as JUnit XML as well.")
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Expect from now on what the cases give; look at the difference first.")
    ] = False,
) -> int:
    """Convert exports whose records and reports were agreed on, and tell what differs.

    A case is a folder with exports, mapping.toml, case.toml and expected/.
    """
    from gateway.authoring import pack

    results = []
    for result in pack.run(folder, accept=accept):
        results.append(result)
        word = (
            "error" if result.trouble else "written" if result.accepted else "differs" if result.differences else "ok"
        )
        say(f"{word:<8}{result.name} ({result.seconds:.1f} s)")
        for line in [result.trouble] if result.trouble else result.differences:
            say(f"        {line}")
    status = pack.exit_status(results)
    counted = f"{len(results)} case{'' if len(results) == 1 else 's'}"
    differing = sum(bool(each.differences) and not each.trouble for each in results)
    failed = sum(bool(each.trouble) for each in results)
    say(f"{counted}: {len(results) - differing - failed} as expected, {differing} different, {failed} not run.")
    if any(each.accepted for each in results):
        say("Expected files were written anew. Each changed line is a change to what goes into a patient's record: "
            "look at the difference before you keep it.")  # fmt: skip
    if junit is not None:
        _write(junit, pack.junit(folder.resolve().name or "pack", results))
    return status


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        reason = (error.strerror or type(error).__name__).rstrip(".")
        raise OutputError(f"the file cannot be written: {reason}", where=str(path), todo="Name another file") from error
