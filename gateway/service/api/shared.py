"""What the endpoints share: the service they belong to, and what is put into its folders."""

from __future__ import annotations

import shutil
from pathlib import Path

from fastapi import Request, UploadFile

from gateway.service.jobs import Jobs
from gateway.service.problems import Refused
from gateway.service.settings import Settings

LARGEST_MAPPING = 1 << 20


def jobs_of(request: Request) -> Jobs:
    """The conversions of the service."""
    jobs: Jobs = request.app.state.jobs
    return jobs


def settings_of(request: Request) -> Settings:
    """What the service was told."""
    settings: Settings = request.app.state.settings
    return settings


def store(upload: UploadFile, path: Path, largest: int | None = None) -> None:
    """Write an upload to a file, whose name does not come from the client.

    Raises:
        Refused: 413, it is larger than it may be.
    """
    upload.file.seek(0, 2)
    if largest is not None and upload.file.tell() > largest:
        raise Refused(413, "the mapping is larger than a mapping can be (1 MiB)", "Send the mapping file")
    upload.file.seek(0)
    with path.open("xb") as file:
        shutil.copyfileobj(upload.file, file, 1 << 20)


def mappings(settings: Settings) -> dict[str, Path]:
    """The mappings that the service has, by name: this site's own go before those that are shipped."""
    from gateway.mapping.loader import ready

    found = dict(ready())
    if settings.mappings is not None and settings.mappings.is_dir():
        found |= {path.stem: path for path in settings.mappings.glob("*.toml")}
    return dict(sorted(found.items()))


def ledger_of(settings: Settings) -> str:
    """The ledger.

    Raises:
        Refused: 404, the service has none.
    """
    if settings.ledger is None:
        raise Refused(404, "the service has no ledger", "Name one in its settings")
    return settings.ledger
