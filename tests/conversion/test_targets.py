"""Records on their way: a run puts them into the outbox for its targets, and retractions follow them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import pytest

from gateway.delivery.base import Receipt, Verdict
from gateway.delivery.bundles import Bundle
from gateway.delivery.mllp import messages_of
from gateway.errors import UsageError
from gateway.ledger import OutboxFilter, SetFilter, open_ledger
from gateway.nightly.outbox import deliver
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, retract, run
from tests.delivery.stand_in import StandIn

BOTH = (("ehr", "fhir"), ("lab", "oru"))
ROWS = (
    "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,71.4",
    "2026-03-14 09:45,P-0008,M1,118,76,71,98,36.6,",
    "2026-03-14 10:05,P-0009,M2,135,88,58,95,37.2,80.1",
)


def convert(tmp: Path, out: str, *rows: str, targets: Sequence[tuple[str, str]] = BOTH, **options: Any) -> Path:
    file = tmp / f"{out}.csv"
    file.write_text("\n".join([WIDE_HEADER, *rows, ""]))
    chosen: dict[str, Any] = {"as_": "both", "ledger": tmp / "ledger.db", "targets": targets} | options
    return run(tmp, [file], WIDE, out, **chosen).folder


def bundles_in(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in sorted(folder.glob("fhir/*.bundle.json"))]


def messages_in(folder: Path) -> list[bytes]:
    return [message for path in sorted(folder.glob("oru/*.hl7")) for message in messages_of(path.read_bytes())]


class Taking(StandIn):
    """A target that takes everything."""

    def __init__(self, name: str, kind: Literal["fhir", "oru"]) -> None:
        self.name = name
        self.kind = kind
        self.taken: list[bytes] = []

    def send(self, data: bytes) -> Receipt:
        self.taken.append(data)
        return Receipt(Verdict.DELIVERED, "x", "")


def delivered(tmp: Path, *targets: tuple[str, Literal["fhir", "oru"]]) -> list[list[bytes]]:
    senders = [Taking(name, kind) for name, kind in targets]
    with open_ledger(tmp / "ledger.db") as ledger:
        assert deliver(ledger, senders).waiting == 0
    return [sender.taken for sender in senders]


def test_what_is_sent_is_what_was_written(tmp_path: Path) -> None:
    one = convert(tmp_path, "one", *ROWS[:2])
    two = convert(tmp_path, "two", *ROWS)
    three = convert(tmp_path, "three", *ROWS)  # nothing new
    bundles, messages = delivered(tmp_path, ("ehr", "fhir"), ("lab", "oru"))
    assert bundles == bundles_in(one) + bundles_in(two)
    assert messages == messages_in(one) + messages_in(two)
    assert len(messages) == 3
    assert not messages_in(three)
    for data in bundles:
        assert Bundle(data).entries


def test_a_batch_file_as_it_is(tmp_path: Path) -> None:
    folder = convert(tmp_path, "one", *ROWS, targets=[("share", "batch")])
    [files] = delivered(tmp_path, ("share", "oru"))
    assert files == [path.read_bytes() for path in sorted(folder.glob("oru/*.hl7"))]


def test_a_run_that_fails_leaves_nothing_to_send(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("gateway.ledger.run.Run.prepare", fail)
    with pytest.raises(Exception, match="No space left"):
        convert(tmp_path, "one", *ROWS)
    with open_ledger(tmp_path / "ledger.db") as ledger:
        assert ledger.outbox() == []


def test_retractions_go_where_the_records_went(tmp_path: Path) -> None:
    """One set went to both, one to the FHIR server alone, one nowhere."""
    convert(tmp_path, "one", ROWS[0])
    convert(tmp_path, "two", ROWS[1], targets=BOTH[:1])
    convert(tmp_path, "three", ROWS[2], targets=())
    before = delivered(tmp_path, ("ehr", "fhir"), ("lab", "oru"))
    assert [len(each) for each in before] == [2, 1]
    done = retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test")
    assert (done.sets, done.messages) == (3, 3)
    bundles, messages = delivered(tmp_path, ("ehr", "fhir"), ("lab", "oru"))
    for files, copies in ((bundles, (1, 1, 0)), (messages, (1, 0, 0))):
        patients = (b"P-0007", b"P-0008", b"P-0009")
        assert tuple(sum(patient in data for data in files) for patient in patients) == copies
    assert all(b"entered-in-error" in data for data in bundles)
    # What went nowhere is among the written retractions all the same.
    assert sum(b"P-0009" in data for data in bundles_in(tmp_path / "back" / "retracted")) == 1


def test_what_is_recorded_anew_follows_the_retraction(tmp_path: Path) -> None:
    convert(tmp_path, "one", *ROWS[:2])
    first = delivered(tmp_path, ("ehr", "fhir"), ("lab", "oru"))
    better = tmp_path / "better.toml"
    better.write_text(WIDE.replace('unit = "kg"', 'unit = "[lb_av]"\nrecord_unit = "kg"').replace('"1"', '"2"'))
    retract(
        tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="pounds", mapping=better
    )  # fmt: skip
    again = delivered(tmp_path, ("ehr", "fhir"), ("lab", "oru"))
    bundles, messages = ([*one, *other] for one, other in zip(first, again, strict=True))
    assert [b"entered-in-error" in data for data in bundles] == [False, True, False]
    # OBX-11 is the eleventh field.
    codes = [message.split(b"\rOBX|")[1].split(b"|")[10] for message in messages]
    assert [code == b"D" for code in codes] == [False, False, True, True, False]  # one set is as it was, and stays held


@pytest.mark.parametrize(
    ("targets", "options", "what"),
    [
        (BOTH, {"ledger": None}, "by way of a ledger"),
        (BOTH, {"bundle": "ndjson"}, "takes transaction bundles"),
        (BOTH, {"bundle": "collection"}, "takes transaction bundles"),
        (BOTH, {"as_": "oru"}, "takes FHIR"),
        (BOTH, {"as_": "fhir"}, "takes HL7 v2"),
        ([("lab", "batch")], {"as_": "fhir"}, "takes HL7 v2"),
        ([("lab", "pigeon")], {}, "no kind of target"),
        ([("lab", "oru"), ("lab", "batch")], {}, "a name of its own"),
        ([(" ", "oru")], {}, "a name of its own"),
    ],
)
def test_targets_that_do_not_fit(tmp_path: Path, targets: Any, options: dict[str, Any], what: str) -> None:
    with pytest.raises(UsageError, match=what):
        convert(tmp_path, "one", *ROWS, targets=targets, **options)
    assert not (tmp_path / "one").exists()
    assert not (tmp_path / "ledger.db").exists()


def test_the_outbox_names_no_patient(tmp_path: Path) -> None:
    convert(tmp_path, "one", *ROWS)
    with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
        items = ledger.outbox(OutboxFilter())
        assert len(items) == 4
        assert "P-00" not in repr(items)
