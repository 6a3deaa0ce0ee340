"""Clocks of monitors from export to records: policies, resets, repeats, workers, capture and a stated time."""

from __future__ import annotations

import json
from base64 import b64encode
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.conversion.batch import Batch
from gateway.errors import UsageError
from gateway.ledger import open_ledger
from gateway.report import text as report_text
from tests.conversion.conversion_kit import (
    LONG,
    LONG_HEADER,
    WIDE,
    WIDE_HEADER,
    findings,
    observations,
    oru_messages,
    run,
    written,
)

HEADER = f"{WIDE_HEADER},Shown,True"


def mapping(base: str = WIDE, policy: str = "correct", limit: int = 60, order: str = "oldest-first") -> str:
    table = f"""[time.clock]
columns = ["Shown"]
reference = "columns"
reference_columns = ["True"]
policy = "{policy}"
limit_minutes = {limit}
order = "{order}"

[patient]"""
    return base.replace("[patient]", table)


RESETS = WIDE.replace("[patient]", '[time.clock]\norder = "oldest-first"\n\n[patient]')


def row(at: str, shown: str = "10:07", true: str = "10:00", *, device: str = "M1", pulse: int = 64) -> str:
    day = "" if "-" in at else "2026-03-14 "
    return f"{day}{at},P-0007,{device},,,{pulse},,,,2026-03-14 {shown},2026-03-14 {true}"


def converted(tmp: Path, rows: list[str], chosen: str, out: str = "out", header: str = HEADER, **options: Any) -> Batch:
    export = tmp / f"{out}.csv"
    export.write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    return run(tmp, [export], chosen, out, **{"as_": "both", "verify": "full", **options})


def times(folder: Path) -> list[str]:
    return [each["effectiveDateTime"][:16] for each in observations(folder) if "category" in each]


def told(folder: Path) -> list[tuple[str, int]]:
    return [(each["rule"], int(each["line"])) for each in findings(folder)]


@pytest.mark.parametrize(
    ("policy", "limit", "recorded", "rules", "state"),
    [
        ("correct", 60, ["2026-03-14T09:23", "2026-03-14T09:33"], [], "corrected"),
        ("report", 60, ["2026-03-14T09:30", "2026-03-14T09:40"], [], "left"),
        ("hold", 60, ["2026-03-14T09:30", "2026-03-14T09:40"], [], "left"),
        ("correct", 5, [], ["clock-beyond-limit"] * 2, "held"),
        ("report", 5, ["2026-03-14T09:30", "2026-03-14T09:40"], ["clock-out-of-step"], "left"),
        ("hold", 5, [], ["clock-beyond-limit"] * 2, "held"),
    ],
)
def test_policies(
    with_page: None, tmp_path: Path, policy: str, limit: int, recorded: list[str], rules: list[str], state: str
) -> None:
    batch = converted(tmp_path, [row("09:30"), row("09:40")], mapping(policy=policy, limit=limit))
    assert times(tmp_path / "out") == recorded
    assert [rule for rule, _ in told(tmp_path / "out")] == rules
    (clock,) = batch.report.clocks.listed
    assert (clock.device, clock.offset, clock.state, clock.beyond) == ("M1", 420, state, limit == 5)
    assert (clock.shown, clock.reference) == ("2026-03-14T10:07:00-05:00", "2026-03-14T10:00:00-05:00")
    assert f"1 list with a clock looked at: 1 {'left as it is' if state == 'left' else state}" in report_text(
        batch.report
    )
    page = (tmp_path / "out" / "report.html").read_text()
    assert '<section id="clocks"' in page
    assert "+7 min" in page
    assert json.loads((tmp_path / "out" / "report.json").read_text())["clocks"]["count"] == 1


def test_the_message_shows_both_times(tmp_path: Path) -> None:
    """The layout is that of IHE change proposal CP-PCD-081; in 2.6 the type is DTM."""
    newer = mapping() + '\n[output.oru]\nversion = "2.6"\n'
    converted(tmp_path, [row("09:30")], newer)
    (message,) = oru_messages(tmp_path / "out")
    clock, pulse = message.segments("OBX")
    assert str(clock) == ("OBX|1|DTM|67975^MDC_ATTR_TIME_ABS^MDC|1.0.0.1|202603141007||||||R|||202603141000-0500")
    assert (str(pulse[1]), str(pulse[14])) == ("2", "202603140923-0500")
    assert "7 min ahead; times were corrected" in str(message.segments("NTE")[0][3])


def test_without_a_clock_nothing_is_said_of_one(tmp_path: Path) -> None:
    batch = converted(tmp_path, [row("09:30")], WIDE)
    assert batch.report.clocks.count == 0
    assert "67975" not in b"".join(written(tmp_path / "out").values()).decode()
    assert "clock looked at" not in report_text(batch.report)
    assert 'id="clocks"' not in (tmp_path / "out" / "report.html").read_text()


@pytest.mark.parametrize(
    ("rows", "rule", "lines"),
    [
        (["11:30", "11:40", "09:30", "09:40"], "clock-reset-since", [2, 3]),
        (["09:30", "2000-01-01 00:10", "09:40"], "clock-reset-since", [2]),
        (["2026-03-12 00:00", "2026-03-13 00:00", "2026-03-14 00:00"], "clock-not-running", [2, 3, 4]),
        (["12:30"], "clock-reset-since", [2]),
    ],
)
@pytest.mark.parametrize("newest_first", [False, True])
def test_resets(tmp_path: Path, rows: list[str], rule: str, lines: list[int], newest_first: bool) -> None:
    listed = [row(at) for at in rows]
    if newest_first:
        listed.reverse()
        lines = sorted(len(rows) + 3 - line for line in lines)
    batch = converted(tmp_path, listed, mapping(order="newest-first" if newest_first else "oldest-first"))
    assert [line for found, line in told(tmp_path / "out") if found == rule] == lines
    assert batch.report.clocks.listed[0].reset is (rule == "clock-reset-since")
    assert batch.report.clocks.listed[0].stopped is (rule == "clock-not-running")
    held = batch.report.reckoning.readings.all.held
    assert held == len(lines) + sum("2000" in at for at in rows)


def test_resets_alone(tmp_path: Path) -> None:
    """Without the monitor's own time nothing is measured, and what stands before a reset is held all the same."""
    batch = converted(tmp_path, [row("11:30"), row("09:30"), row("09:40")], RESETS)
    assert times(tmp_path / "out") == ["2026-03-14T09:30", "2026-03-14T09:40"]
    assert told(tmp_path / "out") == [("clock-reset-since", 2)]
    assert batch.report.clocks.listed[0].state == "not-compared"


def test_monitors_are_kept_apart_however_their_rows_are_mixed(tmp_path: Path) -> None:
    """A list of several monitors, sorted by time: the one that was reset is found, the others are not held."""
    rows = [row("11:30", device="M1"), row("09:20", device="M2"), row("09:30", device="M1"), row("09:25", device="M2")]
    converted(tmp_path, rows, mapping())
    assert told(tmp_path / "out") == [("clock-reset-since", 2)]
    assert len(times(tmp_path / "out")) == 3


def test_rows_of_one_set_are_one_entry(tmp_path: Path) -> None:
    """Long layout: three rows of one set at midnight are one entry, and no sign of a clock that does not run."""
    rows = [f"2026-03-14 00:00;P-7;M1;{what};{value};{unit};2026-03-14 10:07;2026-03-14 10:00" for what, value, unit in
            (("HR", 64, "/min"), ("SpO2", 97, "%"), ("Temp", "36.8", "C"))]  # fmt: skip
    converted(tmp_path, rows, mapping(LONG), header=f"{LONG_HEADER};Shown;True")
    assert told(tmp_path / "out") == []
    assert set(times(tmp_path / "out")) == {"2026-03-13T23:53"}


def test_the_same_list_compared_by_another_host_is_a_repeat(tmp_path: Path) -> None:
    """Source: HL7 Personal Health Device guide: identifiers are made of the device's time, never of the corrected."""
    for name, true in (("a", "10:00"), ("b", "09:58")):
        lines = [HEADER, row("09:30", true=true), row("09:40", true=true), ""]
        (tmp_path / f"{name}.csv").write_text("\n".join(lines), encoding="utf-8")
    both = [tmp_path / "a.csv", tmp_path / "b.csv"]
    batch = run(tmp_path, both, mapping(), as_="both")
    assert (batch.report.reckoning.readings.all.recorded, batch.report.reckoning.readings.all.repeat) == (2, 2)
    assert times(tmp_path / "out") == ["2026-03-14T09:23", "2026-03-14T09:33"]
    # And on its own, by the other host, or without a word about clocks, it has the same identifiers.
    run(tmp_path, both[1:], mapping(), "other")
    run(tmp_path, both[1:], WIDE, "without")
    names = [
        [each["identifier"][0]["value"] for each in observations(tmp_path / out) if "category" in each]
        for out in ("out", "other", "without")
    ]
    assert names[0] == names[1] == names[2]


@pytest.mark.parametrize(("bundle", "order"), [("transaction", "oldest-first"), ("ndjson", "newest-first")])
def test_a_reset_that_shows_blocks_later(tmp_path: Path, bundle: str, order: str) -> None:
    """The same list in one block, in three, and in three by three workers: the older side is the same."""
    rows = [row(f"{9 + n // 60:02}:{n % 60:02}", "14:00", "13:45", pulse=60 + n % 40) for n in range(240)]
    rows[150:150] = [row("18:30", "14:00", "13:45")]
    rows = rows[::-1] if order == "newest-first" else rows
    chosen = mapping(order=order)
    converted(tmp_path, rows, chosen, "one", bundle=bundle, verify="sample")
    held = [line for rule, line in told(tmp_path / "one") if rule == "clock-reset-since"]
    assert held == (list(range(2, 153)) if order == "oldest-first" else list(range(92, 243)))
    # 240 rows of 5,000 characters are three blocks of half a mebibyte.
    long = [f"{each},{'x' * 5000}" for each in rows]
    for workers in (1, 3):
        converted(tmp_path, long, chosen, f"by-{workers}", f"{HEADER},Pad", bundle=bundle, verify="sample",
                  workers=workers)  # fmt: skip
        assert told(tmp_path / f"by-{workers}") == told(tmp_path / "one")
        assert sorted(times(tmp_path / f"by-{workers}")) == sorted(times(tmp_path / "one"))
    assert written(tmp_path / "by-1") == written(tmp_path / "by-3")
    files = [name for name in written(tmp_path / "by-1") if name.endswith(".hl7")]
    assert len(files) == (2 if order == "oldest-first" else 1), "the other blocks hold older entries alone"


LISTING = r"""
title = "A list"
version = "1"
form = "listing"
namespace = "https://kit.example.org/readings"

[[listing.records]]
use = "header"
pattern = 'MONITOR (?P<monitor>\S+) SET TO (?P<shown>\d\d:\d\d:\d\d \d\d-\d\d-\d{4})'

[[listing.records]]
use = "entry"
pattern = '(?P<when>\d{4}-\d\d-\d\d \d\d:\d\d) +(?P<patient>\S+) +PR (?P<pulse>\d+)'

[time]
columns = ["when"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/Chicago"
past_days = "any"

[time.clock]
columns = ["shown"]
formats = ["%H:%M:%S %d-%m-%Y"]
reference = "capture"
policy = "correct"
limit_minutes = 30
order = "newest-first"

[patient]
column = "patient"
pattern = "any"
system = "https://kit.example.org/patients"

[device]
column = "monitor"
system = "https://kit.example.org/monitors"

[vitals.heart_rate]
column = "pulse"
unit = "/min"
"""
LIST = b"MONITOR M1 SET TO 10:07:30 14-03-2026\r\n2026-03-14 09:50 P-1 PR 64\r\n2026-03-14 09:30 P-2 PR 66\r\n"


def capture(file: Path, at: str) -> Path:
    lines = [
        {"capture": "spot-check serial capture 1", "port": "p", "started": at, "settings": {}},
        {"at": at, "bytes": b64encode(LIST).decode()},
    ]
    file.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="ascii")
    return file


def test_a_capture_knows_the_true_time(tmp_path: Path) -> None:
    """Two hosts, whose clocks are 20 seconds apart, capture the same list."""
    first = capture(tmp_path / "first.cap", "2026-03-14T10:00:10.5-05:00")
    second = capture(tmp_path / "second.cap", "2026-03-14T15:00:30+00:00")
    batch = run(tmp_path, [first, second], LISTING, as_="both", verify="full")
    # 09:50 less 7 min 20 s is 09:42:40, in the minute 09:42.
    assert times(tmp_path / "out") == ["2026-03-14T09:42", "2026-03-14T09:22"]
    assert batch.report.reckoning.readings.all.repeat == 2
    assert [each.offset for each in batch.report.clocks.listed] == [440, 420]
    assert batch.report.clocks.listed[1].reference == "2026-03-14T10:00:30-05:00"
    (tmp_path / "plain.txt").write_bytes(LIST)
    plain = run(tmp_path, [tmp_path / "plain.txt"], LISTING, "plain")
    assert plain.report.clocks.listed[0].state == "unknown"
    assert {rule for rule, _ in told(tmp_path / "plain")} == {"clock-unknown"}


def test_a_time_may_be_stated(tmp_path: Path) -> None:
    stated = mapping().replace('reference = "columns"\nreference_columns = ["True"]', 'reference = "given"')
    sent = datetime.fromisoformat("2026-03-14T10:00:00-05:00")
    converted(tmp_path, [row("09:30")], stated, sent=sent)
    assert times(tmp_path / "out") == ["2026-03-14T09:23"]
    with pytest.raises(UsageError, match="needs --sent"):
        converted(tmp_path, [row("09:30")], stated, "again")
    with pytest.raises(UsageError, match="does not use --sent"):
        converted(tmp_path, [row("09:30")], mapping(), "third", sent=sent)


def test_an_association_is_asked_for_the_corrected_time_and_all_it_leaves_open(tmp_path: Path) -> None:
    chosen = mapping().replace('column = "Who"\n', "")
    known = tmp_path / "who.csv"
    base = "device,patient,from,to,established,by\n"
    for until, rules in (("09:25", []), ("09:23", ["association-edge"])):
        known.write_text(
            f"{base}M1,P-1,2026-03-14T08:00-05:00,2026-03-14T{until}-05:00,2026-03-14T08:00-05:00,A\n", encoding="utf-8"
        )
        converted(tmp_path, [row("09:30")], chosen, f"until-{until[-2:]}", associations=known)
        assert [rule for rule, _ in told(tmp_path / f"until-{until[-2:]}")] == rules


class TestTimeOfARecordedSet:
    """A set has one time in all its records: what comes later under another one waits for a person."""

    def _night(self, tmp: Path, name: str, chosen: str, row_: str, header: str = HEADER) -> Batch:
        export = tmp / f"{name}.csv"
        export.write_text("\n".join([header, row_, ""]), encoding="utf-8")
        return run(tmp, [export], chosen, name, as_="both", ledger=tmp / "ward.ledger")

    def _times(self, tmp: Path) -> list[tuple[int, int, str]]:
        with open_ledger(tmp / "ward.ledger", readonly=True) as ledger:
            return [(each.epoch - each.wall, each.revision, each.readings) for each in ledger.sets()]

    @pytest.mark.parametrize("corrections", ["hold", "accept"])
    @pytest.mark.parametrize("change", ["the clock is not corrected any more", "another zone"])
    def test_an_addition_under_another_time_is_held(self, tmp_path: Path, change: str, corrections: str) -> None:
        accept = WIDE.replace('version = "1"', f'version = "1"\ncorrections = "{corrections}"')
        first, later, header = mapping(accept), accept, HEADER
        if change == "another zone":
            first, header = accept, WIDE_HEADER
            later = accept.replace("America/Chicago", "America/New_York")
        plain = "2026-03-14 09:30,P-0007,M1,,,64,,,"
        tail = ",2026-03-14 10:07,2026-03-14 10:00" if header == HEADER else ""
        self._night(tmp_path, "one", first, plain + tail, header)
        before = self._times(tmp_path)
        warmer = plain.replace(",,,64,,,", ",,,64,,36.8,")
        batch = self._night(tmp_path, "two", later, warmer, WIDE_HEADER)
        assert self._times(tmp_path) == before
        assert told(tmp_path / "two") == [("same-identity-other-content", 2), ("repeat-of-earlier-run", 2)]
        assert "at another time" in findings(tmp_path / "two")[0]["message"]
        assert batch.report.reckoning.readings.all.held == 1
