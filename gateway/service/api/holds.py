"""What the ledger remembers, under /api: its runs, and what is held in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from gateway.errors import UsageError
from gateway.model import Outcome
from gateway.service.access import Reader, Settler
from gateway.service.api.shared import ledger_of, settings_of
from gateway.service.problems import Refused, documented

if TYPE_CHECKING:
    from gateway.decisions import Effect

router = APIRouter(prefix="/api", tags=["ledger"])


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


@router.get("/batches", summary="List the runs of the ledger", responses=documented(404, 503))
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


@router.get("/holds", summary="List what is held", responses=documented(404, 503))
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


@router.post("/holds/decisions", summary="Decide about holds", responses=documented(404, 408, 409, 413, 415, 503))
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
