"""Conversions under /api: begin one, ask how far it is, take its report and its records."""

from __future__ import annotations

import asyncio
import shutil
import time
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Literal

from fastapi import APIRouter, File, Form, Header, Request, Response, UploadFile
from fastapi.responses import JSONResponse
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from gateway.identity import usual_endings
from gateway.service.access import Reader, Submitter
from gateway.service.api.results import (
    FORMS,
    HTML,
    JSON,
    NDJSON,
    TEXT,
    V2,
    Accept,
    Id,
    answer,
    content_of,
    job_of,
    must_be_done,
)
from gateway.service.api.shared import LARGEST_MAPPING, jobs_of, mappings, settings_of, store
from gateway.service.jobs import BusyError, Job
from gateway.service.negotiation import preferred
from gateway.service.problems import Fault, Refused, documented
from gateway.service.tasks import Wanted

if TYPE_CHECKING:
    AssociationsForm = str
else:
    AssociationsForm = Literal[tuple(ending[1:] for ending in usual_endings())]
router = APIRouter(prefix="/api", tags=["conversions"])


class Progress(BaseModel):
    """How far a conversion is, in bytes."""

    done: Annotated[int, Field(ge=0)]
    total: Annotated[int, Field(ge=0)]


class Conversion(BaseModel):
    """A conversion and what became of it."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "id": "mq0Yx3bA2sJ4kL9vZ1pQ7w",
                    "state": "done",
                    "created": "2026-03-14T17:05:00Z",
                    "finished": "2026-03-14T17:05:03Z",
                    "progress": {"done": 2047, "total": 2047},
                    "outcomes": {"recorded": 201, "held": 3, "repeat": 0, "absent": 4, "unreadable": 0},
                    "problems": [],
                    "links": {
                        "self": "/api/conversions/mq0Yx3bA2sJ4kL9vZ1pQ7w",
                        "report": "/api/conversions/mq0Yx3bA2sJ4kL9vZ1pQ7w/report",
                    },
                }
            ]
        }
    )

    id: str
    state: Literal["queued", "running", "done", "failed"]
    created: datetime
    finished: datetime | None
    progress: Progress
    outcomes: dict[str, int]
    problems: list[Fault]
    links: dict[str, str]


class Conversions(BaseModel):
    """The conversions that are kept, the newest first."""

    conversions: list[Conversion]


def conversion_of(job: Job) -> Conversion:
    """A job as clients see it."""
    here = f"/api/conversions/{job.id}"
    links = {"self": here}
    if job.state == "done":
        links |= {"report": f"{here}/report", "records": f"{here}/records", "files": f"{here}/files"}
    return Conversion(
        id=job.id,
        state=job.state,
        created=job.created,
        finished=job.finished,
        progress=Progress(done=job.done, total=job.total),
        outcomes=job.outcomes,
        problems=job.faults,
        links=links,
    )


@router.post(
    "/conversions",
    status_code=200,
    summary="Convert exports with a mapping",
    responses={
        200: {
            "description": "The report or the records, in the form asked for",
            "content": {JSON: {"schema": {"type": "object"}}, **content_of(*FORMS)},
        },
        202: {"description": "It takes longer: ask again at Location", "model": Conversion},
        **documented(406, 408, 413, 415, 500, 503),
    },
)
async def convert(
    request: Request,
    who: Submitter,
    exports: Annotated[list[UploadFile], File(description="One or more exports of the same kind.")],
    mapping: Annotated[
        UploadFile | None, File(description="The mapping file, or name one with `mapping_name`.")
    ] = None,
    mapping_name: Annotated[
        str | None, Form(description="A mapping that the service has.", pattern="^[a-z0-9][a-z0-9-]{0,63}$")
    ] = None,
    associations: Annotated[UploadFile | None, File(description="Who was on which device: CSV, FHIR, or v2.")] = None,
    associations_form: Annotated[AssociationsForm, Form(description="How the associations are written.")] = "csv",
    records: Annotated[
        Literal["fhir", "oru", "both"] | None, Form(description="Left out: what the form asked for needs.")
    ] = None,
    bundle: Annotated[
        Literal["transaction", "collection", "ndjson"] | None,
        Form(description="Left out: what the form asked for needs."),
    ] = None,
    received: Annotated[AwareDatetime | None, Form(description="When the exports were received, with offset.")] = None,
    sent: Annotated[AwareDatetime | None, Form(description="When the lists were sent, with offset.")] = None,
    remember: Annotated[bool, Form(description="Remember the records in the ledger; repeats are then known.")] = False,
    accept: Accept = JSON,
    prefer: Annotated[str, Header(description="respond-async (RFC 7240): answer at once with 202.")] = "",
) -> Response:
    """Post exports with a mapping, and get the report or the records.

    The form of the answer is chosen by `Accept`: the report as JSON, HTML or text, the records as FHIR NDJSON, as one
    FHIR Bundle, or as HL7 v2. A conversion that takes long is answered with 202 and goes on; its progress is at
    `Location`. Uploads are removed as soon as they are converted, results after the time that the service keeps them.
    """
    form = preferred(accept, FORMS)
    job = await begin(
        request,
        who.name,
        exports,
        mapping=mapping,
        mapping_name=mapping_name,
        associations=associations,
        associations_form=associations_form,
        records=records or ("oru" if form == V2 else "both" if form in (JSON, HTML, TEXT) else "fhir"),
        bundle=bundle or ("ndjson" if form == NDJSON else "transaction"),
        received=received,
        sent=sent,
        remember=remember,
    )
    if "respond-async" not in prefer:
        await ended(job, settings_of(request).wait_seconds)
    if not job.over:
        there = f"/api/conversions/{job.id}"
        return JSONResponse(
            conversion_of(job).model_dump(mode="json"), 202, headers={"Location": there, "Retry-After": "1"}
        )
    must_be_done(job)
    return await run_in_threadpool(answer, job, form)


async def begin(
    request: Request,
    owner: str,
    exports: Sequence[UploadFile],
    *,
    mapping: UploadFile | str | None,
    mapping_name: str | None,
    associations: UploadFile | None,
    associations_form: str,
    records: str,
    bundle: str,
    received: datetime | None,
    sent: datetime | None,
    remember: bool,
) -> Job:
    """Put uploads into a job's folder, under names of ours, and queue it.

    Raises:
        Refused: something is missing, or too many conversions wait.
    """
    settings, jobs = settings_of(request), jobs_of(request)
    if (mapping is None) == (mapping_name is None):
        raise Refused(422, "one mapping is needed", "Send a mapping file, or name one that the service has")
    if remember and settings.ledger is None:
        raise Refused(422, "the service has no ledger to remember records in", "Leave remember out")
    known = mappings(settings)
    if mapping_name is not None and mapping_name not in known:
        raise Refused(422, "the service has no mapping of this name", f"It has {', '.join(known) or 'none'}")
    job = jobs.begin(owner)
    try:
        inside = job.folder / "in"
        inside.mkdir()
        saved = [inside / f"export-{number}" for number in range(1, len(exports) + 1)]
        for upload, path in zip(exports, saved, strict=True):
            await run_in_threadpool(store, upload, path)
        ours = inside / "mapping.toml"
        if mapping_name is not None:
            await run_in_threadpool(shutil.copyfile, known[mapping_name], ours)
        elif isinstance(mapping, str):
            ours.write_text(mapping, encoding="utf-8")
        elif mapping is not None:
            await run_in_threadpool(store, mapping, ours, LARGEST_MAPPING)
        beside = None
        if associations is not None:
            beside = inside / f"associations.{associations_form}"
            await run_in_threadpool(store, associations, beside)
        jobs.submit(
            job,
            Wanted(
                tuple(saved), ours, beside, job.result, records, bundle, received, sent,
                settings.ledger if remember else None,
            ),
        )  # fmt: skip
    except BusyError:
        raise Refused(
            503, "too many conversions are waiting", "Try again later", headers={"Retry-After": "10"}
        ) from None
    except BaseException:
        jobs.drop(job)
        raise
    return job


async def ended(job: Job, seconds: float) -> None:
    """Wait until a job is over, but not for longer than so many seconds."""
    until = time.monotonic() + seconds
    while not job.over and time.monotonic() < until:
        await asyncio.sleep(0.02)


@router.get("/conversions", summary="List the conversions that are kept", responses=documented())
async def list_conversions(request: Request, who: Reader) -> Conversions:
    """The conversions that are kept, the newest first."""
    return Conversions(conversions=[conversion_of(job) for job in jobs_of(request).listed()])


@router.get("/conversions/{id}", summary="Ask how far a conversion is", responses=documented(404))
async def show_conversion(request: Request, who: Reader, id: Id) -> Conversion:
    """State, progress and, when it is done, the readings by outcome."""
    return conversion_of(job_of(request, id))


@router.delete("/conversions/{id}", status_code=204, summary="Stop and forget a conversion", responses=documented(404))
async def forget_conversion(request: Request, who: Submitter, id: Id) -> Response:
    """Stop a conversion if it runs, and remove all its files."""
    await run_in_threadpool(jobs_of(request).drop, job_of(request, id))
    return Response(status_code=204)
