"""The pages: start, sign-in, conversions, holds and outbox, rendered here; they work without script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, File, Form, Query, Request, Response, UploadFile
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.concurrency import run_in_threadpool

from gateway.errors import UsageError
from gateway.identity import endings, spoken
from gateway.report.page import environment
from gateway.service.access import COOKIE, SESSION_SECONDS, Access, Principal, Reader, Settler, Submitter
from gateway.service.api.conversions import begin
from gateway.service.api.holds import settle_holds
from gateway.service.api.queue import show_outbox
from gateway.service.api.results import files_of, job_of
from gateway.service.api.shared import jobs_of, ledger_of, mappings, settings_of
from gateway.service.problems import TITLES, Fault, Refused

if TYPE_CHECKING:
    from jinja2 import Environment

router = APIRouter(include_in_schema=False)
_SHOWN = 200
_STATIC = {"service.css": "text/css", "service.js": "text/javascript"}


@cache
def _environment() -> Environment:
    made = environment("gateway.service")
    made.filters["when"] = lambda moment: moment.strftime("%Y-%m-%d %H:%M UTC")
    made.globals["association_endings"] = list(endings())
    return made


def page(request: Request, template: str, who: Principal | None, *, status: int = 200, **given: Any) -> HTMLResponse:
    """Render a page."""
    access: Access = request.app.state.access
    text = _environment().get_template(template).render(
        who=who, asks=access.asks, has_ledger=settings_of(request).ledger is not None, **given
    )  # fmt: skip
    return HTMLResponse(text, status)


def problem_page(
    request: Request, status: int, what: str, todo: str, problems: Sequence[Fault], headers: Mapping[str, str]
) -> HTMLResponse:
    """A page that tells why something was not done."""
    title = TITLES.get(status, "This was not done")
    told = [each for each in problems if each.what != what or each.where]
    made = page(request, "problem.html.j2", None, status=status, title=title, what=what, todo=todo, problems=told)
    made.headers.update(headers)
    return made


def to_sign_in(request: Request) -> Response:
    """Send a browser to the sign-in; nothing of what it wanted is kept in the address."""
    return RedirectResponse("/sign-in", 303)


@router.get("/static/{name}")
def static(name: str) -> Response:
    """The style and the script."""
    if name not in _STATIC:
        raise Refused(404, "there is no such file")
    data = (resources.files("gateway.service") / "static" / name).read_bytes()
    return Response(data, media_type=_STATIC[name], headers={"Cache-Control": "max-age=300"})


@router.get("/favicon.ico")
def icon() -> Response:
    """No picture."""
    return Response(status_code=204)


@router.get("/")
def home(request: Request, who: Reader) -> Response:
    """Where everything is."""
    return page(request, "home.html.j2", who)


# -- sign-in


@router.get("/sign-in")
def ask_for_token(request: Request) -> Response:
    """Ask a browser for a token."""
    return page(request, "sign_in.html.j2", None, wrong=False)


@router.post("/sign-in")
def sign_in(request: Request, token: Annotated[str, Form(max_length=200)]) -> Response:
    """Begin a session."""
    access: Access = request.app.state.access
    principal = access.by_token(token.strip()) if access.asks else None
    if principal is None:
        return page(request, "sign_in.html.j2", None, status=403, wrong=True)
    made = RedirectResponse("/", 303)
    secure = settings_of(request).secure_cookies
    made.set_cookie(
        COOKIE, access.begin(principal), max_age=SESSION_SECONDS, httponly=True, samesite="strict", secure=secure
    )
    return made


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """End the session."""
    access: Access = request.app.state.access
    access.end(request.cookies.get(COOKIE, ""))
    made = RedirectResponse("/sign-in", 303)
    made.delete_cookie(COOKIE)
    return made


# -- conversions


@router.get("/conversions")
def conversions(request: Request, who: Reader) -> Response:
    """The conversions that are kept, and a form for another."""
    jobs = jobs_of(request).listed()[:_SHOWN]
    names = list(mappings(settings_of(request)))
    return page(request, "conversions.html.j2", who, jobs=jobs, mappings=names, keep=settings_of(request).keep_hours)


@router.post("/conversions")
async def convert(
    request: Request,
    who: Submitter,
    exports: Annotated[list[UploadFile], File()],
    mapping: Annotated[UploadFile | None, File()] = None,
    mapping_name: Annotated[str, Form(max_length=64)] = "",
    associations: Annotated[UploadFile | None, File()] = None,
    remember: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Queue a conversion, and show how far it is."""
    own = mapping if mapping is not None and mapping.filename else None
    beside = associations if associations is not None and associations.filename else None
    form = ending_of(beside)[1:] if beside is not None else "csv"
    if not all(each.filename for each in exports) or (own is None and not mapping_name):
        raise Refused(422, "an export and a mapping are needed", "Go back, and choose both")
    job = await begin(
        request, who.name, exports, mapping=own, mapping_name=None if own is not None else mapping_name,
        associations=beside, associations_form=form, records="both", bundle="transaction", received=None, sent=None,
        remember=bool(remember),
    )  # fmt: skip
    return RedirectResponse(f"/conversions/{job.id}", 303)


def ending_of(associations: UploadFile) -> str:
    """The ending of an uploaded file of associations, with its dot: it says in which form they are.

    Raises:
        Refused: there is no such form.
    """
    ending = Path(associations.filename or "").suffix.casefold()
    if ending not in endings():
        raise Refused(422, f"the associations are not in {spoken(list(endings()))}", "Choose such a file")
    return ending


@router.get("/conversions/{id}")
def conversion(request: Request, who: Reader, id: str) -> Response:
    """How far a conversion is, and its result."""
    job = job_of(request, id)
    made = page(
        request, "conversion.html.j2", who, job=job, files=files_of(job) if job.state == "done" else {},
        refresh=not job.over,
    )  # fmt: skip
    if not job.over:
        made.headers["Refresh"] = "1"
    return made


@router.post("/conversions/{id}/drop")
async def drop(request: Request, who: Submitter, id: str) -> Response:
    """Stop and forget a conversion."""
    await run_in_threadpool(jobs_of(request).drop, job_of(request, id))
    return RedirectResponse("/conversions", 303)


# -- holds


@router.get("/holds")
def holds(
    request: Request,
    who: Reader,
    reason: Annotated[str, Query(max_length=64)] = "",
    start: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0,
    settled: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0,
) -> Response:
    """What is held, and the form to decide about it; the values are for those who may."""
    from gateway.inspection.holds import held_set, ordered
    from gateway.ledger import HoldFilter, open_ledger

    may = who is not None and "settle" in who.roles
    with open_ledger(ledger_of(settings_of(request)), readonly=True) as opened:
        counts = opened.hold_counts()
        found = ordered(opened.holds(HoldFilter(reason=reason or None)))
        told = [held_set(hold, opened if may else None) for hold in found[start : start + _SHOWN]]
    now = datetime.now(UTC)
    rows = [(each, (now - each.hold.opened_at).days) for each in told]
    return page(
        request, "holds.html.j2", who, rows=rows, total=len(found), counts=counts, reason=reason, start=start,
        step=_SHOWN, settled=settled, may=may,
    )  # fmt: skip


@router.post("/holds")
def settle(
    request: Request,
    who: Settler,
    action: Annotated[Literal["assign", "confirm", "discard"], Form()],
    by: Annotated[str, Form(max_length=200)],
    why: Annotated[str, Form(max_length=2000)],
    hold: Annotated[list[int] | None, Form()] = None,
    patient: Annotated[str, Form(max_length=200)] = "",
    system: Annotated[str, Form(max_length=200)] = "",
    confirmed: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Show what a decision would settle; when it is confirmed, settle it."""
    if not hold:
        raise Refused(422, "no hold was chosen", "Go back, and tick the holds that are meant")
    if not by.strip() or not why.strip():
        raise Refused(422, "who decides, and why, are needed", "Go back, and fill in both: the audit trail keeps them")
    if (action == "assign") != bool(patient.strip()):
        what = "needs a patient" if action == "assign" else "goes with no patient"
        raise Refused(422, f"to {action} {what}", "Go back, and mend the field of the patient")
    done = settle_holds(
        request, who.name, action, hold, who=by.strip(), why=why.strip(), patient=patient.strip(),
        system=system.strip(), dry_run=not confirmed,
    )  # fmt: skip
    if confirmed:
        return RedirectResponse(f"/holds?settled={done.holds}", 303)
    return page(
        request,
        "confirm.html.j2",
        who,
        action=action,
        by=by,
        why=why,
        holds=hold,
        patient=patient,
        system=system,
        done=done,
        named=f"{by.strip()} ({who.name})" if who.name else by.strip(),
    )


# -- outbox


@router.get("/outbox")
def outbox(
    request: Request,
    who: Reader,
    start: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0,
    again: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0,
    done: Annotated[Literal["", "park", "release", "skip", "stop", "resume"], Query()] = "",
) -> Response:
    """What waits to be sent, was delivered or is parked, and the forms to decide about it."""
    told = show_outbox(request, who, limit=_SHOWN, offset=start)
    return page(
        request, "outbox.html.j2", who, told=told, start=start, step=_SHOWN, again=again, done=done,
        now=datetime.now(UTC), may=who is not None and "settle" in who.roles,
        most=max(told.parked_total, told.waiting_total),
        stopped={each.target for each in told.stopped},
    )  # fmt: skip


@router.post("/outbox")
def decide_queue(
    request: Request,
    who: Settler,
    by: Annotated[str, Form(max_length=200)],
    why: Annotated[str, Form(max_length=2000)],
    action: Annotated[Literal["replay", "park", "release", "skip", "stop", "resume"], Form()] = "replay",
    item: Annotated[list[str] | None, Form()] = None,
    target: Annotated[list[str] | None, Form()] = None,
    confirmed: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Show what a decision about the outbox would change; when it is confirmed, carry it out."""
    from gateway.decisions.queue import resend, settle_items, stop_or_resume
    from gateway.ledger import OutboxFilter

    whole = action in ("stop", "resume")
    if not (target if whole else item):
        raise Refused(422, "nothing was chosen", "Go back, and tick what is meant")
    if not by.strip() or not why.strip():
        raise Refused(422, "who decides, and why, are needed", "Go back, and fill in both: the audit trail keeps them")
    named = f"{by.strip()} ({who.name})" if who.name else by.strip()
    ledger = ledger_of(settings_of(request))
    chosen: dict[str, list[int]] = {name: [] for name in target or ()} if whole else _chosen(item or [])

    def carry_out(name: str, ids: list[int], *, dry_run: bool) -> int:
        which = OutboxFilter(ids=tuple(ids), target=name)
        if action == "stop" or action == "resume":
            return stop_or_resume(ledger, action, name, who=named, why=why.strip(), dry_run=dry_run)
        if action == "replay":
            return resend(ledger, which, who=named, why=why.strip(), dry_run=dry_run)
        return settle_items(ledger, action, which, who=named, why=why.strip(), dry_run=dry_run)

    try:
        # All are looked at before the first is changed.
        for dry_run in (True, False) if confirmed else (True,):
            count = sum(carry_out(name, ids, dry_run=dry_run) for name, ids in chosen.items())
    except UsageError as error:
        raise Refused(409, error.what, error.todo) from None
    if confirmed:
        return RedirectResponse(f"/outbox?again={count}" if action == "replay" else f"/outbox?done={action}", 303)
    return page(
        request, "confirm_outbox.html.j2", who, action=action, by=by, why=why, items=item or [], targets=target or [],
        chosen=chosen, count=count, named=named,
    )  # fmt: skip


def _chosen(items: Sequence[str]) -> dict[str, list[int]]:
    """Numbers by target; each choice on the page is the number of an item and its target."""
    chosen: dict[str, list[int]] = {}
    for each in items:
        number, _, target = each.partition(" ")
        if not (number.isascii() and number.isdecimal() and len(number) < 19 and target):
            raise Refused(422, "this is no item of the outbox", "Go back to the outbox, and choose again")
        chosen.setdefault(target, []).append(int(number))
    return chosen
