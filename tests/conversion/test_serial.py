"""Serial-style exports through the whole conversion: ages, anchors, lists read twice, frames in bytes."""

from __future__ import annotations

import base64
import json
from datetime import datetime
from pathlib import Path

import pytest

from gateway.conversion import Batch, convert
from gateway.errors import UsageError
from gateway.ledger import open_ledger
from tests.conversion.conversion_kit import resources

MAPPINGS = Path(__file__).resolve().parents[2] / "mappings"
HEADING = ["SPOT CHECK LIST   UNIT SC-1042", "SENT 2026-03-14 11:05", "MODE ADULT"]
RECEIVED = datetime.fromisoformat("2026-03-14T18:00:00-04:00")


def entry(number: int, age: str, pulse: int = 72, patient: str = "00482913") -> list[str]:
    return [f"#{number}  ID {patient}    A{age:0>4}", f"     BP 128/76 (93)   HR {pulse}"]


def run(
    folder: Path, *lists: list[str], anchor: str = "columns", sent: datetime | None = None, number: bool = True
) -> tuple[Batch, list[str]]:
    """Convert lists; the batch, and the times of its Observations."""
    mapping = (MAPPINGS / "listing-example.toml").read_text("utf-8")
    if anchor != "columns":
        mapping = mapping.replace('anchor = "columns"', f'anchor = "{anchor}"')
        mapping = mapping.replace('columns = ["sent"]\nformats = ["%Y-%m-%d %H:%M"]\n', "")
    if not number:
        mapping = mapping.replace('sequence = "number"', "#")
    (folder / "mapping.toml").write_text(mapping, "utf-8")
    names = []
    for at, lines in enumerate(lists):
        names.append(folder / f"{at}.txt")
        names[-1].write_text("\n".join([*lines, ""]), "utf-8")
    batch = convert(names, folder / "mapping.toml", folder / "out", bundle="ndjson", sent=sent, received=RECEIVED)
    records = [
        json.loads(line)
        for path in sorted((folder / "out" / "fhir").glob("*.observations.ndjson"))
        for line in path.read_text("utf-8").splitlines()
    ]
    return batch, sorted({record["effectiveDateTime"] for record in records})


def rules(batch: Batch) -> dict[str, int]:
    return {found.rule: found.count for found in batch.report.rules}


def test_ages_count_back_from_the_heading(tmp_path: Path) -> None:
    batch, times = run(tmp_path, [*HEADING, *entry(17, "95"), *entry(18, "84")])
    assert times == ["2026-03-14T09:30:00-04:00", "2026-03-14T09:41:00-04:00"]
    assert batch.status == 0


def test_without_the_heading_everything_is_held(tmp_path: Path) -> None:
    batch, times = run(tmp_path, [HEADING[0], *entry(17, "95"), *entry(18, "84")])
    assert (times, batch.report.reckoning.readings.all.recorded) == ([], 0)
    assert rules(batch)["anchor-missing"] == 2


def test_the_time_of_sending_may_be_given(tmp_path: Path) -> None:
    sent = datetime.fromisoformat("2026-03-14T11:05:00-04:00")
    _, times = run(tmp_path, [*HEADING, *entry(17, "95")], anchor="given", sent=sent)
    assert times == ["2026-03-14T09:30:00-04:00"]


@pytest.mark.parametrize(("anchor", "sent"), [("given", None), ("columns", "2026-03-14T11:05:00-04:00")])
def test_a_time_of_sending_is_asked_for_only_where_it_is_used(tmp_path: Path, anchor: str, sent: str | None) -> None:
    with pytest.raises(UsageError, match="--sent"):
        run(tmp_path, [*HEADING, *entry(17, "95")], anchor=anchor, sent=datetime.fromisoformat(sent) if sent else None)


def test_the_record_of_a_capture_is_an_anchor(tmp_path: Path) -> None:
    """The instant at which the list began to arrive, not the one at which the capture began."""
    text = "\n".join([*HEADING, *entry(17, "95"), ""]).encode()
    lines = [
        {"capture": "spot-check serial capture 1", "port": "x", "started": "2026-03-14T10:00:00.000000-04:00",
         "settings": {}},
        {"at": "2026-03-14T11:05:10.000000-04:00", "bytes": base64.b64encode(text).decode()},
        {"ended": "2026-03-14T12:00:00.000000-04:00", "why": "stopped"},
    ]  # fmt: skip
    batch, times = run(tmp_path, [json.dumps(line) for line in lines], anchor="capture")
    assert times == ["2026-03-14T09:30:00-04:00"]
    assert batch.report.reckoning.lines.adds_up


def test_a_list_read_twice_gives_each_entry_once(tmp_path: Path) -> None:
    first = [*HEADING, *entry(17, "95"), *entry(18, "84", 81)]
    later = [HEADING[0], "SENT 2026-03-14 11:35", HEADING[2], *entry(18, "115", 81), *entry(19, "12", 77)]
    batch, times = run(tmp_path, first, later)
    assert times == ["2026-03-14T09:30:00-04:00", "2026-03-14T09:41:00-04:00", "2026-03-14T11:23:00-04:00"]
    assert batch.report.reckoning.readings.all.repeat == 4
    assert batch.status == 0


def test_equal_entries_without_numbers_that_nobody_can_tell_apart_are_held(tmp_path: Path) -> None:
    first = [*HEADING, *entry(1, "2"), *entry(2, "1")]
    later = [HEADING[0], "SENT 2026-03-14 11:07", HEADING[2], *entry(2, "3"), *entry(3, "1")]
    batch, _ = run(tmp_path, first, later, number=False)
    assert rules(batch)["overlap-undecided"] >= 1
    assert batch.report.reckoning.readings.all.recorded == 8


def test_a_second_list_whose_heading_was_lost_is_not_dated_by_the_first(tmp_path: Path) -> None:
    batch, times = run(tmp_path, [*HEADING, *entry(17, "95"), *entry(18, "84"), *entry(18, "104"), *entry(19, "6")])
    assert times == ["2026-03-14T09:30:00-04:00", "2026-03-14T09:41:00-04:00"]
    assert rules(batch)["anchor-missing"] == 2


def test_an_association_must_cover_the_whole_minute(tmp_path: Path) -> None:
    """An age of 95 minutes may be up to a minute older, and the list was sent within the minute stated."""
    mapping = (MAPPINGS / "listing-example.toml").read_text("utf-8")
    mapping = mapping.replace('[patient]\ncolumn = "patient"', "[patient]").replace("pattern = '\\d{8}'\n", "", 1)
    (tmp_path / "mapping.toml").write_text(mapping, "utf-8")
    (tmp_path / "a.txt").write_text("\n".join([*HEADING, *entry(17, "95"), ""]), "utf-8")
    for start, held in (("09:20:00", 0), ("09:29:30", 4)):
        listed = f"device,patient,from,to,established,by\nSC-1042,00482913,2026-03-14T{start}-04:00,,scan,N1\n"
        (tmp_path / "who.csv").write_text(listed, "utf-8")
        batch = convert(
            [tmp_path / "a.txt"], tmp_path / "mapping.toml", tmp_path / f"out{held}",
            associations=tmp_path / "who.csv", received=RECEIVED,
        )  # fmt: skip
        assert batch.report.reckoning.readings.all.held == held, start


def test_a_framed_capture_is_reckoned_in_bytes(tmp_path: Path) -> None:
    def frame(number: int, record: str) -> bytes:
        body = f"{number}{record}\r".encode() + b"\x03"
        return b"\x02" + body + f"{sum(body) % 256:02X}".encode() + b"\r\n"

    good = frame(2, "R|17|00482913|2026-03-14 09:30:10|128|76|93|72|98|36.9")
    bad = good.replace(b"|72|", b"|73|")
    data = frame(1, "H|SC-1042|2026-03-14 11:05:30|ADULT") + bad + b"\x15" + good + b"??" + frame(3, "M|BATTERY LOW")
    (tmp_path / "a.cap").write_bytes(data)
    batch = convert(
        [tmp_path / "a.cap"], MAPPINGS / "framed-example.toml", tmp_path / "out", as_="both", received=RECEIVED
    )
    lines, readings = batch.report.reckoning.lines, batch.report.reckoning.readings
    assert (lines.unit, lines.total, lines.adds_up) == ("byte", len(data), True)
    assert (readings.all.recorded, readings.all.unreadable, readings.adds_up) == (6, 0, True)
    assert rules(batch) == {"frame-checksum": 1, "frame-noise": 1, "monitor-event": 1}
    assert b"|73|" not in b"".join(path.read_bytes() for path in (tmp_path / "out" / "oru").iterdir())


def test_what_waits_is_read_with_the_columns_of_the_mapping_as_it_is_now(tmp_path: Path) -> None:
    """A corrected mapping may order the parts of a record in another way: no value may slip under another name."""
    mapping = (MAPPINGS / "listing-example.toml").read_text("utf-8")
    (tmp_path / "a.toml").write_text(mapping, "utf-8")
    blocks = mapping.split("[[listing.records]]")
    entries = [at for at, part in enumerate(blocks) if 'use = "entry"' in part or 'use = "part"' in part]
    for left, right in zip(entries, reversed(entries), strict=True):
        if left < right:
            blocks[left], blocks[right] = blocks[right], blocks[left]
    other = "[[listing.records]]".join(blocks)
    (tmp_path / "b.toml").write_text(other, "utf-8")
    (tmp_path / "a.txt").write_text("\n".join([*HEADING, *entry(17, "95", pulse=720), ""]), "utf-8")
    ledger = tmp_path / "l.db"
    convert([tmp_path / "a.txt"], tmp_path / "a.toml", tmp_path / "one", received=RECEIVED, ledger=ledger)
    with open_ledger(ledger) as opened:
        (hold,) = opened.holds()
        opened.settle([hold.id], "confirm", "", "N. Ole", "seen", at=hold.opened_at)
    convert([], tmp_path / "b.toml", tmp_path / "two", received=RECEIVED, ledger=ledger)
    found = [record for record in resources(tmp_path / "two") if record["resourceType"] == "Observation"]
    assert [int(record["valueQuantity"]["value"]) for record in found] == [720]


@pytest.mark.parametrize("number", [True, False])
def test_a_list_dumped_in_two_runs_gives_each_reading_once(tmp_path: Path, number: bool) -> None:
    """The second dump is sent 40 minutes and some seconds later, so that ages are rounded in another way."""
    mapping = (MAPPINGS / "listing-example.toml").read_text("utf-8")
    (tmp_path / "m.toml").write_text(mapping if number else mapping.replace('sequence = "number"', "#"), "utf-8")
    later = [HEADING[0], "SENT 2026-03-14 11:45", HEADING[2]]
    first, second = [*entry(17, "95"), *entry(18, "84", 80)], [*entry(17, "134"), *entry(18, "124", 80)]
    for name, lines in (("a", [*HEADING, *first]), ("b", [*later, *second, *entry(19, "20", 90)])):
        (tmp_path / f"{name}.txt").write_text("\n".join([*lines, ""]), "utf-8")
        convert([tmp_path / f"{name}.txt"], tmp_path / "m.toml", tmp_path / name, received=RECEIVED,
                ledger=tmp_path / "l.db")  # fmt: skip
    found = [
        record for name in "ab" for record in resources(tmp_path / name) if record["resourceType"] == "Observation"
    ]
    rates = sorted(int(record["valueQuantity"]["value"]) for record in found if "valueQuantity" in record)
    assert rates == [72, 80, 90]
    assert len(found) == 6
