"""Commands for people who agree on mappings: verify-pack."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.entry.terminal import say
from gateway.errors import OutputError


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(epilog="Exit status: 0 all is as expected, 1 something differs, 2 a case cannot be run.")(verify_pack)


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
    from gateway.agreeing import pack

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
