"""Writes the report's files into a folder, each complete or not at all."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path

from gateway.errors import OutputError
from gateway.report.charts import Drawing
from gateway.report.model import Report
from gateway.report.outcome import operation_outcome


def write(
    report: Report, folder: str | os.PathLike[str], identifiers: bool = False, drawing: Drawing | None = None
) -> list[Path]:
    """Write report.json, report.html and operation-outcome.json.

    Args:
        report: the report.
        folder: where the files go; made when it does not exist. Files of these names are replaced.
        identifiers: also write what may point to a person: the paths of the exports as they were given.
        drawing: a drawing process that was started early; None starts one.

    Returns:
        The paths of the files written.

    Raises:
        OutputError: a file cannot be written. Files that were complete before stay as they are.
    """
    from gateway.report.page import html

    shown = report.shown(identifiers)
    target = Path(folder)
    texts = {
        "report.json": shown.model_dump_json(indent=2) + "\n",
        "operation-outcome.json": json.dumps(operation_outcome(shown), ensure_ascii=False, indent=2) + "\n",
        "report.html": html(shown, drawing),
    }
    written: list[Path] = []
    part = target
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            part = target / f"{name}.part"
            part.write_text(text, encoding="utf-8", newline="\n")
        for name in texts:
            part = target / name
            os.replace(target / f"{name}.part", part)
            written.append(part)
    except OSError as error:
        raise OutputError(
            f"the report cannot be written ({error.strerror or type(error).__name__})",
            where=str(part.with_suffix("") if part.suffix == ".part" else part),
            todo="Free space or choose another folder with --out, then run the batch again",
        ) from error
    finally:
        for name in texts:
            with suppress(OSError):  # the error above says what is wrong with the folder
                (target / f"{name}.part").unlink(missing_ok=True)
    return written
