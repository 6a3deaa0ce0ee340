"""Versions of a set from run to run: when each was made, what it replaces, and what a server is told of them."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import pytest

from gateway.conversion.batch import Batch
from gateway.conversion.options import time_of_change
from gateway.ledger import SetFilter, open_ledger
from gateway.records.retraction import whole_message
from gateway.verify.oru import OruVerifier
from tests.conversion.conversion_kit import (
    WIDE,
    WIDE_HEADER,
    observations,
    oru_messages,
    resources,
    retract,
    run,
    written,
)
from tests.conversion.test_clock_policies import HEADER as CLOCK_HEADER
from tests.conversion.test_clock_policies import mapping as with_clock
from tests.conversion.test_clock_policies import row as clock_row
from tests.nightly.outbox_kit import listener

ACCEPT = WIDE.replace('version = "1"', 'version = "1"\ncorrections = "accept"').replace(
    "[absent]", '[absent]\nERR = "error"'
)
FINAL = ACCEPT + '\n[output]\nstatus = "final"\nfailed = "record"\n'
FIRST = "2026-03-14 09:30,P-0007,M1,121,79,64,97,ERR,"
MEASURED = "2026-03-14 09:30,P-0007,M1,121,79,64,97,36.8,"
OTHER_RATE = "2026-03-14 09:30,P-0007,M1,121,79,66,97,36.8,"


def converted(
    tmp: Path, out: str, *rows: str, mapping: str = FINAL, header: str = WIDE_HEADER, **options: Any
) -> Batch:
    export = tmp / f"{out}.csv"
    export.write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    return run(tmp, [export], mapping, out, **{"as_": "both", "ledger": tmp / "ledger.db", **options})


def statuses(folder: Path) -> tuple[str, list[str]]:
    (message,) = oru_messages(folder)
    return str(message.segment("OBR")[25]), [str(each[11]) for each in message.segments("OBX")]


def started(tmp: Path) -> list[tuple[str, str]]:
    """When each run began, as an instant and as a DTM."""
    with open_ledger(tmp / "ledger.db", readonly=True) as ledger:
        return [time_of_change(each.started) for each in ledger.runs()]


def provenances(folder: Path) -> list[dict[str, Any]]:
    return [each for each in resources(folder) if each["resourceType"] == "Provenance"]


def messages(folder: Path) -> Iterator[str]:
    for data in (written(folder)[name].decode() for name in sorted(written(folder)) if name.startswith("oru/")):
        yield from ("MSH" + each.partition("\rBTS")[0].rstrip("\r") + "\r" for each in data.split("\rMSH")[1:])


def test_a_measurement_after_a_failed_one_is_final_and_no_correction(tmp_path: Path) -> None:
    converted(tmp_path, "one", FIRST)
    assert statuses(tmp_path / "one") == ("F", ["F", "F", "F", "F", "X"])
    converted(tmp_path, "two", MEASURED)
    assert statuses(tmp_path / "two") == ("F", ["F"])
    (temperature,) = observations(tmp_path / "two")
    assert temperature["status"] == "corrected", "the record without a value was final"
    converted(tmp_path, "three", MEASURED.replace("36.8", "36.9"))
    assert statuses(tmp_path / "three") == ("C", ["C"])


def test_what_was_given_out_as_preliminary_is_not_corrected(tmp_path: Path) -> None:
    """The mapping is signed off between two nights: what was preliminary becomes final, then it can be corrected."""
    converted(tmp_path, "one", MEASURED, mapping=ACCEPT)
    assert statuses(tmp_path / "one")[0] == "P"
    signed = FINAL.replace('version = "1"', 'version = "2"')
    converted(tmp_path, "two", OTHER_RATE, mapping=signed)
    assert statuses(tmp_path / "two") == ("F", ["F"])
    assert [each["status"] for each in observations(tmp_path / "two")] == ["final"]
    converted(tmp_path, "three", OTHER_RATE.replace(",66,", ",67,"), mapping=signed)
    assert statuses(tmp_path / "three") == ("C", ["C"])
    assert [each["status"] for each in observations(tmp_path / "three")] == ["corrected"]
    converted(tmp_path, "four", OTHER_RATE.replace(",66,", ",67,").replace("36.8", "36.9"), mapping=signed)
    assert statuses(tmp_path / "four") == ("F", ["F"]), "the temperature was preliminary until now"
    assert [each["status"] for each in observations(tmp_path / "four")] == ["final"]
    pressure = "2026-03-14 09:30,P-0007,M1,122,79,67,97,36.9,"
    converted(tmp_path, "five", pressure, mapping=signed)
    assert [each["status"] for each in observations(tmp_path / "five")] == ["final"], "the record of a pressure, too"
    converted(tmp_path, "six", pressure.replace(",79,", ",80,"), mapping=signed)
    assert statuses(tmp_path / "six") == ("F", ["F"]), "the diastolic was preliminary until now"
    assert [each["status"] for each in observations(tmp_path / "six")] == ["corrected"], "its record was not"


@pytest.mark.parametrize("received", [None, "2026-03-15T08:00:00-05:00"])
def test_a_change_says_when_it_was_made(tmp_path: Path, received: str | None) -> None:
    given: dict[str, Any] = {"received": datetime.fromisoformat(received)} if received else {}
    added = MEASURED.replace("36.8,", "36.8,71.4")
    converted(tmp_path, "one", MEASURED, "2026-03-14 09:45,P-0008,M1,118,76,71,98,36.6,", **given)
    new = "2026-03-14 10:00,P-0009,M1,118,76,71,98,36.6,"
    converted(tmp_path, "two", added, "2026-03-14 09:45,P-0008,M1,118,76,72,98,36.6,", new, **given)
    _, (instant, dtm) = started(tmp_path)
    assert instant.endswith("+00:00")
    found = {str(each.segment("PID")[3]).partition("^")[0]: each for each in oru_messages(tmp_path / "two")}
    for patient in ("P-0007", "P-0008"):
        assert str(found[patient].segment("MSH")[7]) == str(found[patient].segment("OBR")[22]) == dtm
        assert str(found[patient].segment("OBR")[7]).startswith("202603140")
    first = "20260315080000-0500" if received else "202603141000-0500"
    assert str(found["P-0009"].segment("MSH")[7]) == first
    assert str(found["P-0009"].segment("OBR")[22]) == "", "nothing changed in a first message"
    told = {
        (each["activity"]["coding"][0]["code"], each["recorded"]): len(each["target"])
        for each in provenances(tmp_path / "two")
    }
    of_first = received or "2026-03-14T10:00:00-05:00"
    assert told == {("CREATE", of_first): 4, ("UPDATE", instant): 1, ("CREATE", instant): 1}


def test_a_retraction_says_when_it_was_made(tmp_path: Path) -> None:
    converted(tmp_path, "one", MEASURED)
    converted(tmp_path, "two", OTHER_RATE)
    retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test")
    *_, (instant, dtm) = started(tmp_path)
    (message,) = oru_messages(tmp_path / "back" / "retracted")
    assert str(message.segment("MSH")[7]) == str(message.segment("OBR")[22]) == dtm
    (told,) = provenances(tmp_path / "back" / "retracted")
    assert (told["activity"]["coding"][0]["code"], told["recorded"]) == ("NULLIFY", instant)


def test_the_same_change_made_at_another_time_is_the_same_message(tmp_path: Path) -> None:
    """Of a run that was ended before it was complete nothing was sent; made again, its messages keep their ids."""
    said = []
    for name in ("a", "b"):
        home = tmp_path / name
        home.mkdir()
        converted(home, "one", MEASURED)
        converted(home, "two", OTHER_RATE)
        said.append(oru_messages(home / "two")[0])
    assert str(said[0].segment("MSH")[10]) == str(said[1].segment("MSH")[10])
    assert str(said[0].segment("OBR")[22]) != str(said[1].segment("OBR")[22])


def test_a_set_is_said_whole_from_the_files_of_its_runs(tmp_path: Path) -> None:
    converted(tmp_path, "one", FIRST)
    converted(tmp_path, "two", MEASURED)
    converted(tmp_path, "three", OTHER_RATE)
    said = [each for out in ("one", "two", "three") for each in messages(tmp_path / out)]
    assert len(said) == 3
    for sent_before, rate in ((True, "C"), (False, "F")):
        whole = whole_message(said, sent_before=sent_before, revision=3)
        assert OruVerifier("2.5.1").messages([whole]) == []
        rows = [each.split("|") for each in whole.split("\r") if each.startswith("OBX")]
        assert [(row[5], row[11]) for row in rows] == [
            ("121", "F"), ("79", "F"), ("66", rate), ("97", "F"), ("36.8", "F"),
        ]  # fmt: skip


@pytest.mark.parametrize("bundle", ["transaction", "collection", "ndjson"])
def test_records_whose_clock_was_corrected_are_retracted(tmp_path: Path, bundle: str) -> None:
    rows = [clock_row("09:30"), clock_row("09:40")]
    converted(tmp_path, "one", *rows, mapping=with_clock(), header=CLOCK_HEADER, bundle=bundle)
    done = retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test")
    assert (done.sets, done.observations, done.messages) == (2, 2, 2)
    found = Counter((each["resourceType"], each.get("status")) for each in resources(tmp_path / "back" / "retracted"))
    beside = {} if bundle == "ndjson" else {("Device", None): 1, ("Observation", "final"): 1}
    assert found == {("Observation", "entered-in-error"): 2, ("Provenance", None): 1, **beside}


@pytest.mark.parametrize("limit", range(8, 12))
def test_bundles_of_changes_keep_to_their_limit(tmp_path: Path, limit: int) -> None:
    chosen = f"{FINAL}[output.fhir]\nbundle_limit = {limit}\n"
    rows = [f"2026-03-14 09:{minute},P-0007,M{minute},,,64,97,," for minute in range(10, 40)]
    changed = [row.replace(",64,97,,", ",66,97,36.8,") for row in rows]
    converted(tmp_path, "one", *rows, mapping=chosen)
    converted(tmp_path, "two", *changed, *[row.replace("14 09", "14 10") for row in rows], mapping=chosen)
    sizes = [len(json.loads(data)["entry"]) for name, data in written(tmp_path / "two").items() if "bundle" in name]
    assert max(sizes) <= limit
    retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test")
    back = written(tmp_path / "back" / "retracted").items()
    assert max(len(json.loads(data)["entry"]) for name, data in back if "bundle" in name) <= limit


# --- what a server is told without a ledger ---------------------------------------------------------------------------


def post(port: int, folder: Path) -> list[str]:
    """Send the bundles of a folder; the status of each Provenance in the answers."""
    found = []
    for name, data in sorted(written(folder).items()):
        if not name.startswith("fhir/"):
            continue
        request = Request(f"http://127.0.0.1:{port}/", data, {"Content-Type": "application/fhir+json"})
        with urlopen(request, timeout=30) as answer:
            entries = json.loads(answer.read())["entry"]
        for sent, got in zip(json.loads(data)["entry"], entries, strict=True):
            if sent["resource"]["resourceType"] == "Provenance":
                found.append(got["response"]["status"])
    return found


CHANGES = {
    "a new version": ('version = "1"', 'version = "2"'),
    "another title": ('title = "A kit"', 'title = "Another kit"'),
    "another status": ("[absent]", '[output]\nstatus = "final"\n\n[absent]'),
    "another export": ("", ""),
}


@pytest.mark.parametrize("name", CHANGES)
def test_the_same_readings_with_a_changed_mapping_claim_nothing(tmp_path: Path, name: str) -> None:
    """The server keeps its records, so nobody says that the new mapping made them."""
    rows = [MEASURED, "2026-03-14 09:45,P-0008,M1,118,76,71,98,36.6,"]
    changed = WIDE.replace(*CHANGES[name])
    converted(tmp_path, "one", *rows, mapping=WIDE, ledger=None)
    again = rows if name != "another export" else [*rows, ""]
    converted(tmp_path, "two", *again, mapping=changed, ledger=None)
    (first,), (second,) = provenances(tmp_path / "one"), provenances(tmp_path / "two")
    assert first["entity"] != second["entity"], "the two were made by other means"
    with listener("fhir", tmp_path / "server.ndjson") as port:
        assert post(port, tmp_path / "one") == ["201 Created"]
        assert post(port, tmp_path / "two") == ["200 OK"]
        assert post(port, tmp_path / "one") == ["200 OK"]
    kept = [json.loads(line)["kind"] for line in (tmp_path / "server.ndjson").read_text().splitlines()]
    assert kept.count("Provenance") == 1
    assert kept.count("Observation") == 8


def test_what_a_changed_mapping_adds_is_claimed_as_that(tmp_path: Path) -> None:
    """A bundle of records old and new says in words that it speaks of the new ones."""
    converted(
        tmp_path,
        "one",
        MEASURED,
        mapping=WIDE.replace("[vitals.weight]", "[vitals.height]").replace('unit = "kg"', 'unit = "cm"'),
        ledger=None,
    )
    converted(tmp_path, "two", MEASURED.replace("36.8,", "36.8,71.4"), mapping=WIDE, ledger=None)
    with listener("fhir", tmp_path / "server.ndjson") as port:
        assert post(port, tmp_path / "one") == post(port, tmp_path / "two") == ["201 Created"]
    (told,) = provenances(tmp_path / "two")
    assert told["activity"]["coding"][0]["code"] == "CREATE"
    assert "left as it was" in told["activity"]["text"]
