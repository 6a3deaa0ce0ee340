"""A site in small, for whatever may happen to a measurement: what is exported, what a person does, what receivers do.

The gateway is driven through its public functions only, all of them in `Actions`. Its targets are models of receivers:
a FHIR server that applies transactions, and an HL7 v2 receiver that keeps the newest of each result. Both know every
write they ever took, in order. `Life` puts these together, and holds what must be true of them:

| check | what is true |
| --- | --- |
| one patient | no measurement (device, printed time, vital, value) is current twice, anywhere, after any write |
| as the ledger | what is current at a receiver is what is recorded in the ledger, and nothing else |
| no old news | no receiver was given a state of a set after its successor |
| the others go on | while a receiver refuses something, what does not belong to it is delivered |
| sums | the reckoning of every run closes, and its open holds are those of the ledger |
| a second time | the same run once more changes nothing that was said, and comes to rest |

Everything is invented. A run is cut off by `Killed`, which is no `Exception`, between any two writes.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from collections.abc import Mapping as Mapping_
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from functools import cache
from itertools import count
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, TypeAlias
from urllib.parse import unquote

import pytest
from sqlalchemy import Connection, Engine, event

from gateway.conversion.batch import Batch, convert
from gateway.conversion.payloads import sets_in
from gateway.decisions import Action, Merge, Move, Reason, Retract, Settle, decide
from gateway.decisions.queue import QueueAction, resend, settle_items, stop_or_resume
from gateway.delivery.base import Receipt, Verdict
from gateway.delivery.wire import Answer, PassingError
from gateway.errors import UsageError
from gateway.ledger import Hold, HoldFilter, KnownSet, OutboxFilter, OutboxItem, SetFilter, open_ledger
from gateway.nightly.outbox import DeliveryTally, deliver
from gateway.report import Report
from tests.delivery.stand_in import FhirAnsweredBy, StandIn

PATIENTS = ("P-0001", "P-0002", "P-0003")
DEVICES = ("M1", "M2")
SYSTEM = "https://kit.example.org/patients"
DAY = "2026-03-14"
ZONE = "-05:00"
VITALS = {"8480-6": "systolic", "8462-4": "diastolic", "59408-5": "spo2", "2708-6": "spo2", "8310-5": "temperature"}
"""LOINC code, as FHIR R4's vital-signs table has them, of the vitals of this site."""

# -- what the monitors export


class Measurement(NamedTuple):
    """What a monitor measured, as it is printed."""

    device: str
    time: str
    systolic: str
    diastolic: str
    spo2: str
    temperature: str

    @property
    def epoch(self) -> int:
        """Its time in seconds since 1970-01-01T00:00:00Z."""
        return int(datetime.fromisoformat(f"{DAY}T{self.time}{ZONE}").timestamp())


MEASUREMENTS = (
    Measurement("M1", "10:00", "121", "71", "91", "36.1"),
    Measurement("M1", "10:30", "122", "72", "92", "36.2"),
    Measurement("M1", "10:30:20", "123", "73", "93", "36.3"),
    Measurement("M2", "10:00", "124", "74", "94", "36.4"),
    Measurement("M2", "11:00:05", "125", "75", "95", "36.5"),
    Measurement("", "11:30", "126", "76", "96", "36.6"),
)
VARIANTS: dict[str, dict[str, str]] = {
    "plain": {},
    "other pressure": {"systolic": "161"},
    "other spo2": {"spo2": "88"},
    "implausible": {"temperature": "54.1"},
    "not taken": {"temperature": "--"},
    "left out": {"temperature": ""},
}
"""How a row can differ from what was first printed."""

HEADER = "When,Who,On,Sys,Dia,SpO2,Temp,Shown,True"
AHEAD = 7
"""Minutes by which the clocks of the monitors are ahead; only a mapping that reads both times corrects that."""
READ_OUT = (f"{DAY} 12:0{AHEAD}", f"{DAY} 12:00")
"""What the monitors show when they are read out, and the true time of that."""


class Row(NamedTuple):
    """A row of an export: a measurement by its place in `MEASUREMENTS`, its patient column, and what it says."""

    measurement: int
    patient: str = PATIENTS[0]
    variant: str = "plain"

    def text(self) -> str:
        """The line."""
        said = MEASUREMENTS[self.measurement]._replace(**VARIANTS[self.variant])
        return ",".join([f"{DAY} {said.time}", self.patient, said.device, *said[2:], *READ_OUT])


class Stay(NamedTuple):
    """Who is on a device from one time of the day to another."""

    device: str
    patient: str
    begin: str
    end: str


@dataclass(frozen=True)
class Mapping:
    """A version of the site's mapping.

    Attributes:
        corrections: other values of a recorded set are held, or correct it.
        temperature: the column of the temperature is mapped.
        associated: patients come from associations, not from the column.
        clock: the monitors' clocks are corrected.
    """

    corrections: Literal["hold", "accept"] = "accept"
    temperature: bool = True
    associated: bool = False
    clock: bool = False

    def text(self) -> str:
        """The mapping file."""
        column = "" if self.associated else 'column = "Who"\n'
        temperature = '[vitals.temperature]\ncolumn = "Temp"\nunit = "Cel"\n' if self.temperature else ""
        clock = """
[time.clock]
columns = ["Shown"]
reference = "columns"
reference_columns = ["True"]
policy = "correct"
limit_minutes = 60
order = "oldest-first"
"""
        return f"""title = "A kit by {"association" if self.associated else "column"}"
version = "{self.corrections}-{self.temperature}-{self.clock}"
form = "delimited"
namespace = "https://kit.example.org/readings"
corrections = "{self.corrections}"

[time]
columns = ["When"]
formats = ["%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"]
zone = "America/Chicago"
past_days = "any"
{clock if self.clock else ""}
[patient]
{column}system = "{SYSTEM}"
pattern = "P-[0-9]{{4}}"

[device]
column = "On"
system = "https://kit.example.org/monitors"

[category]
fixed = "adult"

[absent]
"--" = "not-performed"

[delimited]
layout = "wide"

[output]
status = "final"

[vitals.systolic]
column = "Sys"
unit = "mmHg"

[vitals.diastolic]
column = "Dia"
unit = "mmHg"

[vitals.spo2]
column = "SpO2"
unit = "%"

{temperature}"""


# -- being killed


class Killed(BaseException):
    """The end of a process that cannot say goodbye."""


class _Death:
    """Counts the points at which something is about to be written, and kills at one of them."""

    def __init__(self) -> None:
        self._left: int | None = None
        self._dead = False

    def point(self) -> None:
        """Something is about to be written, to the ledger, to the disk or at a receiver."""
        if self._dead:
            raise Killed
        if self._left is not None:
            self._left -= 1
            if self._left < 0:
                self._dead = True
                raise Killed

    @contextmanager
    def after(self, points: int | None) -> Iterator[list[int]]:
        """Die after so many points; None for never. A process that is dead writes nothing any more.

        Gives a list in which the number stands when that has happened.
        """
        died: list[int] = []
        move = os.replace

        def moved(*given: Any, **named: Any) -> None:
            self.point()
            move(*given, **named)

        self._left, self._dead = points, False
        try:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(os, "replace", moved)
                yield died
        except (Killed, Exception):
            # Whatever goes wrong in a process that is dead already went wrong while the stack was left.
            if not self._dead:
                raise
            died.append(points or 0)
        finally:
            self._left, self._dead = None, False


DEATH = _Death()
_WRITES = ("INSERT", "UPDATE", "DELETE")
_IN_ITS_OWN_TIME = "INSERT INTO contents"
"""Record files are packed by a thread: counted, they would make a life go otherwise when it is lived again."""


@event.listens_for(Engine, "before_cursor_execute")
def _before_execute(
    connection: Connection, cursor: Any, statement: str, parameters: Any, context: Any, many: bool
) -> None:
    if statement.startswith(_WRITES) and not statement.startswith(_IN_ITS_OWN_TIME):
        DEATH.point()


@event.listens_for(Engine, "commit")
def _before_commit(connection: Connection) -> None:
    if connection.get_execution_options().get("writing"):
        DEATH.point()


# -- what is true at one place

State: TypeAlias = "Decimal | Literal['absent', 'withdrawn']"
"""What is said of one vital of a set."""
Spot: TypeAlias = tuple[str, str]
"""Identity of a set (32 hex digits), and vital."""


class Fact(NamedTuple):
    """What is said of one vital of a set, with whose it is, and where and when (epoch seconds) it was measured."""

    patient: str
    device: str
    epoch: int
    state: State


Facts: TypeAlias = "dict[Spot, Fact]"


def current(facts: Facts) -> Facts:
    """What a reader takes for true: values that are not withdrawn."""
    return {spot: fact for spot, fact in facts.items() if isinstance(fact.state, Decimal)}


def for_two(facts: Facts, walls: Mapping_[str, int] = MappingProxyType({}), joined: Collection[str] = ()) -> list[str]:
    """Measurements that are current twice: for two patients, or in two sets of one.

    Without a device, only what says all that a set can say is known for the same measurement (`gateway.once.source`).

    Args:
        facts: what is said.
        walls: the printed time of a set by its identity; where it is not there, the recorded one stands for it.
        joined: sets without a device of which no single row need have said all that is said.
    """
    whose: dict[object, set[tuple[str, str]]] = {}
    alone: dict[tuple[str, str], dict[str, Decimal]] = {}
    for (identity, vital), fact in facts.items():
        if not isinstance(fact.state, Decimal):
            continue
        if fact.device:
            place = (fact.device, walls.get(identity, fact.epoch), vital, fact.state)
            whose.setdefault(place, set()).add((fact.patient, identity))
        elif identity not in joined:
            alone.setdefault((fact.patient, identity), {})[vital] = fact.state
            if len(alone[fact.patient, identity]) == len(set(VITALS.values())):
                said = frozenset(alone[fact.patient, identity].items())
                whose.setdefault((walls.get(identity, fact.epoch), said), set()).add((fact.patient, identity))
    return [f"{place} is current for {sorted(sets)}" for place, sets in whose.items() if len(sets) > 1]


class Trail:
    """Every state that each vital of each set has had in the ledger, in order, and how far each receiver is.

    Attributes:
        walls: the printed time of each set.
        joined: sets that were changed since they were recorded first.
    """

    def __init__(self) -> None:
        self.walls: dict[str, int] = {}
        self.joined: set[str] = set()
        self._states: dict[Spot, list[State]] = {}
        self._reached: dict[tuple[str, Spot], int] = {}

    def goes_on(self, facts: Facts) -> None:
        """The ledger says this now."""
        for spot, fact in facts.items():
            self.step(spot, fact.state)

    def step(self, spot: Spot, state: State) -> None:
        """One vital of one set is in this state now."""
        states = self._states.setdefault(spot, [])
        if not states or states[-1] != state:
            states.append(state)

    def spots(self, identity: str) -> list[Spot]:
        """The vitals that a set has ever had."""
        return [spot for spot in self._states if spot[0] == identity]

    def written(self, receiver: str, spot: Spot, state: State) -> str:
        """A receiver took this: what is wrong with that, or ""."""
        states = self._states.get(spot, [])
        begin = self._reached.get((receiver, spot), 0)
        for place in range(begin, len(states)):
            if states[place] == state:
                self._reached[receiver, spot] = place
                return ""
        words = " > ".join(map(str, states))
        if state in states:
            return f"{receiver}: {spot} was {state} after {states[begin]}, of {words}"
        return f"{receiver}: {spot} was {state}, which the ledger never said: {words}"


# -- receivers


@dataclass(frozen=True)
class Behaviour:
    """How a receiver answers.

    Attributes:
        how: "accept"; "refuse" what `patient` and `vital` say, both or the one that is given; "drop" the answer after
            storing; be "away".
        patient: whose records it refuses.
        vital: records of which vital it refuses.
        named: a FHIR server says which entries it refuses; a v2 receiver refuses with AE, and else with AR.
    """

    how: Literal["accept", "refuse", "drop", "away"] = "accept"
    patient: str = ""
    vital: str = ""
    named: bool = True

    def refuses(self, patient: str, vitals: Iterable[str]) -> bool:
        """Whether it refuses such a record."""
        return self.how == "refuse" and self.patient in ("", patient) and (not self.vital or self.vital in vitals)


ACCEPT = Behaviour()


@dataclass
class Receiver:
    """What every receiver has in common.

    Attributes:
        name: what the site calls it.
        trail: told of every write.
        behaviour: how it answers.
        writes: every state of a vital that it took, in order.
        wrong: what went wrong with a write.
    """

    name: str
    trail: Trail
    behaviour: Behaviour = ACCEPT
    writes: list[tuple[Spot, Fact]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def facts(self) -> Facts:
        """What it says of each vital of each set."""
        raise NotImplementedError

    def sender(self) -> Any:
        """A new connection to it."""
        raise NotImplementedError

    def _took(self, before: Facts) -> None:
        """Note what a transaction or message has changed or said again, and what is wrong with that."""
        now = self.facts()
        for spot, fact in now.items():
            if before.get(spot) != fact:
                self._write(spot, fact)
        for spot in before.keys() - now.keys():
            self._write(spot, before[spot]._replace(state="withdrawn"))
        self.wrong += [f"{self.name}: {words}" for words in for_two(now, self.trail.walls, self.trail.joined)]

    def _write(self, spot: Spot, fact: Fact) -> None:
        self.writes.append((spot, fact))
        wrong = self.trail.written(self.name, spot, fact.state)
        if wrong:
            self.wrong.append(wrong)


@dataclass
class FhirServer(Receiver):
    """A FHIR server that applies transactions whole or not at all, with conditional creates and updates.

    Attributes:
        records: what it holds, by type and number.
    """

    records: dict[tuple[str, int], dict[str, Any]] = field(default_factory=dict)
    _found: dict[str, tuple[str, int]] = field(default_factory=dict)
    _numbers: Iterator[int] = field(default_factory=count)

    def sender(self) -> FhirAnsweredBy:
        """The gateway's own client, with this server at the other end of its wire."""
        return FhirAnsweredBy(self.name, self.answer)

    def answer(self, body: bytes) -> Answer:
        """Answer a transaction bundle.

        Raises:
            PassingError: there is no answer.
        """
        if self.behaviour.how == "away":
            raise PassingError("connection", "no connection", reached=False)
        entries = json.loads(body, parse_float=Decimal, parse_int=Decimal)["entry"]
        refused = [index for index, entry in enumerate(entries) if self._refuses(entry["resource"])]
        if refused:
            issues = [
                {"severity": "error", "code": "processing"}
                | ({"expression": [f"Bundle.entry[{index}]"]} if self.behaviour.named else {})
                for index in refused
            ]
            return Answer(422, json.dumps({"resourceType": "OperationOutcome", "issue": issues}).encode(), None)
        DEATH.point()
        before = self.facts()
        statuses = self._apply(entries)
        self._took(before)
        DEATH.point()
        if self.behaviour.how == "drop":
            raise PassingError("no-answer", "no answer")
        answered = [{"response": {"status": status}} for status in statuses]
        bundle = {"resourceType": "Bundle", "type": "transaction-response", "entry": answered}
        return Answer(200, json.dumps(bundle).encode(), None)

    def _refuses(self, resource: dict[str, Any]) -> bool:
        if resource["resourceType"] != "Observation" or "identifier" not in resource.get("subject", {}):
            return False
        vitals = [_vital(part) for part in [resource, *resource.get("component", [])]]
        return self.behaviour.refuses(resource["subject"]["identifier"]["value"], vitals)

    def _apply(self, entries: Sequence[dict[str, Any]]) -> list[str]:
        """Store every entry; the status of each."""
        places: dict[str, tuple[str, int]] = {}
        plans: list[tuple[dict[str, Any], str, tuple[str, int], bool]] = []
        for entry in entries:
            request, kind = entry["request"], entry["resource"]["resourceType"]
            if request["method"] == "POST":
                search = f"{kind}?{request['ifNoneExist']}"
            else:
                assert request["method"] == "PUT", request
                search = request["url"]
            search = unquote(search)
            known = self._found.get(search)
            place = known or (kind, next(self._numbers))
            assert search not in [plan[1] for plan in plans], f"{search} stands twice in one transaction"
            plans.append((entry, search, place, known is not None))
            places[entry["fullUrl"]] = place
        statuses = []
        for entry, search, place, there in plans:
            statuses.append("200" if there else "201")
            if not there or entry["request"]["method"] == "PUT":
                self.records[place] = _resolved(entry["resource"], places)
                self._found[search] = place
        return statuses

    def facts(self) -> Facts:
        """What it says of each vital of each set."""
        found: Facts = {}
        for record in self.records.values():
            if record["resourceType"] != "Observation" or "identifier" not in record.get("subject", {}):
                continue
            identity = record["identifier"][0]["value"].partition(".")[0]
            device = ""
            if "device" in record:
                device = self.records[record["device"]["reference"]]["identifier"][0]["value"]
            time = int(datetime.fromisoformat(record["effectiveDateTime"]).timestamp())
            for part in [record, *record.get("component", [])]:
                state: State
                if record["status"] == "entered-in-error":
                    state = "withdrawn"
                elif "valueQuantity" in part:
                    state = part["valueQuantity"]["value"]
                elif "dataAbsentReason" in part:
                    state = "absent"
                else:
                    continue
                if vital := _vital(part):
                    patient = record["subject"]["identifier"]["value"]
                    found[identity, vital] = Fact(patient, device, time, state)
        return found


def _vital(part: dict[str, Any]) -> str:
    codes = [coding["code"] for coding in part["code"]["coding"]]
    return next((VITALS[code] for code in codes if code in VITALS), "")


def _resolved(value: Any, places: dict[str, tuple[str, int]]) -> Any:
    """A resource whose references to other entries are the places where these are kept."""
    if isinstance(value, dict):
        return {
            key: places[each] if key == "reference" and each in places else _resolved(each, places)
            for key, each in value.items()
        }
    if isinstance(value, list):
        return [_resolved(each, places) for each in value]
    return value


@dataclass
class V2Receiver(Receiver, StandIn):
    """An HL7 v2 receiver that keeps the newest of each result, by filler number (OBR-3) and OBX-3 with OBX-4.

    Attributes:
        results: what it holds: by these three, what is said of it.
        park_after: after so many refusals that need not be for good, a message is parked.
    """

    results: dict[tuple[str, str, str], Fact] = field(default_factory=dict)
    kind: Literal["oru"] = "oru"
    park_after: int = 3

    def sender(self) -> V2Receiver:
        """Itself: a message is one call."""
        return self

    def send(self, data: bytes) -> Receipt:
        """Take a message, as the gateway's own client for MLLP tells of the answer (AE is final, AR is not)."""
        if self.behaviour.how == "away":
            return Receipt(Verdict.LATER, "connection", "No connection.")
        segments = [segment.split("|") for segment in data.decode().split("\r") if segment]
        (patient,) = [segment[3].split("^")[0] for segment in segments if segment[0] == "PID"]
        (identity,) = [segment[3].split("^")[0] for segment in segments if segment[0] == "OBR"]
        told = {}
        for segment in segments:
            if segment[0] == "OBX" and (vital := VITALS.get(segment[3].split("^")[0])):
                told[identity, vital, segment[4]] = _result(patient, segment)
        if self.behaviour.refuses(patient, [vital for _, vital, _ in told]):
            verdict, code = (Verdict.PARKED, "AE") if self.behaviour.named else (Verdict.LATER, "AR")
            return Receipt(verdict, code, "The receiver refused the message.")
        DEATH.point()
        before = self.facts()
        self.results.update(told)
        self._took(before)
        DEATH.point()
        if self.behaviour.how == "drop":
            return Receipt(Verdict.LATER, "no-answer", "No answer.")
        return Receipt(Verdict.DELIVERED, "AA", "Accepted.")

    def facts(self) -> Facts:
        """What it says of each vital of each set."""
        return {(identity, vital): fact for (identity, vital, _), fact in self.results.items()}


def _result(patient: str, segment: Sequence[str]) -> Fact:
    """What an OBX says."""
    state: State
    if segment[11] in ("W", "D"):
        state = "withdrawn"
    elif segment[11] == "X":
        state = "absent"
    else:
        assert segment[11] in ("F", "C"), segment[11]
        state = Decimal(segment[5])
    digits, zone = re.fullmatch(r"(\d{12,14})([+-]\d{4})", segment[14]).groups()  # type: ignore[union-attr]
    time = datetime.strptime(f"{digits:0<14}{zone}", "%Y%m%d%H%M%S%z")
    device = segment[18].split("^")[0] if len(segment) > 18 else ""
    return Fact(patient, device, int(time.timestamp()), state)


# -- what can be done


@cache
def _new_ledger() -> Path:
    """A ledger in which nothing is; making one takes as long as a run."""
    path = Path(tempfile.mkdtemp(prefix="new-")) / "ward.ledger"
    open_ledger(path).close()
    return path


TARGETS = (("ehr", "fhir"), ("lab", "oru"))
WHO, WHY = "N. Ole", "seen"
RUNS_TO_REST = 3
MANY = 20
"""Refusals in a row after which a receiver is taken to be at fault, and the delivery ends."""


class Actions:
    """Everything that is done with the gateway, each by a public function of it, on one site.

    Only this class knows how these functions are called.

    Args:
        home: the site's folder.
        receivers: its targets.
        place: where its ledger is to be made; "" for a file of the home.
    """

    def __init__(self, home: Path, receivers: Sequence[Receiver], place: str = "") -> None:
        self.ledger: str | Path = place or home / "ward.ledger"
        if place:
            open_ledger(place).close()
        else:
            for end in ("", ".lock"):
                shutil.copy(f"{_new_ledger()}{end}", f"{self.ledger}{end}")
        self._home = home
        self._receivers = receivers
        self._made = 0
        # One reader for all questions: its statements are compiled once.
        self._reader = open_ledger(self.ledger, readonly=True)
        self.change_mapping(Mapping())
        self.change_associations([])

    # what the site has

    def change_mapping(self, mapping: Mapping) -> None:
        """Put another version of the mapping in force."""
        self.mapping = mapping
        self._mapping = self._new("toml")
        self._mapping.write_text(mapping.text())

    def change_associations(self, stays: Iterable[Stay]) -> None:
        """Put another list of who was on which device in force."""
        lines = [f"{stay.device},{stay.patient},{DAY}T{stay.begin}:00{ZONE},{DAY}T{stay.end}:00{ZONE},scan,{WHO}"
                 for stay in stays]  # fmt: skip
        self._associations = self._new("csv")
        self._associations.write_text("\n".join(["device,patient,from,to,established,by", *lines, ""]))

    def export(self, rows: Sequence[Row]) -> Path:
        """A monitor writes an export."""
        path = self._new("csv")
        path.write_text("\n".join([HEADER, *(row.text() for row in rows), ""]))
        return path

    def _new(self, end: str) -> Path:
        self._made += 1
        return self._home / f"{self._made}.{end}" if end else self._home / str(self._made)

    # what the gateway does

    def convert(self, exports: Sequence[Path]) -> Batch:
        """Convert exports, or only take up what is held; what is recorded waits to be sent."""
        return convert(
            exports, self._mapping, self._new(""), as_="both", ledger=self.ledger, targets=TARGETS,
            associations=self._associations if self.mapping.associated else None,
        )  # fmt: skip

    def deliver(self) -> DeliveryTally:
        """Send what waits, as each night does."""
        with open_ledger(self.ledger) as ledger:
            return deliver(ledger, [receiver.sender() for receiver in self._receivers])

    # what people decide

    def assign(self, holds: Sequence[int], patient: str) -> None:
        """Say whose the held sets are."""
        self._settle("assign", holds, patient)

    def confirm(self, holds: Sequence[int]) -> None:
        """Say that the values are right as they are."""
        self._settle("confirm", holds)

    def discard(self, holds: Sequence[int]) -> None:
        """Say that these are never to be recorded."""
        self._settle("discard", holds)

    def _settle(self, action: Action, holds: Sequence[int], patient: str | None = None) -> None:
        decide(self.ledger, Settle(action=action, which=HoldFilter(ids=holds), patient=patient or "", who=WHO, why=WHY))

    def retract(self, which: SetFilter, reason: Reason, *, anew: bool) -> None:
        """Take records back, and record their sets anew with what is in force now."""
        known = self._associations if anew and self.mapping.associated else None
        decision = Retract(which=which, reason=reason, associations=known, who=WHO, why=WHY)
        decide(self.ledger, decision, mapping=self._mapping if anew else None, out=self._new(""))

    def move(self, which: SetFilter, patient: str = "", *, now: bool) -> None:
        """Give recorded sets to another patient, at once or by the next run; without one, to whom associations name."""
        associations = None if patient else self._associations
        decision = Move(which=which, patient=patient, associations=associations, who=WHO, why=WHY)
        decide(self.ledger, decision, mapping=self._mapping if now else None, out=self._new(""))

    def merge(self, old: str, surviving: str, *, now: bool) -> None:
        """Say that two identifiers are one patient's."""
        path = self._new("csv")
        path.write_text(f"old,surviving\n{old},{surviving}\n")
        decision = Merge(merges=path, who=WHO, why=WHY)
        decide(self.ledger, decision, mapping=self._mapping if now else None, out=self._new(""))

    # what people do with the queue

    def replay(self, which: OutboxFilter, sets: Collection[str] = ()) -> None:
        """Have something sent again that was delivered, parked or skipped."""
        resend(self.ledger, which, who=WHO, why=WHY, sets=sets)

    def queue(self, action: QueueAction, items: Collection[int], target: str, sets: Collection[str] = ()) -> None:
        """Park, release or skip items."""
        which = OutboxFilter(ids=tuple(items), target=target)
        settle_items(self.ledger, action, which, who=WHO, why=WHY, sets=sets)

    def stop(self, target: str) -> None:
        """Send nothing to a target."""
        stop_or_resume(self.ledger, "stop", target, who=WHO, why=WHY)

    def resume(self, target: str) -> None:
        """Send to a target again."""
        stop_or_resume(self.ledger, "resume", target, who=WHO, why=WHY)

    # what can be asked

    def look(self) -> tuple[list[KnownSet], list[Hold], int, int]:
        """Every set, recorded or retracted; what is held; how many runs there were; how much is not sent."""
        unsent = sum(each.items for each in self._reader.outbox_counts() if each.state in ("waiting", "parked"))
        return list(self._reader.sets(SetFilter(state=None))), self._reader.holds(), len(self._reader.runs()), unsent

    def items(self, **which: Any) -> list[OutboxItem]:
        """What was, or is to be, sent."""
        return self._reader.outbox(OutboxFilter(**which))

    def carried(self, items: Iterable[OutboxItem]) -> dict[int, set[str]]:
        """The sets that items carry, by their numbers."""
        found = self._reader.carried([item.id for item in items], sets_in)
        return {item: set(sets) for item, sets in found.items()}

    def takes_back(self, item: OutboxItem) -> bool:
        """Whether an item is a retraction."""
        return any(run.id == item.run and "retracted" in json.loads(run.counts or "{}") for run in self._reader.runs())

    def stopped(self) -> set[str]:
        """Targets to which nothing is sent."""
        return set(self._reader.stopped())

    def counts(self) -> dict[str, Any]:
        """What the ledger keeps of the last run."""
        return json.loads(self._reader.runs()[-1].counts)

    def audit_broken(self) -> int | None:
        """The first entry of the audit trail that is not as it was written."""
        return self._reader.verify_audit()

    def close(self) -> None:
        """Ask no more."""
        self._reader.close()


# -- the whole


class Life:
    """A site, its receivers, and what must be true of them; to be closed.

    Args:
        place: where its ledger is to be made; "" for a file.
    """

    def __init__(self, place: str = "") -> None:
        self._home = Path(tempfile.mkdtemp(prefix="life-"))
        self.trail = Trail()
        self.ehr = FhirServer("ehr", self.trail)
        self.lab = V2Receiver("lab", self.trail)
        self.receivers: tuple[Receiver, ...] = (self.ehr, self.lab)
        self.actions = Actions(self._home, self.receivers, place)
        self.exports: list[Path] = []
        self.rows: dict[Path, tuple[Row, ...]] = {}
        self.last: list[Path] = []
        self.known: list[KnownSet] = []
        self.held: list[Hold] = []
        self.runs = self.unsent = 0
        self.died_at: list[int] = []

    def close(self) -> None:
        """Remove everything."""
        self.actions.close()
        shutil.rmtree(self._home)

    # -- what happens

    def export(self, *rows: Row) -> Path:
        """A monitor writes an export."""
        self.exports.append(self.actions.export(rows))
        self.rows[self.exports[-1]] = rows
        return self.exports[-1]

    def convert(self, *exports: Path, dies: int | None = None) -> Report | None:
        """One run over these exports; its report, unless it is killed after so many writes."""
        self.last = list(exports)
        before, runs = self.facts(), self.runs
        report = None
        with DEATH.after(dies) as self.died_at:
            report = self.actions.convert(exports).report
        self.look()
        if report is not None:
            self._sums(report)
            said = [(row.measurement, row.patient) for path in exports for row in self.rows[path]]
            if self.runs == runs + 1 and len(said) == len(set(said)):
                self._growth(report, before)
        return report

    def night(self, *exports: Path, dies: int | None = None) -> Report | None:
        """One run over these exports, and what it recorded is sent; the report of the run."""
        report = self.convert(*exports)
        self.deliver(dies=dies)
        return report

    def deliver(self, *, dies: int | None = None) -> None:
        """What waits is sent, and what a receiver refuses holds back nothing else."""
        parked = {item.id for item in self.actions.items(state="parked")}
        written = {receiver.name: len(receiver.writes) for receiver in self.receivers}
        tally = None
        with DEATH.after(dies) as self.died_at:
            tally = self.actions.deliver()
        self.look()
        if tally is None:
            return
        for receiver, own in zip(self.receivers, tally.targets, strict=True):
            if receiver.name in self.actions.stopped():
                assert len(receiver.writes) == written[receiver.name], f"{receiver.name} is stopped"
            elif receiver.behaviour.how in ("accept", "refuse") and own.later < MANY:
                assert not own.stopped, own
                self._others_go_on(receiver, parked)

    def decide(self, decision: Callable[[], object], *, dies: int | None = None) -> None:
        """A person decides something."""
        with DEATH.after(dies) as self.died_at:
            decision()
        self.look()

    def retract(
        self, which: SetFilter, reason: Reason = "error", *, anew: bool = False, dies: int | None = None
    ) -> None:
        """A person has records taken back; exactly those that were chosen."""
        chosen = {known.identity for known in self.known if _fits(known, which)}
        try:
            took = self._taking(lambda: self.actions.retract(which, reason, anew=anew), dies)
        except UsageError:
            assert anew or not chosen, "what was chosen is refused"
            raise
        assert took == chosen or self.died_at, "what was taken back is not what was chosen"

    def move(self, which: SetFilter, patient: str = "", *, now: bool = False, dies: int | None = None) -> None:
        """A person gives recorded sets to another patient."""
        self._taking(lambda: self.actions.move(which, patient, now=now), dies)

    def merge(self, old: str, surviving: str, *, now: bool = False, dies: int | None = None) -> None:
        """Two identifiers are one patient's."""
        self._taking(lambda: self.actions.merge(old, surviving, now=now), dies)

    def _taking(self, decision: Callable[[], object], dies: int | None) -> set[bytes]:
        """A decision that takes sets back; which."""
        before = {known.identity: known for known in self.known}
        with DEATH.after(dies) as self.died_at:
            decision()
        took = set()
        for known in self.actions.look()[0]:
            was = before.get(known.identity)
            if was is None or was.state != "recorded" or (known.state, known.run) == ("recorded", was.run):
                continue
            took.add(known.identity)
            if known.run != was.run:
                # Taken back, and recorded anew in the same breath.
                for spot in self.trail.spots(known.identity.hex()):
                    self.trail.step(spot, "withdrawn")
        self.look()
        return took

    def hold(self, reason: str) -> int:
        """The number of the one open hold with this reason."""
        (found,) = [hold.id for hold in self.held if reason in hold.reasons.split(",")]
        return found

    def accept(self) -> None:
        """From now on every receiver takes everything."""
        for receiver in self.receivers:
            receiver.behaviour = ACCEPT

    def drain(self) -> None:
        """Every receiver takes everything, what is parked is released, and everything is sent but what is skipped."""
        self.accept()
        for target in sorted(self.actions.stopped()):
            self.actions.resume(target)
        for attempt in range(3):
            self.deliver()
            parked = self.actions.items(state="parked")
            if not parked:
                break
            for target in sorted({item.target for item in parked}):
                if attempt == 0:
                    self.actions.queue("release", [item.id for item in parked if item.target == target], target)
                else:
                    self.actions.replay(OutboxFilter(target=target, state="parked"))
        left = self.actions.items(state="waiting") + self.actions.items(state="parked")
        assert not left, f"the queue does not drain: {left[0]}"

    # -- what must be true

    def look(self) -> None:
        """Note what the ledger says now."""
        self.known, self.held, self.runs, self.unsent = self.actions.look()
        self.trail.walls = {known.identity.hex(): known.wall for known in self.known}
        self.trail.joined = {known.identity.hex() for known in self.known if known.revision > 1}
        self.trail.goes_on(self.facts())

    def facts(self) -> Facts:
        """What the ledger said of each vital of each set when it was last looked at."""
        found: Facts = {}
        for known in self.known:
            recorded = known.state == "recorded"
            own = dict(part.split("=", 1) for part in known.readings.split(";") if part)
            for vital, text in own.items():
                state: State = "withdrawn"
                if recorded:
                    state = "absent" if text.startswith("absent:") else Decimal(text.split()[0])
                found[known.identity.hex(), vital] = Fact(known.patient, known.device, known.epoch, state)
        return found

    def check(self) -> None:
        """What is true at any time."""
        for receiver in self.receivers:
            assert not receiver.wrong, receiver.wrong
        assert not (double := for_two(self.facts(), self.trail.walls, self.trail.joined)), f"in the ledger: {double}"

    def check_drained(self) -> None:
        """What is true when everything has been sent: but for what was skipped, and then for everything."""
        self.drain()
        skipped = self.actions.items(state="skipped")
        carried = set().union(*self.actions.carried(skipped).values())
        self._as_the_ledger(carried)
        if skipped:
            for target in sorted({item.target for item in skipped}):
                self.actions.replay(OutboxFilter(target=target, state="skipped"))
            self.drain()
            self._as_the_ledger()
        assert self.actions.audit_broken() is None

    def _as_the_ledger(self, but: Collection[str] = ()) -> None:
        """Receivers have what is recorded, leaving out some sets."""
        self.check()
        recorded = {spot: fact for spot, fact in current(self.facts()).items() if spot[0] not in but}
        for receiver in self.receivers:
            there = {spot: fact for spot, fact in current(receiver.facts()).items() if spot[0] not in but}
            assert there == recorded, f"{receiver.name}: {_difference(recorded, there)}"

    def _others_go_on(self, receiver: Receiver, parked_before: Collection[int]) -> None:
        """After a delivery only that waits which a refusal is about, or which belongs to what is parked."""
        items = self.actions.items(target=receiver.name, state="waiting")
        parked = self.actions.items(target=receiver.name, state="parked")
        carried = self.actions.carried([*items, *parked])
        chains = {known.identity.hex(): (known.chain or known.identity).hex() for known in self.known}
        whose = {known.identity.hex(): known.patient for known in self.known}
        refused = {
            identity
            for identity, patient in whose.items()
            if receiver.behaviour.refuses(patient, [vital for _, vital in self.trail.spots(identity)])
        }
        excused = {chains[each] for item in parked for each in carried[item.id]} | {chains[each] for each in refused}
        for item in items:
            held_back = [each for each in carried[item.id] if chains[each] not in excused]
            assert not held_back, f"{receiver.name}: {held_back} waits for others, in {item}"
        for item in parked:
            if item.id not in parked_before:
                innocent = carried[item.id] - refused
                assert not innocent, f"{receiver.name}: {innocent} is parked for others, in {item}"

    def check_again(self) -> None:
        """The run that was last, again: it comes to rest, and on the way changes nothing that was said before.

        Of several rows of one set, what one adds to another is recorded by the run after it, so that a run for each row
        may add something.
        """
        first, said = self._once_more(), self.facts()
        for _ in range(RUNS_TO_REST):
            second, says = self._once_more(), self.facts()
            other = [f"{spot}: {said[spot]}, then {says.get(spot)}" for spot in said if says.get(spot) != said[spot]]
            assert not other, f"the same run once more changes {other}"
            changed = [
                f"{name}: {first.get(name)}, then {second.get(name)}"
                for name in sorted(first.keys() | second.keys())
                if first.get(name) != second.get(name)
            ]
            if not changed:
                break
            first, said = second, says
        else:
            raise AssertionError(f"the same run, {RUNS_TO_REST} times, still changes {changed}")
        self.check_drained()

    def _once_more(self) -> dict[str, object]:
        """The last run again; what there is after it, by name."""
        self.night(*self.last)
        there: dict[str, object] = {
            f"set {known.identity.hex()}": (known.revision, known.state, known.readings) for known in self.known
        }
        there |= {f"hold {hold.id}": hold.reasons for hold in self.held}
        there |= {f"writes of {receiver.name}": len(receiver.writes) for receiver in self.receivers}
        there["items"] = len(self.actions.items())
        return there

    def _sums(self, report: Report) -> None:
        lines, readings = report.reckoning.lines, report.reckoning.readings
        assert report.verdict.state != "failed", report.verdict.sentence
        assert lines.adds_up, lines
        assert lines.total == lines.read == sum(lines.kinds.values()), lines
        assert readings.adds_up, readings
        outcomes = ("recorded", "held", "repeat", "absent", "unreadable")
        for row in (*readings.rows, readings.all):
            assert row.total == sum(getattr(row, name) for name in outcomes), row
        for name in (*outcomes, "total"):
            assert getattr(readings.all, name) == sum(getattr(row, name) for row in readings.rows), name
        told = report.batch.holds
        assert told is not None
        assert told.adds_up, told
        assert told.open == len(self.held), "open holds of the report and of the ledger"
        assert told.released + told.repeats <= told.taken_up, told
        assert told.readings.keys() <= set(outcomes), told
        assert sum(told.readings.values()) >= told.taken_up, told
        if told.released:
            assert told.readings["recorded"] + told.readings.get("absent", 0) >= told.released, told
        assert self.actions.counts()["released"] == told.released

    def _growth(self, report: Report, before: Facts) -> None:
        """What a report says was recorded is what the ledger has more, or otherwise, than before."""
        told = report.batch.holds
        assert told is not None
        said = report.reckoning.readings.all.recorded + told.readings.get("recorded", 0)
        now = current(self.facts())
        grown = [spot for spot, fact in now.items() if spot not in before or before[spot].state != fact.state]
        assert said == len(grown), f"{said} readings are said to be recorded, and {len(grown)} were"


def _fits(known: KnownSet, which: SetFilter) -> bool:
    """Whether a recorded set is one of those that a filter is for."""
    return (
        known.state == "recorded"
        and which.patient in (None, known.patient)
        and which.device in (None, known.device)
        and which.run in (None, known.run)
        and (which.since is None or known.epoch >= which.since)
        and (which.until is None or known.epoch < which.until)
        and (which.identities is None or known.identity in which.identities)
    )


def _difference(wanted: Facts, there: Facts) -> str:
    spots = sorted(spot for spot in wanted.keys() | there.keys() if wanted.get(spot) != there.get(spot))
    return "; ".join(f"{spot}: recorded {wanted.get(spot)}, there {there.get(spot)}" for spot in spots)
