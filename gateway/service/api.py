"""The endpoints under /api, and those for machines that watch the service."""

from __future__ import annotations

import asyncio
import shutil
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, File, Form, Header, Query, Request, Response, UploadFile
from fastapi import Path as InPath
from fastapi.responses import FileResponse, JSONResponse, PlainTextResponse, StreamingResponse
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from gateway.errors import GatewayError, UsageError
from gateway.identity import usual_endings
from gateway.model import Outcome
from gateway.service.access import Reader, Settler, Submitter
from gateway.service.jobs import BusyError, Job, Jobs
from gateway.service.limits import REPORT_POLICY, Measurements
from gateway.service.negotiation import preferred
from gateway.service.problems import Fault, Refused, documented, refused
from gateway.service.settings import Settings
from gateway.service.tasks import Wanted
from gateway.version import VERSION

if TYPE_CHECKING:
    from gateway.decisions import Effect

    AssociationsForm = str
else:
    AssociationsForm = Literal[tuple(ending[1:] for ending in usual_endings())]

JSON, NDJSON, FHIR = "application/json", "application/fhir+ndjson", "application/fhir+json"
V2, HTML, TEXT = "application/hl7-v2", "text/html", "text/plain"
# application/hl7-v2: media type of the HAPI project's "HL7 over HTTP" specification; common practice, not registered.
FORMS = (JSON, FHIR, NDJSON, V2, HTML, TEXT)
REPORT_FORMS = (JSON, HTML, TEXT, FHIR)
RECORD_FORMS = (NDJSON, FHIR, V2)
LARGEST_MAPPING = 1 << 20

router = APIRouter(prefix="/api", tags=["conversions"])
watch = APIRouter(tags=["watching"])

Id = Annotated[str, InPath(pattern=r"^[A-Za-z0-9_-]{22}$", description="The conversion, as the answer to it named it.")]
Accept = Annotated[str, Header(description="The form wanted.")]


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


class ResultFile(BaseModel):
    """A file of a result."""

    name: str
    bytes: int


class ResultFiles(BaseModel):
    """The files of a result."""

    files: list[ResultFile]


class BatchOfLedger(BaseModel):
    """One run that the ledger knows."""

    run: int
    state: str
    mapping: str
    mapping_version: str
    gateway: str
    started: datetime
    finished: datetime | None


class Batches(BaseModel):
    """The runs that the ledger knows, the newest first."""

    batches: list[BatchOfLedger]


class HeldReading(BaseModel):
    """A reading of a set of which something is held."""

    vital: str = Field(description="what was measured, for people")
    value: str = Field(description="value and unit as they would be recorded, or the exported text")
    outcome: Outcome


class HeldSet(BaseModel):
    """A set that waits for a decision; its patient is not named, and values are for those who may settle."""

    id: int
    opened: datetime
    device: str
    time: datetime | None
    reasons: list[str]
    vitals: list[str]
    readings: int
    export: str
    line: int
    decision: str
    values: list[HeldReading] | None = Field(
        default=None, description="every reading of the set, for callers with the role settle"
    )


class Holds(BaseModel):
    """Sets that wait for a decision."""

    total: int
    holds: list[HeldSet]


class Decision(BaseModel):
    """What is decided about holds. Who and why go into the audit trail."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "action": "confirm",
                    "holds": [12, 13],
                    "who": "N. Ole",
                    "why": "checked against the paper chart",
                    "dry_run": True,
                }
            ]
        },
    )

    action: Literal["assign", "confirm", "discard"]
    holds: Annotated[list[Annotated[int, Field(ge=1, lt=1 << 63)]], Field(min_length=1, max_length=10_000)]
    who: Annotated[str, Field(min_length=1, max_length=200)]
    why: Annotated[str, Field(min_length=1, max_length=2000)]
    patient: Annotated[str | None, Field(max_length=200)] = None
    system: Annotated[str | None, Field(max_length=200)] = None
    dry_run: bool = False


class Settled(BaseModel):
    """What was settled, or would be."""

    holds: int
    readings: int
    dry_run: bool


class Sending(BaseModel):
    """How many items of a target are in one state."""

    target: str
    owner: str
    kind: str
    state: Literal["waiting", "delivered", "parked", "superseded", "cancelled", "skipped"]
    items: int
    oldest: datetime


class QueuedItem(BaseModel):
    """Something that waits for a target, or that the target refused; its patient is not named."""

    id: int
    target: str
    owner: str
    run: int
    queued: datetime
    attempts: int
    code: str
    message: str
    sets: Annotated[int, Field(description="sets that it carries")]
    blocked_by: Annotated[int | None, Field(description="the item that has its turn before it")]


class StoppedTarget(BaseModel):
    """A target to which nothing is sent until somebody resumes it."""

    target: str
    why: str
    who: str
    at: datetime


class Outbox(BaseModel):
    """What waits to be sent, was delivered or is parked."""

    targets: list[Sending]
    stopped: list[StoppedTarget]
    parked: list[QueuedItem]
    parked_total: int
    waiting: list[QueuedItem]
    waiting_total: int


class Resending(BaseModel):
    """What is to be sent again. Who and why go into the audit trail."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"target": "record-system", "items": [7], "who": "N. Ole", "why": "server mended", "dry_run": True}
            ]
        },
    )

    target: Annotated[str, Field(min_length=1, max_length=200)]
    items: Annotated[list[Annotated[int, Field(ge=1, lt=1 << 63)]], Field(min_length=1, max_length=10_000)]
    who: Annotated[str, Field(min_length=1, max_length=200)]
    why: Annotated[str, Field(min_length=1, max_length=2000)]
    dry_run: bool = False


class Resent(BaseModel):
    """How many items wait again, or would."""

    items: int
    dry_run: bool


class QueueDecision(BaseModel):
    """What is decided about items of a target. Who and why go into the audit trail."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"action": "skip", "target": "record-system", "items": [7], "who": "N. Ole", "why": "entered by hand",
                 "dry_run": True}
            ]
        },
    )  # fmt: skip

    action: Literal["park", "release", "skip"]
    target: Annotated[str, Field(min_length=1, max_length=200)]
    items: Annotated[list[Annotated[int, Field(ge=1, lt=1 << 63)]], Field(min_length=1, max_length=10_000)]
    sets: Annotated[
        list[Annotated[str, Field(pattern="^[0-9a-f]{32}$")]],
        Field(max_length=10_000, description="only these sets of the items; left out: all"),
    ] = []
    who: Annotated[str, Field(min_length=1, max_length=200)]
    why: Annotated[str, Field(min_length=1, max_length=2000)]
    dry_run: bool = False


class Decided(BaseModel):
    """How many items were changed, or would be."""

    items: int
    dry_run: bool


class TargetDecision(BaseModel):
    """That nothing is sent to a target any more, or that it is sent to again."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"action": "stop", "target": "record-system", "who": "N. Ole", "why": "it is moved tonight",
                 "dry_run": True}
            ]
        },
    )  # fmt: skip

    action: Literal["stop", "resume"]
    target: Annotated[str, Field(min_length=1, max_length=200)]
    who: Annotated[str, Field(min_length=1, max_length=200)]
    why: Annotated[str, Field(min_length=1, max_length=2000)]
    dry_run: bool = False


class Health(BaseModel):
    """That the service runs, or can work."""

    status: Literal["ok"]
    gateway: str = VERSION


def jobs_of(request: Request) -> Jobs:
    """The conversions of the service."""
    jobs: Jobs = request.app.state.jobs
    return jobs


def settings_of(request: Request) -> Settings:
    """What the service was told."""
    settings: Settings = request.app.state.settings
    return settings


def _content(*forms: str) -> dict[str, Any]:
    """Answers other than JSON, for the OpenAPI description."""
    return {form: {"schema": {"type": "string"}} for form in forms if form != JSON}


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


# -- conversions


@router.post(
    "/conversions",
    status_code=200,
    summary="Convert exports with a mapping",
    responses={
        200: {
            "description": "The report or the records, in the form asked for",
            "content": {JSON: {"schema": {"type": "object"}}, **_content(*FORMS)},
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
    _must_be_done(job)
    return await run_in_threadpool(_answer, job, form)


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


async def ended(job: Job, seconds: float) -> None:
    """Wait until a job is over, but not for longer than so many seconds."""
    until = time.monotonic() + seconds
    while not job.over and time.monotonic() < until:
        await asyncio.sleep(0.02)


def _must_be_done(job: Job) -> None:
    if job.state == "failed":
        first = job.faults[0]
        raise Refused(500 if job.ours else 422, first.what, first.todo, job.faults)
    if job.state != "done":
        raise Refused(409, "the conversion is not finished", "Ask for its state")


def _answer(job: Job, form: str) -> Response:
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


@router.get(
    "/conversions/{id}/report",
    summary="The report",
    responses={
        200: {
            "description": "The report",
            "content": {JSON: {"schema": {"type": "object"}}, **_content(*REPORT_FORMS)},
        },
        **documented(404, 406, 409, 500),
    },
)
async def show_report(request: Request, who: Reader, id: Id, accept: Accept = JSON) -> Response:
    """The report as JSON, HTML or text, or its findings as a FHIR OperationOutcome (application/fhir+json)."""
    job = job_of(request, id)
    _must_be_done(job)
    return await run_in_threadpool(report_of, job, preferred(accept, REPORT_FORMS))


@router.get(
    "/conversions/{id}/records",
    summary="The records",
    responses={
        200: {"description": "The records", "content": _content(*RECORD_FORMS)},
        **documented(404, 406, 409, 500),
    },
    response_class=Response,
)
async def show_records(request: Request, who: Reader, id: Id, accept: Accept = "") -> Response:
    """All records: FHIR NDJSON, one FHIR Bundle, or HL7 v2, as far as the conversion made them."""
    job = job_of(request, id)
    _must_be_done(job)
    return await run_in_threadpool(_records_of, job, preferred(accept, RECORD_FORMS))


@router.get("/conversions/{id}/files", summary="List the files of a result", responses=documented(404, 409, 500))
async def list_files(request: Request, who: Reader, id: Id) -> ResultFiles:
    """The files of a result: records, report, findings."""
    job = job_of(request, id)
    _must_be_done(job)
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
    _must_be_done(job)
    path = files_of(job).get(name)
    if path is None:
        raise Refused(404, "the result has no such file", "See the list of its files")
    return FileResponse(path, media_type="application/octet-stream", filename=path.name)


# -- the ledger

ledger_router = APIRouter(prefix="/api", tags=["ledger"])


def ledger_of(settings: Settings) -> str:
    """The ledger.

    Raises:
        Refused: 404, the service has none.
    """
    if settings.ledger is None:
        raise Refused(404, "the service has no ledger", "Name one in its settings")
    return settings.ledger


@ledger_router.get("/batches", summary="List the runs of the ledger", responses=documented(404, 503))
def list_batches(request: Request, who: Reader) -> Batches:
    """The runs that the ledger knows, the newest first."""
    from gateway.ledger import open_ledger

    with open_ledger(ledger_of(settings_of(request)), readonly=True) as opened:
        runs = opened.runs()
    return Batches(
        batches=[
            BatchOfLedger(
                run=run.id,
                state=run.state,
                mapping=run.mapping_title,
                mapping_version=run.mapping_version,
                gateway=run.gateway,
                started=run.started,
                finished=run.finished,
            )
            for run in reversed(runs)
        ]
    )


@ledger_router.get("/holds", summary="List what is held", responses=documented(404, 503))
def list_holds(
    request: Request,
    who: Reader,
    reason: Annotated[str | None, Query(description="Slug of a rule.", pattern="^[a-z0-9-]{1,64}$")] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    offset: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0,
) -> Holds:
    """Sets that wait for a decision, possible true extremes first, then the oldest; patients are not named."""
    from gateway.inspection.holds import held_set, ordered
    from gateway.ledger import HoldFilter, open_ledger

    with open_ledger(ledger_of(settings_of(request)), readonly=True) as opened:
        found = ordered(opened.holds(HoldFilter(reason=reason)))
    may = "settle" in who.roles
    listed = [
        HeldSet(
            id=hold.id,
            opened=hold.opened_at,
            device=hold.device,
            time=None if hold.epoch is None else datetime.fromtimestamp(hold.epoch, UTC),
            reasons=hold.reasons.split(","),
            vitals=[vital for vital in hold.vitals.split(",") if vital],
            readings=hold.readings,
            export=hold.export_sha256,
            line=hold.line,
            decision=hold.action,
            values=[
                HeldReading(vital=each.title, value=each.value, outcome=each.outcome)
                for told in (held_set(hold),)
                for each in (*told.waiting, *told.others)
            ]
            if may
            else None,
        )
        for hold in found[offset : offset + limit]
    ]
    return Holds(total=len(found), holds=listed)


@ledger_router.post(
    "/holds/decisions", summary="Decide about holds", responses=documented(404, 408, 409, 413, 415, 503)
)
def decide(request: Request, who: Settler, decision: Decision) -> Settled:
    """Assign a patient, confirm values as plausible, or discard. The next run with the ledger records them."""
    done = settle_holds(
        request, who.name, decision.action, decision.holds, who=decision.who, why=decision.why,
        patient=decision.patient or "", system=decision.system or "", dry_run=decision.dry_run,
    )  # fmt: skip
    return Settled(holds=done.holds, readings=done.readings, dry_run=decision.dry_run)


def settle_holds(
    request: Request,
    name: str,
    action: Literal["assign", "confirm", "discard"],
    holds: Sequence[int],
    *,
    who: str,
    why: str,
    patient: str,
    system: str,
    dry_run: bool,
) -> Effect:
    """Decide about holds; `name` is whom the token belongs to, and is kept beside who decides.

    Raises:
        Refused: the decision does not fit, and why.
    """
    from gateway.decisions import Settle, decide
    from gateway.ledger import HoldFilter

    which = HoldFilter(ids=tuple(holds))
    named = f"{who} ({name})" if name else who
    decision = Settle(action=action, which=which, patient=patient, system=system, who=named, why=why)
    try:
        return decide(ledger_of(settings_of(request)), decision, dry_run=dry_run)
    except UsageError as error:
        raise Refused(409, error.what, error.todo) from None


@ledger_router.get("/outbox", summary="What waits to be sent", responses=documented(404, 503))
def show_outbox(
    request: Request,
    who: Reader,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    offset: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0,
) -> Outbox:
    """The outbox by target and state, what is parked and what waits, the oldest first; patients are not named."""
    from gateway.decisions.queue import listed
    from gateway.ledger import OutboxFilter, open_ledger

    with open_ledger(ledger_of(settings_of(request)), readonly=True) as opened:
        counts = opened.outbox_counts()
        stopped = opened.stopped()
        shown = {}
        for state in ("parked", "waiting"):
            page = opened.outbox(OutboxFilter(state=state), limit=limit, offset=offset)
            shown[state] = [
                QueuedItem.model_validate(
                    {**each.item._asdict(), "sets": each.sets, "blocked_by": each.blocked_by or None}
                )
                for each in listed(opened, page)
            ]  # fmt: skip
    totals = {state: sum(count.items for count in counts if count.state == state) for state in shown}
    return Outbox(
        targets=[Sending.model_validate(count._asdict()) for count in counts],
        stopped=[StoppedTarget.model_validate({"target": name, **by._asdict()}) for name, by in stopped.items()],
        parked=shown["parked"],
        parked_total=totals["parked"],
        waiting=shown["waiting"],
        waiting_total=totals["waiting"],
    )


@ledger_router.post(
    "/outbox/replays", summary="Send something again", responses=documented(404, 408, 409, 413, 415, 503)
)
def send_again(request: Request, who: Settler, wanted: Resending) -> Resent:
    """Let items wait again; the next delivery brings the target to what is true now of everything in them."""
    from gateway.decisions.queue import resend
    from gateway.ledger import OutboxFilter

    ledger = ledger_of(settings_of(request))
    named = f"{wanted.who} ({who.name})" if who.name else wanted.who
    which = OutboxFilter(ids=tuple(wanted.items), target=wanted.target)
    try:
        count = resend(ledger, which, who=named, why=wanted.why, dry_run=wanted.dry_run)
    except UsageError as error:
        raise Refused(409, error.what, error.todo) from None
    return Resent(items=count, dry_run=wanted.dry_run)


@ledger_router.post(
    "/outbox/decisions", summary="Park, release or skip items", responses=documented(404, 408, 409, 413, 415, 503)
)
def decide_queue(request: Request, who: Settler, decision: QueueDecision) -> Decided:
    """Park what waits, release what is parked so that it waits again, or skip either so that it is never sent."""
    from gateway.decisions.queue import settle_items
    from gateway.ledger import OutboxFilter

    named = f"{decision.who} ({who.name})" if who.name else decision.who
    try:
        count = settle_items(
            ledger_of(settings_of(request)), decision.action,
            OutboxFilter(ids=tuple(decision.items), target=decision.target), who=named, why=decision.why,
            sets=decision.sets, dry_run=decision.dry_run,
        )  # fmt: skip
    except UsageError as error:
        raise Refused(409, error.what, error.todo) from None
    return Decided(items=count, dry_run=decision.dry_run)


@ledger_router.post(
    "/outbox/targets", summary="Stop or resume a target", responses=documented(404, 408, 409, 413, 415, 503)
)
def decide_target(request: Request, who: Settler, decision: TargetDecision) -> Decided:
    """Send nothing to a target until it is resumed, or resume it; says how many items wait for it."""
    from gateway.decisions.queue import stop_or_resume

    named = f"{decision.who} ({who.name})" if who.name else decision.who
    try:
        count = stop_or_resume(
            ledger_of(settings_of(request)), decision.action, decision.target, who=named, why=decision.why,
            dry_run=decision.dry_run,
        )  # fmt: skip
    except UsageError as error:
        raise Refused(409, error.what, error.todo) from None
    return Decided(items=count, dry_run=decision.dry_run)


# -- watching


@watch.get("/healthz", summary="Whether the service runs", responses={})
async def health() -> Health:
    """Answers as long as the service runs."""
    return Health(status="ok")


@watch.get("/readyz", summary="Whether the service can work", responses=documented(503))
def ready_to_work(request: Request) -> Health:
    """Whether there is room for results, the queue is not full and the ledger answers."""
    settings = settings_of(request)
    free = shutil.disk_usage(request.app.state.folder).free
    if free < 2 * settings.largest_mib * (1 << 20):
        raise Refused(503, "the disk is nearly full", "Free space")
    if jobs_of(request).counts()["queued"] >= settings.waiting:
        raise Refused(503, "too many conversions are waiting", "Try again later")
    if settings.ledger is not None:
        from gateway.ledger import open_ledger

        try:
            with open_ledger(settings.ledger, readonly=True):
                pass
        except GatewayError as error:
            raise refused(error) from None
    return Health(status="ok")


@watch.get(
    "/metrics",
    summary="Measurements for Prometheus",
    responses={200: {"description": "Measurements", "content": _content(TEXT)}, **documented()},
    response_class=PlainTextResponse,
)
def metrics(request: Request, who: Reader) -> Response:
    """Requests, conversions, readings and holds as numbers, in the Prometheus text format."""
    from prometheus_client import generate_latest

    kept: Measurements = request.app.state.measurements
    settings = settings_of(request)
    for state, count in jobs_of(request).counts().items():
        kept.jobs.labels(state).set(count)
    if settings.ledger is not None:
        from gateway.ledger import open_ledger

        try:
            with open_ledger(settings.ledger, readonly=True) as opened:
                kept.holds.set(opened.hold_counts().holds)
        except GatewayError:
            kept.holds.set(float("nan"))
    return PlainTextResponse(generate_latest(kept.registry))
