"""The command for every night: gateway nightly."""

from __future__ import annotations

import logging
import sys
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.terminal import on_terminal, say
from gateway.errors import InUseError

STATUS = """\b
Exit status:
  0  everything went as usual
  1  something asks for a look; latest.html in the results folder says what
  2  site file, ledger or results folder unusable, or no feed could be used
  3  another run is under way; this one did nothing"""
ANOTHER_RUN = 3


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(epilog=STATUS)(nightly)


def nightly(
    site: Annotated[Path, typer.Argument(metavar="SITE.toml", help="The site file: feeds, targets, ledger.")],
    check: Annotated[
        bool, typer.Option("--check", help="Check the site file and everything it names; nothing is taken or sent.")
    ] = False,
) -> int:
    """Take new exports from every feed, convert them, send what waits, and report what changed."""
    from gateway.nightly.site import check_site, load_site

    loaded = load_site(site)
    if check:
        check_site(loaded)
        feeds, targets = len(loaded.site.feeds), len(loaded.site.targets)
        say(f"{site} can be used: feeds {feeds}, targets {targets}.")
        return 0
    from gateway.nightly.run import LATEST, nightly

    log_to_stderr()
    try:
        report = nightly(loaded)
    except InUseError as error:
        print(f"gateway: {' '.join(str(error).split())}", file=sys.stderr, flush=True)
        return ANOTHER_RUN
    say(f"{report.sentence} See {loaded.site.results / f'{LATEST}.html'}")
    return report.status


def log_to_stderr() -> None:
    """Send logs to standard error: lines for people on a terminal, else JSON."""
    import structlog

    # What libraries log may hold addresses and names of files.
    logging.getLogger().addHandler(logging.NullHandler())
    people = on_terminal(sys.stderr)
    renderer = structlog.dev.ConsoleRenderer() if people else structlog.processors.JSONRenderer(sort_keys=True)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            renderer,
        ],
        logger_factory=structlog.PrintLoggerFactory(file=sys.stderr),
        cache_logger_on_first_use=False,
    )
