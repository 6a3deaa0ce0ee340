"""What a delivery makes of answers: refusals that hold up nobody else, bundles that are divided, sets that changed."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.conversion.payloads import Payloads, sets_in
from gateway.decisions.queue import resend, settle_items
from gateway.delivery.base import Receipt, Verdict
from gateway.delivery.mllp import messages_of
from gateway.delivery.wire import Answer
from gateway.errors import UsageError
from gateway.ledger import OutboxFilter, SetFilter, open_ledger
from gateway.nightly import outbox
from gateway.nightly.outbox import deliver
from gateway.records.retraction import record_of, set_of
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, retract, run
from tests.delivery.stand_in import FhirAnsweredBy, StandIn
from tests.nightly.outbox_kit import messages, queue

LEDGER = "ledger.db"
AWAY = Receipt(Verdict.LATER, "connection", "No connection.", reached=False)
REFUSED = Receipt(Verdict.PARKED, "AE", "The receiver does not know the patient.")
NOT_NOW = Receipt(Verdict.LATER, "AR", "Refused for now.", answered=True)
TAKEN = Receipt(Verdict.DELIVERED, "AA", "Accepted.")


class Lab(StandIn):
    """A receiver of messages that answers by what is in them; `taken` is what it took."""

    def __init__(self, answers: dict[bytes, Receipt] | None = None, name: str = "lab", park_after: int = 0) -> None:
        self.name = name
        self.answers = answers or {}
        self.park_after = park_after
        self.seen: list[bytes] = []
        self.taken: list[bytes] = []

    def send(self, data: bytes) -> Receipt:
        self.seen.append(data)
        receipt = next((each for text, each in self.answers.items() if text in data), TAKEN)
        if receipt.verdict is Verdict.DELIVERED:
            self.taken.append(data)
        return receipt


class Server(FhirAnsweredBy):
    """A FHIR server that refuses some sets without saying which, and dies after so many requests."""

    def __init__(self, *refuses: str, dies_after: int | None = None, named: bool = False) -> None:
        super().__init__("ehr", self.answer)
        self.refuses = set(refuses)
        self.dies_after = dies_after
        self.named = named
        self.requests = 0
        self.has: dict[str, Any] = {}

    def answer(self, body: bytes) -> Answer:
        self.requests += 1
        if self.dies_after is not None and self.requests > self.dies_after:
            raise KeyboardInterrupt
        entries = json.loads(body)["entry"]
        names = [
            record_of(json.dumps(entry["resource"]).encode())[0] if entry["resource"]["resourceType"] == "Observation"
            else "" for entry in entries
        ]  # fmt: skip
        bad = [index for index, name in enumerate(names) if name in self.refuses]
        if bad:
            issues = [
                {"severity": "error", "code": "processing"}
                | ({"expression": [f"Bundle.entry[{index}]"]} if self.named else {})
                for index in bad
            ]
            return Answer(422, json.dumps({"resourceType": "OperationOutcome", "issue": issues}).encode(), None)
        for entry in entries:
            key = entry["request"].get("ifNoneExist") or entry["request"]["url"].partition("?")[2]
            if key not in self.has or entry["request"]["method"] == "PUT":
                self.has[key] = entry["resource"]
        answered = [{"response": {"status": "201"}} for _ in entries]
        bundle = {"resourceType": "Bundle", "type": "transaction-response", "entry": answered}
        return Answer(200, json.dumps(bundle).encode(), None)

    def observations(self) -> dict[str, str]:
        """Status by set; one word where all its records agree."""
        found: dict[str, set[str]] = {}
        for resource in self.has.values():
            if resource["resourceType"] == "Observation":
                name = resource["identifier"][0]["value"].partition(".")[0]
                found.setdefault(name, set()).add(resource["status"])
        return {name: "/".join(sorted(each)) for name, each in found.items()}


def row(number: int, systolic: int = 120) -> str:
    return f"2026-03-14 {9 + number // 60:02}:{number % 60:02},P-{number:04},M1,{systolic},79,64,97,36.8,71.4"


def convert(tmp: Path, out: str, *rows: str, targets: Any = (("lab", "oru"),)) -> None:
    file = tmp / f"{out}.csv"
    file.write_text("\n".join([WIDE_HEADER, *rows, ""]))
    mapping = WIDE.replace("\n[time]", '\ncorrections = "accept"\n\n[time]', 1) + '\n[output]\nstatus = "final"\n'
    run(tmp, [file], mapping, out, as_="both", ledger=tmp / LEDGER, targets=targets)


def systolic(message: bytes) -> str:
    (value,) = [
        segment.split("|")[5]
        for segment in message.decode().split("\r")
        if segment.startswith("OBX|") and "8480-6" in segment
    ]
    return value


def states(tmp: Path, target: str = "lab") -> Counter[str]:
    with open_ledger(tmp / LEDGER, readonly=True) as ledger:
        return Counter(item.state for item in ledger.outbox(OutboxFilter(target=target)))


def send(tmp: Path, *targets: Any) -> Any:
    with open_ledger(tmp / LEDGER) as ledger:
        return deliver(ledger, list(targets)).targets


class TestChangedSets:
    def test_a_correction_of_what_is_parked_waits_and_goes_alone(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row(1, 110), row(2))
        send(tmp_path, Lab({b"P-0001": REFUSED}))
        convert(tmp_path, "two", row(1, 150), row(3))
        lab = Lab()
        (own,) = send(tmp_path, lab)
        assert (own.delivered, own.waiting, own.blocked) == (1, 1, 1)
        assert b"P-0003" in lab.taken[0]
        assert resend(tmp_path / LEDGER, OutboxFilter(target="lab", state="parked"), who="Kim", why="known now") == 1
        lab = Lab()
        (own,) = send(tmp_path, lab)
        assert [systolic(each) for each in lab.taken] == ["150"]
        # It is the first that the receiver hears of it, so nothing in it is a correction.
        assert not [
            line for line in lab.taken[0].split(b"\r") if line.startswith(b"OBX") and line.split(b"|")[11] == b"C"
        ]
        assert states(tmp_path) == {"delivered": 3, "superseded": 1}

    def test_what_was_retracted_is_not_charted_again(self, tmp_path: Path) -> None:
        targets = (("lab", "oru"), ("ehr", "fhir"))
        convert(tmp_path, "one", row(1), row(2), targets=targets)
        lab, ehr = Lab(), Server()
        send(tmp_path, lab, ehr)
        retract(
            tmp_path / LEDGER,
            SetFilter(patient="P-0001"),
            tmp_path / "back",
            who="Kim",
            why="x",
            reason="wrong-patient",
        )
        send(tmp_path, lab, ehr)
        assert sorted(ehr.observations().values()) == ["entered-in-error", "final"]
        before = len(lab.taken)
        for target in ("lab", "ehr"):
            resend(tmp_path / LEDGER, OutboxFilter(target=target, run=1), who="Kim", why="restored")
        ehr.has.clear()
        send(tmp_path, lab, ehr)
        assert sorted(ehr.observations().values()) == ["entered-in-error", "final"]
        codes = {
            (b"P-0001" in message): {line.split(b"|")[11] for line in message.split(b"\r") if line.startswith(b"OBX")}
            for message in lab.taken[before:]
        }
        assert codes == {True: {b"W"}, False: {b"F"}}
        assert len(lab.taken) == before + 2

    def test_what_never_arrived_is_not_taken_back(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row(1), row(2))
        send(tmp_path, Lab({b"P-0001": AWAY}))
        retract(tmp_path / LEDGER, SetFilter(patient="P-0001"), tmp_path / "back", who="Kim", why="x")
        lab = Lab()
        send(tmp_path, lab)
        assert [b"P-0002" in each for each in lab.seen] == [True]
        assert states(tmp_path) == {"delivered": 1, "cancelled": 2}

    def test_a_batch_file_is_divided_by_message(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", *map(row, range(4)), targets=(("share", "batch"),))
        convert(tmp_path, "two", row(2, 150), targets=(("share", "batch"),))
        share = Lab(name="share")
        send(tmp_path, share)
        files = [[systolic(each) for each in messages_of(data)] for data in share.taken]
        assert files == [["120"] * 3, ["150"]]
        assert [[line for line in data.split(b"\r") if line[:3] == b"BTS"] for data in share.taken] == [
            [b"BTS|3"], [b"BTS|1"],
        ]  # fmt: skip

    def test_a_target_that_wants_corrections_whole(self, tmp_path: Path) -> None:
        changed, whole = Lab(), Lab(name="hub")
        whole.corrections = "whole"
        convert(tmp_path, "one", row(1, 110), targets=(("lab", "oru"), ("hub", "oru")))
        send(tmp_path, changed, whole)
        convert(tmp_path, "two", row(1, 150), targets=(("lab", "oru"), ("hub", "oru")))
        send(tmp_path, changed, whole)
        assert changed.taken[0] == whole.taken[0]
        results = [lab.taken[1].count(b"\rOBX|") for lab in (changed, whole)]
        assert results == [1, changed.taken[0].count(b"\rOBX|")]
        assert [systolic(lab.taken[1]) for lab in (changed, whole)] == ["150", "150"]
        assert all(b"|150|" in lab.taken[1] and b"|C|" in lab.taken[1] for lab in (changed, whole))

    def test_a_set_is_told_again_by_its_name(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", *map(row, range(3)), targets=(("ehr", "fhir"),))
        ehr = Server()
        send(tmp_path, ehr)
        name = sorted(ehr.observations())[1]
        ehr.has.clear()
        assert resend(tmp_path / LEDGER, OutboxFilter(target="ehr"), who="Kim", why="lost", sets=[name]) == 1
        send(tmp_path, ehr)
        assert set(ehr.observations()) == {name}
        with pytest.raises(UsageError, match="was not sent"):
            resend(tmp_path / LEDGER, OutboxFilter(target="ehr"), who="Kim", why="lost", sets=["0" * 32])

    def test_an_item_is_a_function_of_the_ledger(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row(1, 110), row(2), targets=(("lab", "oru"), ("ehr", "fhir")))
        convert(tmp_path, "two", row(1, 150), targets=(("lab", "oru"), ("ehr", "fhir")))
        payloads = []
        for _ in range(2):
            with open_ledger(tmp_path / LEDGER) as ledger:
                ledger.arrange("lab", "oru", sets_in)
                ledger.arrange("ehr", "fhir", sets_in)
                made = Payloads(ledger)
                items = [*ledger.waiting("lab", "oru"), *ledger.waiting("ehr", "fhir")]
                payloads.append([made.of(item) for item in items])
        assert payloads[0] == payloads[1]
        assert len(payloads[0]) == 4


class TestRefusals:
    def test_one_that_is_refused_for_now_holds_up_nobody(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", *map(row, range(3)))
        lab = Lab({b"P-0001": NOT_NOW}, park_after=3)
        for night in (1, 2):
            (own,) = send(tmp_path, lab)
            assert (len(lab.taken), own.later, own.waiting, own.stopped) == (2, 1, 1, ""), night
        (own,) = send(tmp_path, lab)
        assert (own.later, own.parked, own.waiting) == (0, 1, 0)
        with open_ledger(tmp_path / LEDGER, readonly=True) as ledger:
            (item,) = ledger.outbox(OutboxFilter(state="parked"))
        assert item.message == "Refused for now. Parked after 3 such answers."
        assert (item.reached, item.answered) == (0, 3)

    def test_attempts_without_an_answer_do_not_count(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row(1))
        for receipt in (AWAY, NOT_NOW, AWAY, AWAY):
            send(tmp_path, Lab({b"P-0001": receipt}, park_after=2))
        assert states(tmp_path) == {"waiting": 1}
        send(tmp_path, Lab({b"P-0001": NOT_NOW}, park_after=2))
        assert states(tmp_path) == {"parked": 1}

    def test_a_receiver_that_refuses_all_is_left_alone(self, tmp_path: Path) -> None:
        with open_ledger(tmp_path / LEDGER) as ledger:
            queue(ledger, tmp_path, oru=messages(outbox._IN_A_ROW + 10))
        lab = Lab({b"MSH": NOT_NOW})
        (own,) = send(tmp_path, lab)
        assert (len(lab.seen), own.stopped) == (outbox._IN_A_ROW, "AR")
        # The next delivery begins with the same ones.
        send(tmp_path, lab)
        assert lab.seen[: outbox._IN_A_ROW] == lab.seen[outbox._IN_A_ROW :]

    def test_a_stopped_target_gets_nothing(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", row(1))
        with open_ledger(tmp_path / LEDGER) as ledger:
            ledger.stop_target("lab", "Kim", "moved tonight")
        lab = Lab()
        (own,) = send(tmp_path, lab)
        assert (lab.seen, own.stopped, own.waiting) == ([], "stopped", 1)
        assert "by Kim" in own.message
        assert "moved tonight" in own.message

    def test_what_a_person_parks_or_skips(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", *map(row, range(4)))
        with open_ledger(tmp_path / LEDGER, readonly=True) as ledger:
            ids = [item.id for item in ledger.outbox()]
        path = tmp_path / LEDGER
        which = OutboxFilter(ids=ids[:2], target="lab")
        assert settle_items(path, "park", which, who="Kim", why="not yet", dry_run=True) == 2
        assert states(tmp_path) == {"waiting": 4}
        settle_items(path, "park", which, who="Kim", why="not yet")
        with pytest.raises(UsageError, match=f"item {ids[0]} does not wait"):
            settle_items(path, "park", which, who="Kim", why="not yet")
        settle_items(path, "skip", OutboxFilter(ids=ids[1:3], target="lab"), who="Kim", why="by hand")
        lab = Lab()
        send(tmp_path, lab)
        assert [b"P-0003" in each for each in lab.taken] == [True]
        settle_items(path, "release", OutboxFilter(ids=ids[:1], target="lab"), who="Kim", why="now")
        send(tmp_path, lab)
        assert states(tmp_path) == {"delivered": 2, "skipped": 2}


@pytest.fixture
def six(tmp_path: Path) -> Iterator[tuple[Path, list[str]]]:
    """A bundle of six sets that waits, and the names of the sets."""
    convert(tmp_path, "one", *map(row, range(6)), targets=(("ehr", "fhir"),))
    with open_ledger(tmp_path / LEDGER, readonly=True) as ledger:
        (item,) = ledger.outbox()
        yield tmp_path, ledger.carried([item.id], sets_in)[item.id]


class TestDivision:
    @pytest.mark.parametrize("named", [False, True])
    @pytest.mark.parametrize("bad", [(0,), (2, 5), (0, 1, 2, 3, 4, 5)])
    def test_culprits_stand_alone(self, six: tuple[Path, list[str]], bad: tuple[int, ...], named: bool) -> None:
        folder, names = six
        culprits = {names[each] for each in bad}
        server = Server(*culprits, named=named)
        (own,) = send(folder, server)
        assert set(server.observations()) == set(names) - culprits
        with open_ledger(folder / LEDGER, readonly=True) as ledger:
            parked = ledger.outbox(OutboxFilter(state="parked"))
            carried = ledger.carried([item.id for item in parked], sets_in)
        assert sorted(carried.values()) == sorted([each] for each in culprits)
        assert states(folder, "ehr") == Counter(
            {"parked": len(bad)} | ({"delivered": 1} if len(bad) < len(names) else {})
        )
        assert own.parked == len(bad)
        assert {(item.code, item.reached) for item in parked} == {("422:processing", 0)}
        # Mended, they go alone, and nothing else is sent again.
        resend(folder / LEDGER, OutboxFilter(target="ehr", state="parked"), who="Kim", why="mended")
        mended = Server()
        send(folder, mended)
        assert set(mended.observations()) == culprits
        assert states(folder, "ehr").keys() == {"delivered"}

    def test_cut_off_at_any_request(self, six: tuple[Path, list[str]]) -> None:
        """The next delivery sends the rest again, and what it does not change is there already."""
        folder, names = six
        has: dict[str, Any] = {}
        for dies_after in range(12):
            server = Server(names[3], dies_after=dies_after)
            server.has = has
            try:
                send(folder, server)
            except KeyboardInterrupt:
                with open_ledger(folder / LEDGER, readonly=True) as ledger:
                    assert [(item.state, item.reached) for item in ledger.outbox()] == [("waiting", 1)]
                continue
            break
        assert 2 < dies_after < 11
        assert states(folder, "ehr") == {"delivered": 1, "parked": 1}
        assert set(server.observations()) == set(names) - {names[3]}

    def test_a_correction_waits_for_its_own_culprit_only(self, six: tuple[Path, list[str]]) -> None:
        folder, names = six
        server = Server(names[3])
        send(folder, server)
        convert(folder, "two", row(3, 150), row(4, 151), targets=(("ehr", "fhir"),))
        server.refuses.clear()
        (own,) = send(folder, server)
        assert (own.delivered, own.waiting, own.blocked) == (1, 1, 1)
        assert names[3] not in server.observations()
        resend(folder / LEDGER, OutboxFilter(target="ehr", state="parked"), who="Kim", why="mended")
        send(folder, server)
        assert set(server.observations()) == set(names)
        assert states(folder, "ehr") == {"delivered": 3, "superseded": 1}


def test_messages_are_cut_by_set(tmp_path: Path) -> None:
    """What the patterns find is what the readers of whole records find."""
    convert(tmp_path, "one", *map(row, range(3)), targets=(("lab", "oru"), ("ehr", "fhir")))
    with open_ledger(tmp_path / LEDGER, readonly=True) as ledger:
        files = {name: ledger.content(1, name) for name in ledger.contents(1) if name.startswith(("oru/", "fhir/"))}
    for name, data in files.items():
        found = list(dict.fromkeys(identity for _, identity in sets_in(name, data)))
        if name.startswith("oru/"):
            assert found == [set_of(text.decode()) for text in messages_of(data)]
        else:
            entries = [json.dumps(entry["resource"]).encode() for entry in json.loads(data)["entry"]
                       if entry["resource"]["resourceType"] == "Observation"]  # fmt: skip
            assert found == list(dict.fromkeys(record_of(entry)[0] for entry in entries))
        assert len(found) == 3
