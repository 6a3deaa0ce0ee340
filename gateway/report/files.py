"""Writes the report's files into a folder, each complete or not at all."""

from __future__ import annotations

import json
import os
from pathlib import Path

from gateway import files
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

    The folder is forced to the disk by whoever puts it in its place.
    """
    from gateway.report.page import html

    shown = report.for_writing(identifiers)
    target = Path(folder)
    texts = {
        "report.json": shown.model_dump_json(indent=2) + "\n",
        "operation-outcome.json": json.dumps(operation_outcome(shown), ensure_ascii=False, indent=2) + "\n",
        "report.html": html(shown, drawing),
    }
    todo = "Free space or choose another folder with --out, then run the batch again"
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise files.failed(error, "the report", where=target, todo=todo) from error
    contents = {target / name: text for name, text in texts.items()}
    files.write_all(contents, what="the report", todo=todo, durable=False)
    return list(contents)
