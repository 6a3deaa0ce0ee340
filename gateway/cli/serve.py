"""The command that starts the web service."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.terminal import say, say_details
from gateway.errors import UsageError


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(epilog="Exit status: 0 stopped as asked, 2 it could not be started.")(serve)


def serve(
    settings: Annotated[
        Path | None, typer.Option("--settings", metavar="FILE", help="Settings of the service, in TOML.")
    ] = None,
    host: Annotated[
        str | None, typer.Option("--host", metavar="ADDRESS", help="Address to listen on; 127.0.0.1 if left out.")
    ] = None,
    port: Annotated[int | None, typer.Option("--port", metavar="N", help="Port; 8040 if left out.")] = None,
    new_token: Annotated[
        str | None,
        typer.Option("--new-token", metavar="NAME", help="Instead: make a token, and the lines for the settings."),
    ] = None,
    openapi: Annotated[
        bool, typer.Option("--openapi", help="Instead: print the OpenAPI description of the service.")
    ] = False,
) -> None:
    """Serve conversions, the mapping bench and the holds over HTTP, to this machine only unless there are tokens."""
    from gateway.service import settings as service_settings

    if new_token is not None:
        token, hashed = _token(new_token)
        say(f"Give this to {new_token}; it is shown once and kept nowhere:\n\n{token}\n")
        say("Put these lines into the settings, with the roles that are right:\n")
        say(f'[[tokens]]\nname = "{new_token}"\nhash = "{hashed}"\nroles = ["read", "submit", "settle"]')
        return
    told = service_settings.load(settings, host=host, port=port)
    from gateway.service.app import create_app

    if openapi:
        import json

        say(json.dumps(create_app(told).openapi(), indent=2, ensure_ascii=False))
        return
    import logging

    import uvicorn

    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    shown = f"[{told.host}]" if ":" in told.host else told.host
    say_details(
        [
            ("Serving", f"http://{shown}:{told.port} (stop with Ctrl-C)"),
            ("Access", ", ".join(token.name for token in told.tokens) or "this machine only, without tokens"),
            ("Ledger", "yes" if told.ledger else "none"),
        ]
    )
    # The access log of the server would hold paths and addresses; ours holds routes only.
    server = uvicorn.Server(
        uvicorn.Config(
            create_app(told), host=told.host, port=told.port, access_log=False, log_config=None, server_header=False,
            timeout_keep_alive=15, h11_max_incomplete_event_size=64 * 1024, proxy_headers=False,
        )
    )  # fmt: skip
    try:
        server.run()
    except SystemExit:
        raise UsageError(
            "the service could not be started", where=f"{shown}:{told.port}", todo="Choose another --port"
        ) from None


def _token(name: str) -> tuple[str, str]:
    from pydantic import ValidationError

    from gateway.service.settings import Token, new_token

    token, hashed = new_token(name)
    try:
        Token(name=name, hash=hashed, roles=("read",))
    except ValidationError:
        raise UsageError(
            "this is no name for a token", where="--new-token", todo="Use letters, digits, - and _, at most 40"
        ) from None
    return token, hashed
