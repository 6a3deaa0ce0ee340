"""Who was on a device: the file of associations, and the one patient of a moment."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from random import Random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.errors import InputError
from gateway.identity import Association, Associations, load_associations

HEADER = "device,patient,from,to,established,by\n"
GOOD = HEADER + (
    "SC-1,00012345,2026-03-14T09:00:00-05:00,2026-03-14T10:00:00-05:00,scan,N1\n"
    "SC-1,00067890,2026-03-14T10:00:00-05:00,2026-03-14T11:00-05:00,scan,N1\n"
    "SC-2,00012345,2026-03-14T09:00:00Z,,typed,\n"
)


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


def write(folder: Path, text: str | bytes) -> Path:
    file = folder / "who.csv"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    return file


def refusal(folder: Path, text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        load_associations(write(folder, text))
    return caught.value


@pytest.mark.parametrize(
    ("device", "time", "width", "patient", "rule"),
    [
        ("SC-1", "2026-03-14T08:59:59-05:00", 1, "", "association-none"),
        ("SC-1", "2026-03-14T09:00:00-05:00", 1, "00012345", ""),
        ("SC-1", "2026-03-14T09:59:00-05:00", 60, "00012345", ""),
        ("SC-1", "2026-03-14T10:00:00-05:00", 60, "00067890", ""),
        ("SC-1", "2026-03-14T15:30:00+00:00", 1, "00067890", ""),
        ("SC-1", "2026-03-14T09:59:30-05:00", 60, "", "association-edge"),
        ("SC-1", "2026-03-14T08:59:30-05:00", 60, "", "association-edge"),
        ("SC-1", "2026-03-14T11:00:00-05:00", 1, "", "association-none"),
        ("SC-1", "2026-03-14T00:00:00-05:00", 86400, "", "association-edge"),
        ("SC-2", "2026-03-14T08:59:59+00:00", 1, "", "association-none"),
        ("SC-2", "2041-01-01T00:00:00+00:00", 86400, "00012345", ""),
        ("SC-3", "2026-03-14T09:30:00-05:00", 1, "", "association-none"),
        ("sc-1", "2026-03-14T09:30:00-05:00", 1, "", "association-none"),
    ],
)
def test_find(tmp_path: Path, device: str, time: str, width: int, patient: str, rule: str) -> None:
    found = load_associations(write(tmp_path, GOOD)).find(device, at(time), width)
    assert (found.patient, found.rule) == (patient, rule)
    assert bool(found.message) == bool(rule)


def test_two_patients_at_once_are_nobody(tmp_path: Path) -> None:
    both = load_associations(write(tmp_path, GOOD + "SC-1,777,2026-03-14T09:30Z,2026-03-14T14:10:00Z,scan,N2\n"))
    assert both.find("SC-1", at("2026-03-14T14:05:00Z"), 1).rule == "association-several"
    assert both.find("SC-1", at("2026-03-14T14:09:30Z"), 60).rule == "association-edge"
    assert both.find("SC-1", at("2026-03-14T14:10:00Z"), 60).patient == "00012345"


def test_one_patient_twice_is_one_patient() -> None:
    found = Associations([Association("d", "p", 0, 20_000_000), Association("d", "p", 10_000_000, 30_000_000)])
    assert found.find("d", 9, 2).patient == "p"
    assert found.find("d", 15, 1).patient == "p"
    assert found.find("d", 29, 2).rule == "association-edge"


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_spreadsheets_of_other_countries(tmp_path: Path, delimiter: str) -> None:
    text = "\ufeff" + GOOD.replace(",", delimiter).replace("\n", "\r\n")
    assert load_associations(write(tmp_path, text)).find("SC-1", at("2026-03-14T09:30:00-05:00"), 1).patient


def test_order_of_columns_more_columns_and_blank_lines(tmp_path: Path) -> None:
    text = 'ward,by,to,from,patient,device,established\n\n3,N1,,2026-03-14 09:00:00+01:00," 0042 ",SC-9,scan\n\n'
    found = load_associations(write(tmp_path, text))
    assert found.find("SC-9", at("2026-03-14T08:00:00Z"), 1).patient == "0042"
    assert len(found) == 1
    assert len(found.sha256) == 64


FAULTS = {
    "no device": (" ,p,2026-03-14T09:00Z,,s,b", "device is empty"),
    "no patient": ("d,,2026-03-14T09:00Z,,s,b", "patient is empty"),
    "no start": ("d,p,,2026-03-14T09:00Z,s,b", "from is empty"),
    "start without offset": ("d,p,2026-03-14T09:00:00,,s,b", "from has no offset"),
    "date only": ("d,p,2026-03-14,,s,b", "from is not a time"),
    "other order": ("d,p,14.03.2026 09:00+01:00,,s,b", "from is not a time"),
    "week date": ("d,p,2026-W11-6T09:00+01:00,,s,b", "from is not a time"),
    "no such day": ("d,p,2026-02-30T09:00Z,,s,b", "from is a time that does not exist"),
    "no such offset": ("d,p,2026-03-14T09:00+99:00,,s,b", "from is a time that does not exist"),
    "end without offset": ("d,p,2026-03-14T09:00Z,2026-03-14T10:00,s,b", "to has no offset"),
    "end before start": ("d,p,2026-03-14T09:00Z,2026-03-14T09:30+01:00,s,b", "to is not after from"),
    "end is start": (
        "d,p,2026-03-14T09:00Z,2026-03-14T09:00Z,s,b",
        "to is not after from; a single set needs at least its minute",
    ),
    "cells missing": ("d,p,2026-03-14T09:00Z", "it has 3 cells and needs 6"),
}


@pytest.mark.parametrize(("line", "what"), FAULTS.values(), ids=FAULTS)
def test_fault_is_told_by_its_line(tmp_path: Path, line: str, what: str) -> None:
    error = refusal(tmp_path, GOOD + line + "\n")
    assert f"line 5: {what}" in error.what
    assert error.where.endswith("who.csv")


def test_all_faults_are_told_and_the_list_is_capped(tmp_path: Path) -> None:
    error = refusal(tmp_path, HEADER + "d,,2026-03-14T09:00Z,,s,b\n" * 30)
    assert error.what.startswith("30 lines")
    assert "line 2: " in error.what
    assert "line 21: " in error.what
    assert "line 22: " not in error.what
    assert "and 10 more" in error.what


def test_error_holds_no_identifier(tmp_path: Path) -> None:
    error = refusal(tmp_path, HEADER + "00012345,00012345,00012345,00012345,00012345,00012345\n" + "00012345\n")
    assert "00012345" not in str(error)


def test_open_quote(tmp_path: Path) -> None:
    assert "a quote is not closed" in refusal(tmp_path, GOOD + 'SC-1,"p,2026-03-14T09:00Z,,s,b\n').what


@pytest.mark.parametrize(
    ("header", "what"),
    [
        ("device,patient,from,established,by", "has no column to"),
        ("device,patient,from,to,to,established,by", "names the column to twice"),
        ("SC-1,0001,2026-03-14T09:00Z,,s,b", "has no column device, patient"),
        ("", "has no column device"),
    ],
)
def test_header(tmp_path: Path, header: str, what: str) -> None:
    error = refusal(tmp_path, header + "\n")
    assert what in error.what
    assert error.where.endswith("who.csv, line 1")
    assert HEADER.strip() in error.todo


def test_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_associations(tmp_path / "nowhere.csv")
    with pytest.raises(InputError, match="folder"):
        load_associations(tmp_path)
    assert refusal(tmp_path, GOOD.encode() + b"SC-1,\xff\n").where.endswith("who.csv, line 5")


@pytest.mark.parametrize(
    ("intervals", "patient", "rule", "message"),
    [
        # Validated half-way, by a second entry or by one beside it: somebody is sure of a part only.
        ("a 0-10? a 10-20", "", "association-unvalidated", "1 patient is associated"),
        ("a 0-20? a 10-20", "", "association-unvalidated", "1 patient is associated"),
        ("a 0-10 a 10-20?", "", "association-unvalidated", "1 patient is associated"),
        ("a 0-10? a 10-20?", "", "association-unvalidated", "1 patient is associated"),
        ("a 0-10 a 10-20", "a", "", ""),
        # Nobody, for a part of it.
        ("a 0-9? a 10-20?", "", "association-edge", "1 patient or nobody can be meant"),
        ("a 0-9 a 10-20", "", "association-edge", "1 patient or nobody can be meant"),
        # One after the other; that nobody validated either of them does not make them one.
        ("a 0-10? b 10-20?", "", "association-edge", "2 patients can be meant"),
        ("a 0-10? b 10-20", "", "association-edge", "2 patients can be meant"),
        ("a 0-10 b 10-20?", "", "association-edge", "2 patients can be meant"),
        ("a 0-10? b 10-11? c 11-20?", "", "association-edge", "3 patients can be meant"),
        ("a 0-10? b 10-11? a 11-20?", "", "association-edge", "2 patients can be meant"),
        # Two at once the whole time, whoever they are.
        ("a 0-20 b 0-10 c 10-20", "", "association-several", "3 patients are associated"),
        ("a 0-10 b 0-10 c 10-20 d 10-20", "", "association-several", "4 patients are associated"),
        ("a 0-10? b 0-10 a 10-20 b 10-20?", "", "association-several", "2 patients are associated"),
        ("a 0-20 b 0-10", "", "association-edge", "2 patients can be meant"),
    ],
)
def test_a_change_within_the_moment(intervals: str, patient: str, rule: str, message: str) -> None:
    """The moment is 5 to 15; an interval with a question mark is validated by nobody."""
    words = intervals.split()
    held = []
    for who, span in zip(words[::2], words[1::2], strict=True):
        start, end = (int(number) * 1_000_000 for number in span.rstrip("?").split("-"))
        held.append(Association("d", who, start, end, "", not span.endswith("?")))
    found = Associations(held).find("d", 5, 10)
    assert (found.patient, found.rule) == (patient, rule)
    assert message in found.message
    assert bool(message) == bool(found.message)


Interval = tuple[str, int, int | None, bool]
WHO, SURE = st.sampled_from("abc"), st.booleans()


@st.composite
def following(draw: st.DrawFn) -> list[Interval]:
    """One after the other, each from the second in which the one before ends."""
    start = draw(st.integers(0, 4))
    held: list[Interval] = []
    for _ in range(draw(st.integers(2, 4))):
        length = draw(st.integers(1, 5))
        held.append((draw(WHO), start, length, draw(SURE)))
        start += length
    return held


ANYHOW = st.lists(st.tuples(WHO, st.integers(0, 6), st.sampled_from((1, 2, 3, 4, 5, None)), SURE), max_size=7)


@example([("a", 0, 19, False), ("b", 19, 15, False)], 12, 8, Random(0))
@example([("a", 0, 19, False), ("a", 19, 15, True)], 12, 8, Random(0))
@example([("a", 0, 9, True), ("b", 0, 9, True), ("b", 9, 9, True), ("c", 9, 9, True)], 5, 8, Random(0))
@settings(max_examples=400)
@given(ANYHOW | following(), st.integers(-2, 12), st.integers(1, 6), st.randoms())
def test_find_agrees_with_looking_at_every_second(
    intervals: list[Interval], epoch: int, width: int, random: Random
) -> None:
    held = [
        Association("d", who, start * 1_000_000, None if length is None else (start + length) * 1_000_000, "", sure)
        for who, start, length, sure in intervals
    ]
    shuffled = held.copy()
    random.shuffle(shuffled)
    found = Associations(held).find("d", epoch, width)
    assert Associations(shuffled).find("d", epoch, width) == found
    seconds = []
    for second in range(epoch, epoch + width):
        there = [each for each in intervals if each[1] <= second and (each[2] is None or second < each[1] + each[2])]
        seconds.append(({each[0] for each in there}, {each[0] for each in there if each[3]}))
    everybody = {who for present, _ in seconds for who in present}
    count = "1 patient " if len(everybody) == 1 else f"{len(everybody)} patients "
    if not everybody:
        assert (found.patient, found.rule) == ("", "association-none")
        assert found.message.startswith("No patient ")
    elif all(len(present) > 1 for present, _ in seconds):
        assert (found.patient, found.rule) == ("", "association-several")
        assert found.message.startswith(count)
    elif len(everybody) == 1 and all(sure for _, sure in seconds):
        assert (found.patient, found.rule) == (everybody.pop(), "")
    elif len(everybody) == 1 and all(present for present, _ in seconds):
        assert (found.patient, found.rule) == ("", "association-unvalidated")
        assert found.message.startswith(count)
    else:
        assert (found.patient, found.rule) == ("", "association-edge")
        assert f"; {count}" in found.message
        assert ("or nobody" in found.message) == any(not present for present, _ in seconds)


def test_patients_of_two_systems_are_two() -> None:
    found = Associations([Association("d", "1", 0, None, "urn:x:a"), Association("d", "1", 0, None, "urn:x:b")])
    assert found.find("d", 5, 1).message == "2 patients are associated with the device at that time"
    assert Associations([Association("d", "1", 0, None, "urn:x:a")]).find("d", 5, 1).system == "urn:x:a"
