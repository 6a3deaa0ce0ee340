"""What the run report says, as typed data; its page is made from this."""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from gateway.report.model import Line, Message

FORMAT: Literal["spot-check-gateway-nightly/1"] = "spot-check-gateway-nightly/1"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FeedResult(_Part):
    """What came of one feed."""

    name: Line
    state: Literal["done", "nothing", "failed"] = Field(description="nothing: no export, and nothing was taken up")
    problem: Message = Field(default="", description="why it failed, and what to do")
    taken: int = Field(default=0, description="exports converted")
    aside: int = Field(default=0, description="exports set aside, because they cannot be read")
    incomplete: int = Field(default=0, description="exports left for the next run, because they still changed")
    not_moved: int = Field(default=0, description="exports that were converted and could not be moved away")
    results: list[Line] = Field(default=[], description="folders with records and report, below the results folder")
    readings: dict[str, int] = Field(default={}, description="readings of the exports by outcome")
    unusual: int = Field(default=0, description="values of the exports outside what is usual, recorded or held")
    taken_up: int = Field(default=0, description="sets taken up from holds")
    released: int = Field(default=0, description="of these, sets now recorded")
    released_readings: int = Field(default=0, description="readings of these that were recorded")
    records: dict[Line, int] = Field(default={}, description="records written, by kind")
    attention: bool = Field(default=False, description="a batch report asks for attention")
    last_export: AwareDatetime | None = Field(default=None, description="start of the last run that took an export")
    silent: bool = Field(default=False, description="no export for longer than the site expects")
    seconds: float = 0.0


class TargetResult(_Part):
    """What was sent to one target, and what is still to be sent."""

    name: Line
    kind: Line
    owner: Line
    delivered: int = 0
    parked: int = Field(default=0, description="refused for good, or too often for now, in this run")
    later: int = Field(default=0, description="refused for now in this run; they wait, and did not hold up others")
    blocked: int = Field(default=0, description="waiting for another message of the same measurement")
    stopped: Line = Field(
        default="", description="code of the fault that ended the delivery early; stopped: by a person, see the message"
    )
    message: Message = ""
    waiting: int = Field(default=0, description="still to be sent, after this run")
    all_parked: int = Field(default=0, description="parked after this run, from any run")
    oldest_days: int = Field(default=0, description="age of the oldest item that waits or is parked")
    items: dict[Line, int] = Field(default={}, description="all messages there ever were for it, by state")


class HoldsResult(_Part):
    """What is held after this run."""

    open: int = 0
    readings: int = 0
    before: int | None = Field(default=None, description="open after the last run; null: not known")
    aged: int = Field(default=0, description="open for longer than the site expects")
    oldest_days: int = 0
    reasons: dict[Line, int] = Field(default={}, description="open holds by rule")


class MissingDevice(_Part):
    """A device that has not been seen for its usual interval."""

    device: Line
    last: AwareDatetime
    usual_days: float = Field(description="middle of the gaps between the days with readings")
    days: int = Field(description="since it was last seen")


class ClockChange(_Part):
    """A clock whose offset grew since the last run that saw it."""

    device: Line
    before: int = Field(description="seconds ahead; negative: behind")
    now: int


class RunReport(_Part):
    """The report of one nightly run over all feeds."""

    format: Literal["spot-check-gateway-nightly/1"] = FORMAT
    site: Line
    gateway: Line
    started: AwareDatetime
    finished: AwareDatetime
    previous: AwareDatetime | None = Field(description="start of the run before; null: this is the first")
    status: int = Field(description="exit status: 0 clean, 1 attention, 2 unusable")
    sentence: str = Field(description="the one line to read when there is time for one line")
    changes: list[Message] = Field(description="what changed since the run before, and asks for a look")
    problems: list[Message] = Field(description="what went wrong, and what to do")
    feeds: list[FeedResult]
    targets: list[TargetResult]
    holds: HoldsResult
    missing: list[MissingDevice]
    clocks: list[ClockChange]
    offsets: dict[Line, int] = Field(description="seconds by which each device's clock was ahead when last compared")
    removed: int = Field(description="folders removed because their time was over")
