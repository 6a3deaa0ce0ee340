"""What a conversion gave, under /api: its report, its records, its files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Header, Request, Response
from fastapi import Path as InPath
from fastapi.responses import FileResponse, JSONResponse, PlainTextResponse, StreamingResponse
from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool

from gateway.service.access import Reader
from gateway.service.api.shared import jobs_of
from gateway.service.jobs import Job
from gateway.service.limits import REPORT_POLICY
from gateway.service.negotiation import preferred
from gateway.service.problems import Refused, documented

router = APIRouter(prefix="/api", tags=["conversions"])
JSON, NDJSON, FHIR = "application/json", "application/fhir+ndjson", "application/fhir+json"
V2, HTML, TEXT = "application/hl7-v2", "text/html", "text/plain"
# application/hl7-v2: media type of the HAPI project's "HL7 over HTTP" specification; common practice, not registered.
FORMS = (JSON, FHIR, NDJSON, V2, HTML, TEXT)
REPORT_FORMS = (JSON, HTML, TEXT, FHIR)
RECORD_FORMS = (NDJSON, FHIR, V2)
Id = Annotated[str, InPath(pattern=r"^[A-Za-z0-9_-]{22}$", description="The conversion, as the answer to it named it.")]
Accept = Annotated[str, Header(description="The form wanted.")]


class ResultFile(BaseModel):
    """A file of a result."""

    name: str
    bytes: int


class ResultFiles(BaseModel):
    """The files of a result."""

    files: list[ResultFile]


def content_of(*forms: str) -> dict[str, Any]:
    """Answers other than JSON, for the OpenAPI description."""
    return {form: {"schema": {"type": "string"}} for form in forms if form != JSON}


def must_be_done(job: Job) -> None:
    """Refuse to tell the result of a conversion that has none.

    Raises:
        Refused: it has failed, or is not finished.
    """
    if job.state == "failed":
        first = job.faults[0]
        raise Refused(500 if job.ours else 422, first.what, first.todo, job.faults)
    if job.state != "done":
        raise Refused(409, "the conversion is not finished", "Ask for its state")


def answer(job: Job, form: str) -> Response:
    """The report or the records of a job."""
    return report_of(job, form) if form in (JSON, HTML, TEXT) else _records_of(job, form)


def report_of(job: Job, form: str) -> Response:
    """The report in one of its forms."""
    names = {JSON: "report.json", HTML: "report.html", FHIR: "operation-outcome.json"}
    headers = {"Content-Location": f"/api/conversions/{job.id}/report", "Vary": "Accept"}
    if form == TEXT:
        from gateway.report import Report, text

        report = Report.model_validate_json((job.result / "report.json").read_bytes())
        return PlainTextResponse(text(report), headers=headers)
    if form == HTML:
        headers["Content-Security-Policy"] = REPORT_POLICY
    return FileResponse(job.result / names[form], headers=headers, media_type=form)


def _records_of(job: Job, form: str) -> Response:
    """The records of a job, all of them, in one of their forms."""
    fhir = sorted((job.result / "fhir").glob("*"))
    if form == V2:
        found = sorted((job.result / "oru").glob("*.hl7"))
        made = (job.result / "oru").is_dir() or job.wanted is None or job.wanted.records != "fhir"
    elif form == NDJSON:
        # Devices go before the Observations that name them.
        order = ("devices", "device-times", "observations", "provenance")
        listed = [path for path in fhir if path.suffix == ".ndjson"]
        found = sorted(
            listed, key=lambda path: (next(at for at, word in enumerate(order) if word in path.name), path.name)
        )
        made = bool(found) or (job.wanted is not None and job.wanted.bundle == "ndjson")
    else:
        found = [path for path in fhir if path.name.endswith(".bundle.json")]
        made = job.wanted is not None and job.wanted.records != "oru" and job.wanted.bundle != "ndjson"
        if len(found) > 1:
            raise Refused(
                406, f"the records are in {len(found)} bundles", f"Ask for {NDJSON}, or for one file at a time"
            )
    if not made:
        raise Refused(406, "the conversion did not make records of this form", "Convert again, and ask for this form")
    headers = {"Content-Location": f"/api/conversions/{job.id}/records", "Vary": "Accept"}
    if form == FHIR and not found:
        return JSONResponse({"resourceType": "Bundle", "type": "collection"}, headers=headers, media_type=FHIR)
    return StreamingResponse(_pieces(found), headers=headers, media_type=form)


def _pieces(paths: Sequence[Path]) -> Iterator[bytes]:
    for path in paths:
        with path.open("rb") as file:
            while data := file.read(1 << 18):
                yield data


def job_of(request: Request, id_: str) -> Job:
    """A conversion by its id.

    Raises:
        Refused: 404, there is none.
    """
    job = jobs_of(request).find(id_)
    if job is None:
        raise Refused(404, "there is no such conversion, or it is kept no longer", "Convert again")
    return job


@router.get(
    "/conversions/{id}/report",
    summary="The report",
    responses={
        200: {
            "description": "The report",
            "content": {JSON: {"schema": {"type": "object"}}, **content_of(*REPORT_FORMS)},
        },
        **documented(404, 406, 409, 500),
    },
)
async def show_report(request: Request, who: Reader, id: Id, accept: Accept = JSON) -> Response:
    """The report as JSON, HTML or text, or its findings as a FHIR OperationOutcome (application/fhir+json)."""
    job = job_of(request, id)
    must_be_done(job)
    return await run_in_threadpool(report_of, job, preferred(accept, REPORT_FORMS))


@router.get(
    "/conversions/{id}/records",
    summary="The records",
    responses={
        200: {"description": "The records", "content": content_of(*RECORD_FORMS)},
        **documented(404, 406, 409, 500),
    },
    response_class=Response,
)
async def show_records(request: Request, who: Reader, id: Id, accept: Accept = "") -> Response:
    """All records: FHIR NDJSON, one FHIR Bundle, or HL7 v2, as far as the conversion made them."""
    job = job_of(request, id)
    must_be_done(job)
    return await run_in_threadpool(_records_of, job, preferred(accept, RECORD_FORMS))


@router.get("/conversions/{id}/files", summary="List the files of a result", responses=documented(404, 409, 500))
async def list_files(request: Request, who: Reader, id: Id) -> ResultFiles:
    """The files of a result: records, report, findings."""
    job = job_of(request, id)
    must_be_done(job)
    return ResultFiles(files=[ResultFile(name=name, bytes=path.stat().st_size) for name, path in files_of(job).items()])


def files_of(job: Job) -> dict[str, Path]:
    """The files of a result by their names below it."""
    paths = sorted(path for path in job.result.rglob("*") if path.is_file() and not path.name.startswith("."))
    return {path.relative_to(job.result).as_posix(): path for path in paths}


@router.get(
    "/conversions/{id}/files/{name:path}",
    summary="One file of a result",
    responses={
        200: {"description": "The file", "content": {"application/octet-stream": {"schema": {"type": "string"}}}},
        **documented(404, 409, 500),
    },
    response_class=Response,
)
async def show_file(request: Request, who: Reader, id: Id, name: str) -> Response:
    """One file of a result, to be saved. Only names that the list of files has are known."""
    job = job_of(request, id)
    must_be_done(job)
    path = files_of(job).get(name)
    if path is None:
        raise Refused(404, "the result has no such file", "See the list of its files")
    return FileResponse(path, media_type="application/octet-stream", filename=path.name)
