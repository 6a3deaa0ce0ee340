"""Delivery of transaction bundles to a FHIR R4 server.

Every entry creates on a condition or updates on a condition, so the same bundle can be sent any number of times: after
a timeout, a lost connection or half an answer it is simply sent again. Nothing counts as delivered that the server did
not answer for, entry by entry, with 200 or 201.

A transaction stands or falls as a whole, and one bad record would hold up the others of its bundle. When a server
refuses a bundle and names the entries that it objects to, the sets of these entries are parked and the other sets are
sent again without them. A bundle that is too large is halved. Neither divides a set.

A batch has no references between its entries (http://hl7.org/fhir/R4/http.html#batch). In this mode a bundle is sent
in steps: first the entries that refer to no other, then, with the places the server gave these, the entries that
refer to them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, NamedTuple, Self

from pydantic import Field, model_validator

from gateway.delivery.answers import PARK_AFTER, Choice, HttpAnswers, Meaning, ParkAfter, answered
from gateway.delivery.auth import Auth, BackendServices, ClientCredentials, Credentials, NoAuth
from gateway.delivery.base import Name, Owner, PartReceipt, Receipt, Verdict
from gateway.delivery.bundles import Bundle, BundleError, Entry, Parcel, Unit, halves, rendered
from gateway.delivery.outcomes import Issue, entry_answer, grave, issues, placed, told
from gateway.delivery.patience import attempts
from gateway.delivery.settings import SettingsError, Table, Tls
from gateway.delivery.wire import Address, Answer, PassingError, Wire, WireError, in_the_clear

_FHIR_JSON = "application/fhir+json"
# Seconds: the first pause, the longest one that nobody asked for, and the share left to chance.
_FIRST_PAUSE, _LONGEST_PAUSE, _CHANCE = 0.5, 30.0, 1.0
# How often sets are left out of a refused bundle before the rest of it is parked as well.
_ROUNDS = 5
# Answers in which a server may name the entries that it objects to.
_NAMED = frozenset({400, 403, 404, 410, 412, 422})


class FhirTarget(Table):
    """Settings of a FHIR server."""

    kind: Literal["fhir"] = Field(default="fhir", description="what kind of target it is")
    url: Address = Field(description="base address of the server, such as https://fhir.example.org/r4")
    auth: Auth = Field(
        default=NoAuth(),
        description="`method`: `none`, `basic`, `bearer`, `client_credentials` or `backend_services`, with its keys",
    )
    tls: Tls = Field(default=Tls(), description="`ca_file`, `cert_file`, `key_file` and what else TLS needs")
    mode: Literal["transaction", "batch"] = Field(
        default="transaction", description="transaction: all or nothing; batch: each record for itself, in steps"
    )
    timeout: float = Field(default=30.0, gt=0, le=600, description="seconds to wait for the server")
    attempts: int = Field(default=5, ge=1, le=20, description="how often one request is tried")
    longest_wait: float = Field(
        default=60.0,
        ge=0,
        le=3600,
        description="seconds; a longer wait that the server asks for is left to a later run",
    )
    entry_limit: int | None = Field(
        default=None, ge=1, description="most entries of one bundle, if the server has such a limit"
    )
    insecure: bool = Field(default=False, description="allow plain http to another machine")
    answers: HttpAnswers = Field(default={})
    park_after: ParkAfter = PARK_AFTER

    @model_validator(mode="after")
    def _safe(self) -> FhirTarget:
        urls = {"url": self.url}
        if isinstance(self.auth, (ClientCredentials, BackendServices)):
            urls["auth.token_url"] = self.auth.token_url
        for name, url in urls.items():
            if in_the_clear(url) and not self.insecure:
                raise ValueError(f"{name} is plain http to another machine; use https, or say insecure = true")
        if self.tls != Tls() and not any(url.startswith("https:") for url in urls.values()):
            raise ValueError("tls has no effect on a plain http address")
        return self


class SiteFhir(FhirTarget):
    """A FHIR server, with the name of who looks after it."""

    name: Name = Field(description="name of its own, shown in reports and logs")
    owner: Owner

    @property
    def takes(self) -> Literal["fhir"]:
        """Bundles."""
        return "fhir"

    def target(self) -> FhirRest:
        """The server; nothing is sent or opened yet."""
        return FhirRest(self.name, self)

    @staticmethod
    def example(folder: Path) -> dict[str, Any]:
        """Settings of a server that is not there."""
        return {"kind": "fhir", "name": "ehr", "owner": "integration team", "url": "http://127.0.0.1:9", "attempts": 1}


TARGET = SiteFhir


class FhirRest:
    """A FHIR server that takes transaction bundles.

    Args:
        name: what the site calls the server.
        settings: address, credentials and habits.

    Attributes:
        name: what the site calls the server.
        kind: "fhir".
        park_after: from the settings.
        corrections: "changed": a correction carries the resources that changed, each of them whole.
    """

    kind: Literal["fhir"] = "fhir"
    corrections: Literal["changed"] = "changed"

    def __init__(self, name: str, settings: FhirTarget) -> None:
        self.name = name
        self.park_after: int = settings.park_after
        self._settings = settings
        self._reached = False
        self._wire = Wire(settings.tls, settings.timeout)
        self._credentials = Credentials(settings.auth, self._wire.post)

    def __repr__(self) -> str:
        return f"FhirRest({self.name!r})"

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections."""
        self._wire.close()

    def check(self) -> list[str]:
        """What is wrong with files, secrets and keys that the settings name; nothing is sent."""
        wrong = self._credentials.check()
        try:
            self._settings.tls.context()
        except SettingsError as fault:
            wrong.append(fault.message)
        return wrong

    def send(self, data: bytes) -> Receipt:
        """Send a transaction bundle and say what became of each of its entries.

        Args:
            data: a Bundle of type transaction as UTF-8 JSON, whose entries create or update on a condition.

        Returns:
            A receipt with one part for each entry, in order. No exception tells of a fault of the server, the way
            there, or the settings: those are receipts as well.
        """
        try:
            bundle = Bundle(data)
        except BundleError as error:
            return Receipt(Verdict.PARKED, "bundle", str(error), reached=False)
        self._reached = False
        delivery = _Delivery(bundle, self)
        if self._settings.mode == "transaction":
            delivery.transaction(bundle.units)
        else:
            delivery.steps()
        return delivery.receipt()._replace(reached=self._reached)

    @property
    def answers(self) -> Mapping[str, Choice]:
        """What the site says of single answers."""
        return self._settings.answers

    @property
    def entry_limit(self) -> int | None:
        """Most entries of one bundle; None for no limit that is known."""
        return self._settings.entry_limit

    def exchange(self, body: bytes) -> Answer:
        """Post a bundle, as often as needed and allowed, and give the server's final answer.

        Raises:
            PassingError: there is none; the last attempt's fault.
            RefusedError: none of it is of use, and another attempt would be of none.
            SettingsError: a secret, key or certificate is missing.
        """
        for attempt in attempts(
            on=self._again,
            attempts=self._settings.attempts,
            timeout=None,
            wait_initial=_FIRST_PAUSE,
            wait_max=_LONGEST_PAUSE,
            wait_jitter=_CHANCE,
        ):
            with attempt:
                return self._once(body)
        raise AssertionError("the last attempt answers or raises")

    def _again(self, error: Exception) -> bool | float:
        """Whether to try once more, or after how many seconds to."""
        if not isinstance(error, PassingError):
            return False
        if error.wait is None:
            return True
        return error.wait if error.wait <= self._settings.longest_wait else False

    def _once(self, body: bytes) -> Answer:
        answer = self._post(body)
        if answer.status == 401 and self._credentials.renew():
            answer = self._post(body)
        if answer.status < 300:
            try:
                answer.json()
            except ValueError:
                # Cut off on the way, or a page of something in between; the server may or may not have our records.
                raise PassingError("unreadable", f"the server answered {answer.status} without readable JSON") from None
        return answer

    def _post(self, body: bytes) -> Answer:
        headers = {"Content-Type": _FHIR_JSON, "Accept": _FHIR_JSON, "Prefer": "return=minimal"}
        headers |= self._credentials.headers()  # may ask another server; none of the records is sent with that
        try:
            answer = self._wire.post(self._settings.url, body, headers)
        except WireError as fault:
            self._reached = self._reached or fault.reached
            raise
        self._reached = True
        return answer


class _Said(NamedTuple):
    """What is known of an entry: as in `PartReceipt`, without its index, and `answered` as in `Receipt`."""

    verdict: Verdict
    code: str
    message: str
    location: str = ""
    answered: bool = False


def _said(meaning: Meaning, message: str) -> _Said:
    return _Said(meaning.verdict, meaning.key, message, answered=not meaning.everyone)


_TOGETHER = "refused together with another entry"
_WORST = (Verdict.LATER, Verdict.PARKED, Verdict.DELIVERED)


@dataclass
class _Delivery:
    """One bundle on its way.

    Attributes:
        bundle: the bundle.
        target: where it goes.
        said: what is known of each entry; a Device or a Provenance may have been sent more than once.
        stopped: why the rest is not sent any more.
        after: seconds the server asked to wait.
    """

    bundle: Bundle
    target: FhirRest
    said: dict[int, list[_Said]] = field(default_factory=dict)
    stopped: _Said | None = None
    after: float = 0.0

    def transaction(self, units: Sequence[Unit], rounds: int = _ROUNDS) -> None:
        """Send these sets as one transaction, or as several where the server wants it so."""
        parcel = self.bundle.parcel(units)
        if self.stopped is not None:
            self._say(parcel, self.stopped)
            return
        limit = self.target.entry_limit
        if limit is not None and len(parcel) > limit and len(units) > 1:
            self._halved(units)
            return
        answer = self._exchange(parcel, "transaction")
        if answer is None:
            return
        if answer.status == 200:
            for index, said in self._results(answer, parcel, "transaction-response"):
                self._add(index, said)
            return
        found = self._issues(answer, parcel)
        if _too_large(answer, found) and len(units) > 1:
            self._halved(units)
            return
        named = {issue.entry for issue in found if issue.grave and issue.entry is not None}
        bad = [unit for unit in units if named & set(unit)]
        rest = [unit for unit in units if unit not in bad]
        apart = answer.status in _NAMED and bad and rest and rounds > 0
        if not apart:
            self._refuse(answer, parcel, found)
            return
        for unit in bad:
            self._refuse(answer, self.bundle.parcel([unit]), found)
        self.transaction(rest, rounds - 1)

    def _halved(self, units: Sequence[Unit]) -> None:
        for half in halves(units):
            self.transaction(half)

    def steps(self) -> None:
        """Send the entries as batches, each after those it refers to."""
        waiting = {entry.index: entry for entry in self.bundle.entries}
        located: dict[int, str] = {}
        while waiting:
            ready = [entry for entry in waiting.values() if not entry.refers & waiting.keys()]
            if not ready:
                for index in waiting:
                    self._add(index, _Said(Verdict.PARKED, "bundle", "it refers to itself by way of others"))
                return
            parcel: Parcel = []
            for entry in ready:
                del waiting[entry.index]
                text = self._on_its_own(entry, located)
                if text is not None:
                    parcel.append((entry.index, text))
            self._batch(parcel)
            for index, _ in parcel:
                place = self.said[index][-1].location
                if place:
                    located[index] = place.partition("/_history/")[0]

    def _on_its_own(self, entry: Entry, located: dict[int, str]) -> bytes | None:
        """The entry with places for references; None, and said, when it has to wait for what it refers to."""
        lacking = {index: self.said[index][-1] for index in entry.refers - located.keys()}
        if lacking:
            later = any(said.verdict is Verdict.LATER for said in lacking.values())
            unplaced = any(said.verdict is Verdict.DELIVERED for said in lacking.values())
            if entry.kind != "Provenance" or later or unplaced or not entry.refers & located.keys():
                why = "the server does not say where it keeps the record" if unplaced else "the record was not taken"
                verdict = Verdict.LATER if later else Verdict.PARKED
                counts = all(said.answered for said in lacking.values())
                text = f"it refers to another record, and {why}"
                self._add(entry.index, _Said(verdict, "reference", text, answered=counts))
                return None
            narrowed = self.bundle.narrowed(entry, located.keys())
            return self.bundle.resolved(entry.index, narrowed, located)
        return self.bundle.resolved(entry.index, entry.text, located)

    def _batch(self, parcel: Parcel) -> None:
        if not parcel:
            return
        if self.stopped is not None:
            self._say(parcel, self.stopped)
            return
        middle = len(parcel) // 2
        limit = self.target.entry_limit
        if limit is not None and len(parcel) > limit:
            self._batch(parcel[:middle])
            self._batch(parcel[middle:])
            return
        answer = self._exchange(parcel, "batch")
        if answer is None:
            return
        if answer.status == 200:
            for index, said in self._results(answer, parcel, "batch-response"):
                self._add(index, said)
            return
        found = self._issues(answer, parcel)
        if _too_large(answer, found) and middle:
            self._batch(parcel[:middle])
            self._batch(parcel[middle:])
            return
        self._refuse(answer, parcel, found)

    def _exchange(self, parcel: Parcel, kind: Literal["transaction", "batch"]) -> Answer | None:
        """The server's answer; None when there is none, and that is said."""
        try:
            return self.target.exchange(rendered(parcel, kind))
        except (WireError, SettingsError) as fault:
            # An answer too long to read, or one about these very records, says nothing of other requests.
            alone = fault.code == "too-long" and fault.reached
            said = _Said(Verdict.PARKED if alone else Verdict.LATER, fault.code, fault.message, answered=alone)
            if isinstance(fault, PassingError) and fault.answer is not None and fault.reached:
                found = self._issues(fault.answer, parcel)
                meaning = self._meaning(fault.answer, found)
                said = _said(meaning, told(found, fault.message))
                alone = not meaning.everyone and fault.answer.status < 500
                self.after = max(self.after, fault.wait or 0.0)
            self._say(parcel, said)
            if not alone:
                self._stop(said)
            return None

    def _results(self, answer: Answer, parcel: Parcel, kind: str) -> list[tuple[int, _Said]]:
        content = answer.json()
        entries: Any = content.get("entry") if isinstance(content, dict) else None
        fault = ""
        if not isinstance(content, dict) or content.get("resourceType") != "Bundle" or content.get("type") != kind:
            fault = told(self._issues(answer, parcel), f"the server answered 200, but with no {kind}")
        elif not isinstance(entries, list) or len(entries) != len(parcel):
            fault = f"the server did not answer for each of the {len(parcel)} entries, one by one"
        if fault:
            return [(index, _Said(Verdict.PARKED, "unreadable", fault, answered=True)) for index, _ in parcel]
        within, site = self.bundle.private.within, self.target.answers
        return [
            (index, _Said(*entry_answer(entry, within, site)))
            for (index, _), entry in zip(parcel, entries, strict=True)
        ]

    def _issues(self, answer: Answer, parcel: Parcel) -> list[Issue]:
        try:
            content = answer.json()
        except ValueError:
            return []
        indices = [index for index, _ in parcel]
        return [placed(issue, indices) for issue in issues(content, self.bundle.private.within)]

    def _refuse(self, answer: Answer, parcel: Parcel, found: list[Issue]) -> None:
        """Say of each entry of a parcel that was refused why; issues about other entries do not count."""
        indices = {index for index, _ in parcel}
        found = [issue for issue in found if issue.entry is None or issue.entry in indices]
        meaning = self._meaning(answer, found)
        own: dict[int, list[Issue]] = {}
        for issue in found:
            if issue.grave and issue.entry is not None:
                own.setdefault(issue.entry, []).append(issue)
        general = [issue for issue in found if issue.entry is None]
        whole = _said(meaning, told(general, _TOGETHER if own else meaning.words))
        for index, _ in parcel:
            self._add(index, whole._replace(message=told(own[index], meaning.words)) if index in own else whole)
        if meaning.everyone:
            self._stop(whole)

    def _meaning(self, answer: Answer, found: list[Issue]) -> Meaning:
        """What an answer means that is not a success; one that names entries is about these."""
        named = any(issue.grave and issue.entry is not None for issue in found)
        return answered(answer.status, grave(found), self.target.answers, entry=named)

    def _stop(self, said: _Said) -> None:
        """Send nothing more of this bundle now: it would fare no better."""
        if said.verdict is Verdict.LATER:
            self.stopped = said._replace(message=f"not sent: {said.message}")

    def _say(self, parcel: Parcel, said: _Said) -> None:
        for index, _ in parcel:
            self._add(index, said)

    def _add(self, index: int, said: _Said) -> None:
        self.said.setdefault(index, []).append(said)

    def receipt(self) -> Receipt:
        """What became of the whole."""
        settled = [self._settled(entry) for entry in self.bundle.entries]
        parts = tuple(
            PartReceipt(entry.index, *said[:4]) for entry, said in zip(self.bundle.entries, settled, strict=True)
        )
        verdict = next(each for each in _WORST if any(part.verdict is each for part in parts))
        if verdict is Verdict.DELIVERED:
            codes = Counter(part.code for part in parts)
            message = f"{codes['201']} created, {codes['200']} already there or brought up to date"
            return Receipt(verdict, "200", message, parts, answered=True)
        counts = Counter(part.verdict for part in parts)
        words = {Verdict.DELIVERED: "delivered", Verdict.PARKED: "parked", Verdict.LATER: "to be sent again"}
        tally = ", ".join(f"{counts[each]} {words[each]}" for each in Verdict if counts[each])
        worst = [part for part in parts if part.verdict is verdict]
        first = next((part for part in worst if part.message != _TOGETHER), worst[0])
        counts_against = all(said.answered for said in settled if said.verdict is verdict)
        return Receipt(verdict, first.code, f"{tally}: {first.message}", parts, self.after, answered=counts_against)

    def _settled(self, entry: Entry) -> _Said:
        """One word for an entry that was sent several times: a shared one needs to arrive once, any other always."""
        said = self.said[entry.index]
        order = tuple(reversed(_WORST)) if entry.index in self.bundle.shared else _WORST
        return min(said, key=lambda each: order.index(each.verdict))


def _too_large(answer: Answer, found: list[Issue]) -> bool:
    """Whether the size of the bundle is what the server minds: 413, or an issue of that kind about no single entry."""
    if answer.status == 413:
        return True
    return answer.status in _NAMED and any(
        issue.grave and issue.code in ("too-long", "too-costly") and issue.entry is None for issue in found
    )
