"""What waits to be sent, under /api, and what is decided about it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from gateway.errors import UsageError
from gateway.service.access import Reader, Settler
from gateway.service.api.shared import ledger_of, settings_of
from gateway.service.problems import Refused, documented

router = APIRouter(prefix="/api", tags=["ledger"])


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


@router.get("/outbox", summary="What waits to be sent", responses=documented(404, 503))
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


@router.post("/outbox/replays", summary="Send something again", responses=documented(404, 408, 409, 413, 415, 503))
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


@router.post(
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


@router.post("/outbox/targets", summary="Stop or resume a target", responses=documented(404, 408, 409, 413, 415, 503))
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
