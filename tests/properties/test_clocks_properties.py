"""What must be true of any list by any clock."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.conversion.clocks import survey
from gateway.conversion.options import Options
from gateway.mapping.model import Clock, Mapping, Time
from gateway.model import Block
from gateway.normalise.clocks import ClockReader, Dump, Succession

START = datetime(2026, 6, 1, tzinfo=UTC)
FORM = "%Y-%m-%d %H:%M:%S"


def reader(form: str) -> ClockReader:
    clock = Clock(
        columns=["c"], formats=[FORM], reference="columns", reference_columns=["r"], reference_formats=[FORM],
        policy="correct", limit_minutes=525_600, order="oldest-first",
    )  # fmt: skip
    return ClockReader(Time(columns=["t"], formats=[form], zone="UTC", clock=clock), None, None)


def text(seconds: int, form: str = FORM) -> str:
    return (START + timedelta(seconds=seconds)).strftime(form)


@given(
    entry=st.integers(0, 10**7),
    dump=st.integers(0, 10**7),
    offset=st.integers(-(10**7), 10**7),
    minutes=st.booleans(),
)
def test_the_corrected_instant_is_the_monitors_less_the_offset(
    entry: int, dump: int, offset: int, minutes: bool
) -> None:
    form = "%Y-%m-%d %H:%M" if minutes else FORM
    made = reader(form)
    standing = made.compare(Dump("M1", text(dump + offset), text(dump)))
    own = made.times.read(text(entry + offset, form))
    moment = made.settle(own, standing)
    assert standing.offset == offset
    assert moment.own is not None
    assert (moment.own.fhir, moment.own.epoch) == (own.fhir, own.epoch), "the monitor's own time is kept"
    exact = own.epoch - offset
    assert moment.epoch == (exact - exact % 60 if minutes else exact)
    assert datetime.fromisoformat(moment.fhir).timestamp() == moment.epoch
    begin = moment.epoch - moment.own.early if offset else moment.epoch
    assert begin <= int(START.timestamp()) + entry < begin + (moment.own.width or 60), "the true instant lies within"


@given(st.lists(st.integers(0, 40_000), max_size=12), st.integers(0, 40_000) | st.none(), st.booleans())
def test_the_older_side_against_the_rule_word_by_word(times: list[int], shown: int | None, newest: bool) -> None:
    """An entry is older when, from it on, two neighbours run backwards, or one is later than the monitor's own time."""
    made = reader(FORM)
    list_of = times[::-1] if newest else times
    own = made.times.read("" if shown is None else text(shown))
    succession = Succession(newest, own)
    for line, each in enumerate(list_of, 1):
        succession.add(line, made.times.read(text(each)))
    found = [succession.older().holds(line) is not None for line in range(1, len(times) + 1)]
    expected = [
        any(times[i] - times[i + 1] > 1 for i in range(at, len(times) - 1))
        or (shown is not None and any(each - shown > 1 for each in times[at:]))
        for at in range(len(times))
    ]
    assert (found[::-1] if newest else found) == expected


CSV = {
    "title": "T", "version": "1", "form": "delimited", "namespace": "https://example.org/n",
    "delimited": {"layout": "wide"},
    "time": {
        "columns": ["t"], "formats": [FORM], "zone": "UTC",
        "clock": {"columns": ["c"], "reference": "columns", "reference_columns": ["r"], "policy": "correct",
                  "limit_minutes": 60, "order": "oldest-first"},
    },
    "patient": {"column": "p", "system": "https://example.org/p"}, "device": {"column": "d"},
    "vitals": {"heart_rate": {"column": "hr", "unit": "/min"}},
}  # fmt: skip
MAPPING = Mapping.model_validate(CSV)
FIELDS = ("t", "c", "r", "p", "d", "hr")


def blocks(rows: list[str], cuts: set[int]) -> Iterator[Block]:
    """The rows as blocks, cut where it is said; line 1 is the header."""
    bounds = [0, *sorted(cut for cut in cuts if 0 < cut < len(rows)), len(rows)]
    for number, (start, end) in enumerate(itertools.pairwise(bounds), 1):
        yield Block(1, number, FIELDS, "".join(f"{row}\n" for row in rows[start:end]), start + 2)


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 9000), st.sampled_from("ab"), st.sampled_from([0, 3600])), max_size=14),
    st.sets(st.integers(1, 14)),
)
def test_where_blocks_are_cut_changes_nothing(entries: list[tuple[int, str, int]], cuts: set[int]) -> None:
    rows = [f"{text(at)},{text(8000 + dump)},{text(8000)},P,{device},60" for at, device, dump in entries]
    whole = survey(MAPPING, Options(), [(1, blocks(rows, set()))])
    assert survey(MAPPING, Options(), [(1, blocks(rows, cuts))]) == whole
    assert whole.lists == len({(device, dump) for _, device, dump in entries})
