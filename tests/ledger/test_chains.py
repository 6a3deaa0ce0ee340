"""What becomes of each set in a target's queue: the rules one by one, and what they make of the rows of a ledger."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.conversion.payloads import sets_in
from gateway.ledger import Ledger, OutboxFilter, SentPart
from gateway.ledger.chains import Carried, SetLife, Turn, Version, decide
from tests.ledger.ledger_kit import a_set, begin, finish, identity

A, B = "a" * 32, "b" * 32
NOW = datetime(2026, 3, 14, tzinfo=UTC)


def life(name: str, *versions: str, chain: str = A) -> SetLife:
    """Versions as "1" (recorded by run 1) or "2-" (taken back by run 2)."""
    made = [Version(int(each.rstrip("-")), each.endswith("-"), "f", "o", NOW, 1) for each in versions]
    return SetLife(name, chain, tuple(made))


def at(
    run: int, state: str = "waiting", *, name: str = A, item: int = 0, reached: bool = False, form: str = ""
) -> Carried:
    return Carried(item or run, (run, item or run, 0), name, state, reached or state == "delivered", form)


SEND, WHOLE, FIRST = Turn("send"), Turn("send", "whole"), Turn("send", "first")


@pytest.mark.parametrize(
    ("carried", "versions", "wanted"),
    [
        ([at(1)], ["1"], {1: SEND}),
        ([at(1, "delivered"), at(2)], ["1", "2"], {2: SEND}),
        # Of several that wait, the last one goes, as a whole.
        ([at(1), at(2)], ["1", "2"], {1: Turn("superseded", by=2), 2: FIRST}),
        ([at(1, reached=True), at(2)], ["1", "2"], {1: Turn("superseded", by=2), 2: WHOLE}),
        ([at(1, "delivered"), at(2), at(3)], ["1", "2", "3"], {2: Turn("superseded", by=3), 3: WHOLE}),
        # What is parked holds back what is newer, and only that.
        ([at(1, "parked"), at(2)], ["1", "2"], {2: Turn("blocked", by=1)}),
        ([at(1, "parked"), at(2), at(3)], ["1", "2", "3"], {2: Turn("superseded", by=3), 3: Turn("blocked", by=1)}),
        ([at(1, "delivered"), at(2, "parked")], ["1", "2"], {}),
        # What was left out is told with what is newer.
        ([at(1, "skipped"), at(2)], ["1", "2"], {2: FIRST}),
        ([at(1, "delivered"), at(2, "skipped"), at(3)], ["1", "2", "3"], {3: WHOLE}),
        # Nothing of the first version was ever queued here.
        ([at(2)], ["1", "2"], {2: FIRST}),
        # What never arrived is not taken back; what may have arrived is, whatever is parked.
        ([at(1), at(2)], ["1", "2-"], {1: Turn("cancelled"), 2: Turn("cancelled")}),
        ([at(1, "parked"), at(2)], ["1", "2-"], {1: Turn("cancelled"), 2: Turn("cancelled")}),
        ([at(1, reached=True), at(2)], ["1", "2-"], {1: Turn("superseded", by=2), 2: SEND}),
        ([at(1, "delivered"), at(2, "parked"), at(3)], ["1", "2", "3-"], {2: Turn("superseded", by=3), 3: SEND}),
        # What is recorded anew goes after the retraction, or is a first word where there was nothing to take back.
        ([at(1, "delivered"), at(2), at(3)], ["1", "2-", "3"], {2: SEND, 3: Turn("blocked", by=2)}),
        ([at(1, "delivered"), at(2, "delivered"), at(3)], ["1", "2-", "3"], {3: SEND}),
        ([at(1), at(2), at(3)], ["1", "2-", "3"],
         {1: Turn("superseded", by=3), 2: Turn("superseded", by=3), 3: FIRST}),
        # What is older than what the receiver has does not go, unless a person wants it told again: then as it is now.
        ([at(1), at(2, "delivered")], ["1", "2"], {1: Turn("superseded", by=2)}),
        ([at(1, form="again"), at(2, "delivered")], ["1", "2"], {1: WHOLE}),
        ([at(1, form="again", reached=True), at(2, "delivered")], ["1", "2-"], {1: WHOLE}),
        ([at(1, "delivered"), at(2, form="again", reached=True)], ["1", "2"], {2: SEND}),
        ([at(1, form="again")], ["1", "2-"], {1: Turn("cancelled")}),
    ],
)  # fmt: skip
def test_one_set(carried: list[Carried], versions: list[str], wanted: dict[int, Turn]) -> None:
    assert decide(carried, {A: life(A, *versions)}) == {(item, A): turn for item, turn in wanted.items()}


def test_corrections_as_whole_sets() -> None:
    carried = [at(1, "delivered"), at(2)]
    assert decide(carried, {A: life(A, "1", "2")}, whole=True) == {(2, A): WHOLE}
    assert decide([at(1)], {A: life(A, "1")}, whole=True) == {(1, A): SEND}


@pytest.mark.parametrize(
    ("carried", "wanted"),
    [
        ([at(1, "delivered"), at(2), at(3, name=B)], {(2, A): SEND, (3, B): Turn("blocked", by=2)}),
        ([at(1, "delivered"), at(2, "parked"), at(3, name=B)], {(3, B): Turn("blocked", by=2)}),
        ([at(1, "delivered"), at(2, "delivered"), at(3, name=B)], {(3, B): SEND}),
        ([at(1, "parked"), at(2), at(3, name=B)], {(1, A): Turn("cancelled"), (2, A): Turn("cancelled"), (3, B): SEND}),
        # An old item that is sent as it is now stands where that belongs, and is not held back by a retraction here.
        ([at(1, form="again", reached=True), at(2, "delivered"), at(3, name=B)],
         {(1, A): WHOLE, (3, B): Turn("blocked", by=1)}),
    ],
)  # fmt: skip
def test_a_set_that_was_moved(carried: list[Carried], wanted: dict[tuple[int, str], Turn]) -> None:
    assert decide(carried, {A: life(A, "1", "2-"), B: life(B, "3")}) == wanted


# --- in a ledger -----------------------------------------------------------------------------------------------------

NAMES = [identity(number).hex() for number in range(4)]


def record(ledger: Ledger, folder: Path, *numbers: int, targets: Any = (("ehr", "fhir"), ("lab", "oru"))) -> int:
    """A run that records these sets, for the first time or again."""
    run, export_id = begin(ledger)
    name = f"1-{run.id}"
    for number in numbers:
        row = a_set(number, fhir=f"fhir/{name}.bundle.json", oru=f"oru/{name}.hl7")
        if run.known([row.identity]):
            run.revise_set(export_id, row)
        else:
            run.add_sets(export_id, [row])
    _files(run, numbers, targets)
    finish(run, folder)
    return run.id


def retract(ledger: Ledger, folder: Path, *numbers: int) -> None:
    run, _ = begin(ledger)
    run.retract([identity(number) for number in numbers], "error")
    _files(run, numbers, (("ehr", "fhir"), ("lab", "oru")))
    finish(run, folder)


def _files(run: Any, numbers: tuple[int, ...], targets: Any) -> None:
    bundle = "".join(f'{{"identifier":[{{"system":"s","value":"{NAMES[each]}.spo2"}}]}}' for each in numbers)
    run.add_content(f"fhir/1-{run.id}.bundle.json", bundle.encode())
    messages = "".join(f"MSH|^~\\&|\rOBR|1||{NAMES[each]}^GW|\r" for each in numbers)
    run.add_content(f"oru/1-{run.id}.hl7", messages.encode())
    run.queue(targets)


def stands(ledger: Ledger, target: str) -> list[tuple[str, str, list[int]]]:
    """State, form and sets of each item."""
    items = ledger.outbox(OutboxFilter(target=target))
    carried = ledger.carried([item.id for item in items], sets_in)
    return [(item.state, item.form, [NAMES.index(each) for each in carried[item.id]]) for item in items]


def test_a_bundle_is_divided_by_what_becomes_of_its_sets(ledger: Ledger, tmp_path: Path) -> None:
    record(ledger, tmp_path, 0, 1, 2, 3)
    record(ledger, tmp_path, 1, 2)
    retract(ledger, tmp_path, 3)
    assert ledger.arrange("ehr", "fhir", sets_in) == {}
    assert stands(ledger, "ehr") == [("waiting", "", [0]), ("waiting", "first", [1, 2]), ("cancelled", "", [3])]
    ledger.arrange("lab", "oru", sets_in)
    assert stands(ledger, "lab") == [
        ("waiting", "", [0]), ("superseded", "", [1]), ("superseded", "", [2]), ("cancelled", "", [3]),
        ("waiting", "first", [1]), ("waiting", "first", [2]), ("cancelled", "", [3]),
    ]  # fmt: skip
    before = ledger.outbox()
    assert ledger.arrange("ehr", "fhir", sets_in) == {}
    assert ledger.outbox() == before


def test_what_may_have_arrived_is_remembered_when_it_is_left_out(ledger: Ledger, tmp_path: Path) -> None:
    record(ledger, tmp_path, 0, 1)
    (item,) = ledger.waiting("ehr", "fhir")
    ledger.sent(item.id, "later", "no-answer", "", reached=True)
    record(ledger, tmp_path, 1)
    ledger.arrange("ehr", "fhir", sets_in)
    assert stands(ledger, "ehr") == [("waiting", "", [0]), ("waiting", "whole", [1]), ("superseded", "", [1])]
    retract(ledger, tmp_path, 1)
    ledger.arrange("ehr", "fhir", sets_in)
    assert stands(ledger, "ehr")[-1] == ("waiting", "", [1])


def test_one_set_of_a_bundle_is_parked_and_holds_back_its_own(ledger: Ledger, tmp_path: Path) -> None:
    record(ledger, tmp_path, 0, 1, 2)
    (item,) = ledger.waiting("ehr", "fhir")
    parts = [
        SentPart((NAMES[0], NAMES[2]), "delivered", "200", "fine"),
        SentPart((NAMES[1],), "parked", "422", "no such code", reached=False, answered=True),
    ]
    (piece,) = ledger.sent_in_parts(item.id, parts, sets_in)
    assert stands(ledger, "ehr") == [("delivered", "", [0, 2]), ("parked", "", [1])]
    record(ledger, tmp_path, 0, 1)
    blocked = ledger.arrange("ehr", "fhir", sets_in)
    assert stands(ledger, "ehr")[2:] == [("waiting", "", [0]), ("waiting", "", [1])]
    later = ledger.outbox(OutboxFilter(target="ehr"))[-1].id
    assert blocked == {later: piece} == ledger.blocked("ehr", sets_in)
    assert ledger.settle_items([piece], "skip", "Kim", "entered by hand", sets_in) == 1
    assert ledger.arrange("ehr", "fhir", sets_in) == {}
    assert stands(ledger, "ehr")[1:] == [("skipped", "", [1]), ("waiting", "", [0]), ("waiting", "first", [1])]
    assert ledger.verify_audit() is None


def test_nothing_is_read_where_nothing_has_changed(ledger: Ledger, tmp_path: Path) -> None:
    """A correction of what was delivered long ago is no reason to look into what waits."""

    def unread(name: str, data: bytes) -> list[tuple[int, str]]:
        raise AssertionError(name)

    record(ledger, tmp_path, 0)
    record(ledger, tmp_path, 1)
    assert ledger.arrange("lab", "oru", unread) == {}
    for item in list(ledger.waiting("lab", "oru")):
        ledger.sent(item.id, "delivered", "AA", "")
    record(ledger, tmp_path, 0, targets=[("ehr", "fhir")])
    record(ledger, tmp_path, 2)
    assert ledger.arrange("lab", "oru", unread) == {}
    with pytest.raises(AssertionError):
        ledger.arrange("ehr", "fhir", unread)


def test_marks_of_a_window(ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.ledger.outbox._AHEAD", 2)
    record(ledger, tmp_path, 0, 1, 2)
    numbers = [item.id for item in ledger.outbox(OutboxFilter(target="lab"))]

    def marked() -> list[int]:
        return [item.reached for item in ledger.outbox(OutboxFilter(target="lab"))]

    tried: set[int] = set()
    sending = ledger.sending("lab", "oru", (), tried)
    assert next(sending).id == numbers[0]
    assert marked() == [1, 1, 0]
    tried.add(numbers[0])
    sending.close()  # type: ignore[attr-defined]
    assert marked() == [1, 0, 0]
    # What may have arrived before stays marked.
    sending = ledger.sending("lab", "oru", (), set())
    next(sending)
    sending.close()  # type: ignore[attr-defined]
    assert marked() == [1, 0, 0]
    assert [item.id for item in ledger.sending("lab", "oru", {numbers[1]}, set())] == [numbers[0], numbers[2]]


def test_a_target_is_stopped_and_resumed(ledger: Ledger, tmp_path: Path) -> None:
    record(ledger, tmp_path, 0)
    ledger.stop_target("lab", "Kim", "moved tonight")
    ledger.name_owners({"lab": "Interface team"})
    assert {name: (each.why, each.who) for name, each in ledger.stopped().items()} == {"lab": ("moved tonight", "Kim")}
    ledger.resume_target("lab", "Kim", "it is back")
    assert ledger.stopped() == {}
    assert [(entry.action, entry.subject) for entry in ledger.audit(who="Kim")] == [
        ("stop", "target lab"), ("resume", "target lab"),
    ]  # fmt: skip
