"""The report: counts complete, listings capped and said to be, hostile text harmless, every form valid."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from html.parser import HTMLParser
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

import gateway.report
from gateway import vocabulary
from gateway.errors import OutputError
from gateway.files import WholeFile
from gateway.mapping.model import Plausibility
from gateway.model import Effect, Finding, LineKind, Outcome, Severity, Tally, Timeline
from gateway.report import (
    CAUTIONS,
    BatchInfo,
    ExportInfo,
    FindingsWriter,
    MappingInfo,
    Report,
    RuleInfo,
    WrittenFile,
    build,
    charts,
    operation_outcome,
    page,
    print_text,
    schema,
    text,
    write,
)
from gateway.report.model import BINS, DEVICE_WITHHELD, DEVICES_LISTED, device_shown, records_in_words, tidy, utc
from gateway.report.text import BYTE_TITLES, LINE_TITLES
from tests.disk import largest_file

pytestmark = pytest.mark.page

START = datetime(2026, 3, 9, 2, 0, tzinfo=UTC)
HOSTILE = "<script>alert(1)</script>\"'&\x1b[31m\u202egnp\nnext\ud800"
SECRET = "MRN-00471123"


def info(**changes: Any) -> BatchInfo:
    given: dict[str, Any] = {
        "gateway": "0.1.0",
        "mapping": MappingInfo(title="Ward monitors", version="3", file="north.toml", sha256="ab" * 32),
        "editions": {"LOINC": "an edition"},
        "started": START,
        "finished": START + timedelta(seconds=14.25),
    }
    return BatchInfo(**{**given, **changes})


def tally() -> Tally:
    """Two rows: one good, one with a value that was held."""
    counts = Tally()
    counts.lines.update({LineKind.HEADER: 1, LineKind.ENTRY: 2})
    counts.outcomes.update(
        {("systolic", Outcome.RECORDED): 2, ("spo2", Outcome.RECORDED): 1, ("spo2", Outcome.HELD): 1}
    )
    counts.sets = counts.recorded_sets = 2
    spo2, systolic = vocabulary.vitals()["spo2"], vocabulary.vitals()["systolic"]
    counts.values["spo2"] = Counter([spo2.bin(Fraction(97), "%")])
    counts.values["systolic"] = Counter(systolic.bin(Fraction(value), "mm[Hg]") for value in (118, 131))
    counts.timeline.add("D-1", int(START.timestamp()), 2)
    counts.note(finding())
    counts.records["Observation"] = 3
    return counts


def finding(**changes: Any) -> Finding:
    given: dict[str, Any] = {
        "rule": "undeclared-token",
        "severity": Severity.ERROR,
        "effect": Effect.HOLD,
        "message": '"NOSIG" is not declared',
        "export": 1,
        "line": 3,
        "column": "SpO2",
        "vital": "spo2",
    }
    return Finding(**{**given, **changes})


RULES = [
    RuleInfo(
        slug="undeclared-token",
        title="Text that is not declared",
        severity=Severity.ERROR,
        effect=Effect.HOLD,
        why="only the manual says what it means",
        todo="Declare it in the mapping",
    )
]
EXPORTS = [ExportInfo(name="a.csv", path=f"/in/{SECRET}/a.csv", sha256="cd" * 32, bytes=90, lines=3)]


def small() -> Report:
    return build(info(readings=4), tally(), EXPORTS, RULES)


def empty() -> Report:
    return build(info(), Tally(), [ExportInfo(name="empty.csv")])


def huge() -> Report:
    """Every listing over its cap, every text hostile."""
    counts = Tally()
    counts.lines.update(dict.fromkeys(LineKind, 2000000000))
    for key, vital in vocabulary.vitals().items():
        counts.outcomes.update({(key, outcome): 3_000_000_000 for outcome in Outcome})
        if vital.kind == "quantity":
            counts.values[key] = Counter({number: 10_000_000 + number for number in range(-1, BINS + 1)})
    counts.outcomes["", Outcome.UNREADABLE] = 5
    for number in range(60):
        for line in range(Tally.LISTED + 5):
            counts.note(finding(rule=f"rule-{number}", line=line + 1, column=HOSTILE, message=HOSTILE * 20))
    for number in range(DEVICES_LISTED + 17):
        counts.timeline.add(f"{HOSTILE}{number}", int(START.timestamp()) + number * 9000, number + 1)
    counts.records["=cmd|' /C calc'!A0"] = 7
    files = [WrittenFile(name=f"bundle-{number}.json", bytes=1) for number in range(90)]
    exports = [ExportInfo(name=f"{HOSTILE}{number}.csv", lines=20_000_000 * len(LineKind)) for number in range(100)]
    rules = [RuleInfo(slug="rule-1", title=HOSTILE, severity=Severity.FATAL, why=HOSTILE, todo=HOSTILE)]
    about = info(
        mapping=MappingInfo(title=HOSTILE, version=HOSTILE), files=files, options={HOSTILE: HOSTILE}, failure=""
    )
    return build(about, counts, exports, rules)


def framed(events: int = 2) -> Report:
    """A capture whose reckoning counts bytes: framing, events of the monitor and a frame that could not be read."""
    counts = tally()
    counts.lines = Counter(
        {LineKind.ENTRY: 20, LineKind.EVENT: 9, LineKind.FRAMING: 11, LineKind.UNREADABLE: 6, LineKind.FOOTER: 0}
    )
    frame = {"rule": "frame-checksum", "effect": Effect.NOTE, "column": "", "vital": "", "message": "the sum is wrong"}
    counts.note(finding(**frame, line=0, offset=34))
    counts.note(finding(**frame, line=1002, offset=40123))
    for number in range(events):
        about = {"rule": "monitor-event", "severity": Severity.INFORMATION, "effect": Effect.NOTE, "column": ""}
        counts.note(finding(**about, vital="", message=f"battery low {number}", line=number + 4, offset=number * 10))
    rules = [*RULES, RuleInfo(slug="monitor-event", title="About the monitor", severity=Severity.INFORMATION)]
    return build(info(readings=4, unit="byte"), counts, [ExportInfo(name="a.capture", bytes=200, lines=46)], rules)


@pytest.fixture(scope="module")
def framed_page() -> str:
    return page.html(framed(Tally.LISTED + 3))


@pytest.fixture(scope="module")
def huge_report() -> Report:
    return huge()


@pytest.fixture(scope="module")
def huge_page(huge_report: Report) -> str:
    return page.html(huge_report)


@pytest.fixture(scope="module")
def small_page() -> str:
    return page.html(small())


class Elements(HTMLParser):
    """A page as its tags, checked for balance while reading."""

    VOID = frozenset({"meta", "br", "link", "img", "input", "hr"})

    def __init__(self, source: str) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(source)
        self.close()
        assert not self._open, f"left open: {self._open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open[-1:] == [tag], f"</{tag}> closes {self._open[-1:]}"
        self._open.pop()

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] not in ("style",):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))

    def named(self, tag: str) -> Iterator[dict[str, str | None]]:
        return (attributes for name, attributes in self.found if name == tag)


# ---------------------------------------------------------------------------------------------- the model


def test_small_batch_adds_up() -> None:
    report = small()
    assert report.verdict.state == "attention"
    assert report.verdict.sentence.startswith("3 of 4 readings recorded; 1 reading held back.")
    assert report.exit_status == 1
    assert report.reckoning.lines.total == report.reckoning.lines.read == 3
    assert [(row.vital, row.recorded, row.held, row.total) for row in report.reckoning.readings.rows] == [
        ("systolic", 2, 0, 2),
        ("spo2", 1, 1, 2),
    ]
    assert report.reckoning.readings.all.total == report.reckoning.readings.found == 4
    assert report.rules[0].todo == "Declare it in the mapping"
    assert not report.rules[0].capped
    assert report.seconds == 14.25


def test_clean_batch() -> None:
    counts = Tally()
    counts.lines[LineKind.ENTRY] = 3
    counts.outcomes.update({("spo2", Outcome.RECORDED): 1, ("spo2", Outcome.REPEAT): 1, ("pain", Outcome.ABSENT): 1})
    report = build(info(), counts, EXPORTS)
    assert report.verdict.state == "clean"
    assert report.verdict.sentence == ("3 readings found and accounted for: 1 recorded, 1 repeat, 1 declared absent.")
    assert report.exit_status == 0


@pytest.mark.parametrize(
    ("changes", "lines", "says"),
    [
        ({}, 4, "lines do not add up: 4 read, 3 accounted for"),
        ({"readings": 5}, 3, "readings do not add up: 5 found, 4 accounted for"),
        ({"failure": "the disk is full."}, 3, "stopped before its end: the disk is full."),
    ],
)
def test_failed_batch(changes: dict[str, Any], lines: int, says: str) -> None:
    report = build(info(**changes), tally(), [ExportInfo(name="a.csv", lines=lines)], RULES)
    assert report.verdict.state == "failed"
    assert says in report.verdict.sentence
    assert report.exit_status == 2
    assert operation_outcome(report)["issue"][0]["severity"] == "fatal"


def test_empty_batch_is_not_called_clean() -> None:
    report = empty()
    assert report.verdict.state == "attention"
    assert report.reckoning.readings.all.total == 0
    assert report.exit_status == 0


def test_unreadable_line_alone_needs_attention() -> None:
    counts = tally()
    counts.outcomes = Counter({("spo2", Outcome.RECORDED): 1})
    counts.lines[LineKind.UNREADABLE] = 1
    report = build(info(), counts, [ExportInfo(name="a.csv", lines=4)], RULES)
    assert report.verdict.state == "attention"
    assert "1 line not readable" in report.verdict.sentence
    assert report.exit_status == 1


def test_error_without_a_held_reading_needs_attention() -> None:
    counts = tally()
    counts.outcomes = Counter({("spo2", Outcome.RECORDED): 1})
    assert build(info(), counts, EXPORTS, RULES).verdict.state == "attention"


def test_caps_never_touch_counts(huge_report: Report) -> None:
    assert huge_report.findings == 60 * (Tally.LISTED + 5)
    assert len(huge_report.rules) == 60
    assert all(found.count == Tally.LISTED + 5 and found.capped for found in huge_report.rules)
    assert all(len(found.places) == Tally.LISTED for found in huge_report.rules)
    assert huge_report.rules[0].rule == "rule-1", "the gravest comes first"
    assert huge_report.timeline.devices == DEVICES_LISTED + 17
    assert huge_report.timeline.sets == sum(range(1, DEVICES_LISTED + 18))
    assert huge_report.timeline.capped
    assert len(huge_report.timeline.listed) == DEVICES_LISTED
    assert huge_report.timeline.listed[0].sets == DEVICES_LISTED + 17
    assert huge_report.reckoning.readings.all.total == len(vocabulary.vitals()) * 5 * 3_000_000_000 + 5
    assert huge_report.reckoning.lines.adds_up


def test_outside_the_picture_is_counted(huge_report: Report) -> None:
    for spread in huge_report.values:
        assert (spread.below, spread.above) == (10_000_000 - 1, 10_000_000 + BINS)
        assert spread.count == spread.below + spread.above + sum(spread.bins)


def test_limits_come_from_the_vocabulary() -> None:
    by_vital = {spread.vital: spread for spread in small().values}
    shipped = vocabulary.limits("proposal", "unknown", "systolic")
    assert shipped is not None
    assert shipped.hold is not None
    drawn = by_vital["systolic"].hold
    assert drawn is not None
    assert (drawn.low, drawn.high) == tuple(float(end) for end in shipped.hold)
    assert by_vital["systolic"].source == shipped.source


def test_limits_of_the_mapping_take_their_place() -> None:
    own = Plausibility.model_validate({"limits": {"adult": {"systolic": {"hold": (Decimal(5), Decimal("555.5"))}}}})
    for category in ("adult", "unknown"):
        report = build(info(), tally(), EXPORTS, RULES, plausibility=own, category=category)
        drawn = next(spread for spread in report.values if spread.vital == "systolic")
        assert drawn.hold is not None
        assert (drawn.hold.low, drawn.hold.high) == (5, 555.5), category
        assert drawn.source.startswith("the mapping")
    child = build(info(), tally(), EXPORTS, RULES, plausibility=own, category="child")
    drawn = next(spread for spread in child.values if spread.vital == "systolic")
    assert drawn.hold is not None
    assert drawn.hold.high != 555.5


def test_rule_without_words_is_still_reported() -> None:
    report = build(info(), tally(), EXPORTS, [])
    assert (report.rules[0].title, report.rules[0].severity) == ("undeclared-token", Severity.ERROR)


@pytest.mark.parametrize("epoch", [-(10**15), 10**15])
def test_times_beyond_the_calendar(epoch: int) -> None:
    assert utc(epoch).year in (1, 9999)


def test_tidy() -> None:
    assert tidy("a\r\nb\tc") == "a b c"
    assert tidy("\x1b[31m\u202e\ud800") == "\ufffd[31m\ufffd\ufffd"
    cut = tidy("x" * 5000, 100)
    assert len(cut) == 100
    assert cut.endswith("… (5,000 characters)")


# ---------------------------------------------------------------------------------------------- bytes and events


def test_bytes_are_reckoned_as_bytes() -> None:
    report = framed()
    lines = report.reckoning.lines
    assert (lines.unit, lines.read, lines.total, lines.adds_up) == ("byte", 46, 46, True)
    assert small().reckoning.lines.unit == "line"
    assert "6 bytes not readable" in report.verdict.sentence
    assert report.exit_status == 1
    broken = build(info(unit="byte"), tally(), [ExportInfo(name="a.capture", lines=4)])
    assert "The bytes do not add up: 4 read, 3 accounted for." in broken.verdict.sentence


def test_every_kind_has_words() -> None:
    assert set(LINE_TITLES) == set(BYTE_TITLES) == set(LineKind)


def test_events_are_counted_completely_and_listed_first() -> None:
    assert small().events.model_dump() == {"count": 0, "listed": [], "capped": False}
    few, many = framed().events, framed(Tally.LISTED + 3).events
    assert (few.count, [place.message for place in few.listed], few.capped) == (
        2,
        ["battery low 0", "battery low 1"],
        False,
    )
    assert (many.count, len(many.listed), many.capped) == (Tally.LISTED + 3, Tally.LISTED, True)


def test_text_of_a_capture() -> None:
    told = text(framed())
    assert "46 bytes read = 20 in entries + 9 about the monitor + 11 of framing + 6 not readable" in told
    assert "2 events of the monitor itself; the report lists them" in told
    assert "event" not in text(small())


def test_page_of_a_capture(framed_page: str) -> None:
    words = Elements(framed_page).text
    assert (
        "46 bytes read, 46 accounted for: the sums agree . In entries 20, about the monitor 9, of framing 11" in words
    )
    assert "Events of the monitor 23 events in the exports about the monitor itself" in words
    assert f"The first {Tally.LISTED} of {Tally.LISTED + 3} events; findings.csv has all" in words
    assert "record 4, byte 0 battery low 0" in words
    assert "battery low 19" in words
    assert words.count("battery low 1 ") == 1, "events are listed once, not among the places as well"
    assert "record 1,002, byte 40,123 the sum is wrong" in words
    assert " byte 34 the sum is wrong" in words
    assert "Bytes read Size" in words


def test_page_without_events_has_no_section_for_them(small_page: str) -> None:
    assert 'id="events"' not in small_page
    assert "#events" not in small_page
    assert "Every event" in Elements(page.html(framed())).text


def test_places_of_a_capture_in_the_operation_outcome() -> None:
    issues = {
        issue["details"]["text"].split("[")[1].split("]")[0]: issue for issue in operation_outcome(framed())["issue"]
    }
    assert issues["frame-checksum"]["code"] == "structure"
    assert (
        "export 1, byte 34: the sum is wrong. export 1, record 1,002, byte 40,123:"
        in issues["frame-checksum"]["diagnostics"]
    )
    assert issues["monitor-event"]["code"] == "informational"


# ---------------------------------------------------------------------------------------------- JSON


@pytest.mark.parametrize("make", [small, empty, huge, framed])
def test_json_follows_the_published_schema(make: Any) -> None:
    published = schema()
    Draft202012Validator.check_schema(published)
    checker = Draft202012Validator(published)
    told = json.loads(make().model_dump_json())
    checker.validate(told)
    assert Report.model_validate_json(make().model_dump_json()) == make()
    told["reckoning"]["sets"] = -1
    told["unknown"] = 1
    assert len(list(checker.iter_errors(told))) == 2


def test_published_schema_file_is_the_schema_of_the_code() -> None:
    file = Path(gateway.report.__file__).with_name("report.schema.json")
    assert json.loads(file.read_text("utf-8")) == schema()


# ---------------------------------------------------------------------------------------------- identifiers


def test_no_identifiers_unless_asked(tmp_path: Path) -> None:
    for identifiers in (False, True):
        folder = tmp_path / str(identifiers)
        paths = write(small(), folder, identifiers)
        assert [path.name for path in paths] == ["report.json", "operation-outcome.json", "report.html"]
        assert sorted(path.name for path in folder.iterdir()) == sorted(path.name for path in paths)
        everything = "".join(path.read_text("utf-8") for path in paths) + text(small())
        assert (SECRET in everything) is identifiers


# ---------------------------------------------------------------------------------------------- OperationOutcome


@pytest.mark.parametrize("make", [small, empty, huge, framed])
def test_operation_outcome_is_r4(make: Any) -> None:
    from fhir.resources.R4B.operationoutcome import OperationOutcome

    report = make()
    told = operation_outcome(report)
    read = OperationOutcome.model_validate_json(json.dumps(told))
    assert len(read.issue) == max(len(report.rules), 1)
    # codes of http://hl7.org/fhir/R4/valueset-issue-type.html that this report may use, from memory
    known = {
        "invalid", "structure", "required", "value", "processing", "duplicate", "not-found", "too-long",
        "code-invalid", "conflict", "incomplete", "business-rule", "informational",
    }  # fmt: skip
    assert {issue["code"] for issue in told["issue"]} <= known


def test_operation_outcome_says_count_place_and_cap() -> None:
    counts = tally()
    for line in range(4, 40):
        counts.note(finding(line=line))
    issue = operation_outcome(build(info(), counts, EXPORTS, RULES))["issue"][0]
    assert (issue["severity"], issue["code"]) == ("error", "code-invalid")
    assert issue["details"]["text"] == "Text that is not declared [undeclared-token]: 37 findings"
    assert issue["diagnostics"].startswith('export 1, line 3, column SpO2: "NOSIG" is not declared.')
    assert "first 3 of 37" in issue["diagnostics"]
    assert issue["diagnostics"].endswith("What to do: Declare it in the mapping.")


# ---------------------------------------------------------------------------------------------- HTML


@pytest.mark.parametrize("which", ["small_page", "huge_page"])
def test_page_stands_alone(which: str, request: pytest.FixtureRequest) -> None:
    source: str = request.getfixturevalue(which)
    elements = Elements(source)
    tags = {tag for tag, _ in elements.found}
    assert not tags & {"script", "link", "img", "image", "iframe", "object", "embed", "form", "base", "foreignobject"}
    for tag, attributes in elements.found:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("src", "href", "xlink:href", "action", "srcset", "poster", "data"):
                assert (name, (value or "")[:1]) == ("href", "#"), (tag, name, value)
    assert "http://" not in source
    assert "https://" not in source
    style = "".join(re.findall(r"<style>(.*?)</style>", source, re.S))
    assert style
    assert "@import" not in style
    assert "url(" not in style
    assert any("default-src 'none'" in (meta.get("content") or "") for meta in elements.named("meta"))


@pytest.mark.parametrize("which", ["small_page", "huge_page", "framed_page"])
def test_page_is_accessible(which: str, request: pytest.FixtureRequest) -> None:
    source: str = request.getfixturevalue(which)
    elements = Elements(source)
    assert next(elements.named("html"))["lang"] == "en"
    tags = Counter(tag for tag, _ in elements.found)
    assert tags["main"] == tags["header"] == tags["footer"] == tags["nav"] == tags["h1"] == 1
    assert tags["table"] == tags["caption"]
    assert all(cell.get("scope") in ("row", "col") for cell in elements.named("th"))
    ids = [attributes["id"] for _, attributes in elements.found if "id" in attributes]
    assert len(ids) == len(set(ids))
    used = [attributes["aria-labelledby"] for _, attributes in elements.found if "aria-labelledby" in attributes]
    links = [(link["href"] or "")[1:] for link in elements.named("a")]
    assert used
    assert links
    assert set(used) | set(links) <= set(ids)
    assert all(attributes.get("aria-label") for attributes in elements.named("figure"))


def test_hostile_text_stays_text(huge_page: str) -> None:
    assert "<script" not in huge_page
    assert "&lt;script&gt;alert(1)" in huge_page
    assert "\u202e" not in huge_page
    assert "\x1b" not in huge_page
    assert "<script>alert(1)</script>" in Elements(huge_page).text


def test_every_capped_listing_says_so(huge_page: str, huge_report: Report) -> None:
    words = Elements(huge_page).text
    assert words.count(f"The first {page.PLACES_SHOWN} of {Tally.LISTED + 5} places") == 60
    assert f"The first {charts.DEVICES_DRAWN} of {DEVICES_LISTED + 17} devices" in words
    assert f"The first {page.FILES_SHOWN} of 100; report.json lists all" in words
    assert f"The first {page.FILES_SHOWN} of 90 files written" in words
    assert f"{huge_report.findings:,} findings by 60 rules" in words
    assert f"{huge_report.reckoning.readings.all.total:,}" in words


def test_uncapped_listing_does_not_claim_a_cap(small_page: str) -> None:
    words = Elements(small_page).text
    assert "The first" not in words
    assert "The only place" in words
    assert "Every device" in words


def test_page_says_the_essentials(small_page: str) -> None:
    words = Elements(small_page).text
    for caution in CAUTIONS:
        assert caution in words
    for part in ("Needs attention", "the sums agree", "Ward monitors", "LOINC", "an edition", "north.toml", "ab" * 32):
        assert part in words
    assert small_page.count("<svg") == 3, "two distributions and the time line"
    assert "@media print" in small_page
    assert "prefers-color-scheme: dark" in small_page


def test_pictures_take_the_colours_of_the_page(huge_page: str) -> None:
    allowed = {*charts.COLOURS.values(), "none", "transparent", "currentColor"}
    inside = "".join(re.findall(r"<svg.*?</svg>", huge_page, re.S))
    assert set(re.findall(r'(?:fill|stroke)="([^"]*)"', inside)) <= allowed


def test_page_of_an_empty_batch() -> None:
    words = Elements(page.html(empty())).text
    assert "The exports hold no readings." in words
    assert "No number was recorded." in words
    assert "No set with a usable time was found." in words
    assert "Nothing was noticed." in words


def test_report_survives_when_nothing_can_be_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/nonexistent/python")
    source = page.html(small())
    assert "<svg" not in source
    assert "The pictures are missing: the drawing process could not run (FileNotFoundError)" in Elements(source).text


def test_failing_drawing_says_its_status(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(charts, "_bars", lambda spread: {"not": "a picture"})
    report = small()
    assert "status 1: KeyError" in charts.draw(report.values, report.timeline).problem


@pytest.mark.parametrize("element", ["script", "foreignObject", "image", "a", "use", "style"])
def test_pictures_hold_shapes_and_text_only(element: str) -> None:
    with pytest.raises(ValueError, match=element):
        charts.embedded(f'<svg xmlns="http://www.w3.org/2000/svg" width="3"><{element}/></svg>')


def test_time_line_merges_stretches_and_loses_no_set() -> None:
    counts = Tally()
    for hour in range(4000):
        counts.timeline.add("D", int(START.timestamp()) + hour * 3600)
    report = build(info(), counts, [])
    drawn = charts._points(report.timeline)
    assert len(drawn["points"]) <= charts.STRETCHES_DRAWN
    assert sum(point["sets"] for point in drawn["points"]) == 4000


# ---------------------------------------------------------------------------------------------- files


def test_write_leaves_old_files_when_it_cannot_write(tmp_path: Path) -> None:
    folder = tmp_path / "taken"
    folder.write_text("a file, not a folder")
    with pytest.raises(OutputError, match="cannot be written"):
        write(empty(), folder)
    assert folder.read_text() == "a file, not a folder"


def test_write_is_all_or_nothing_for_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "report.json").write_text("the old one")
    real = WholeFile.finish

    def full(self: WholeFile) -> None:
        if self.path.name == "report.html":
            raise OSError(28, "No space left on device")
        real(self)

    monkeypatch.setattr(WholeFile, "finish", full)
    with pytest.raises(OutputError, match="No space left on device") as caught:
        write(empty(), tmp_path)
    assert caught.value.where.endswith("report.html")
    assert (tmp_path / "report.json").read_text() == "the old one"
    assert [path.name for path in tmp_path.iterdir()] == ["report.json"]


# ---------------------------------------------------------------------------------------------- findings.csv


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_findings_csv(tmp_path: Path) -> None:
    path = tmp_path / "findings.csv"
    with FindingsWriter(path, RULES) as writer:
        writer.write([finding(), finding(export=0, line=0, offset=0, column="", vital="")])
        writer.write([])
        assert not path.exists(), "it appears only when complete"
    first, second = rows(path)
    assert first == {
        "rule": "undeclared-token",
        "severity": "error",
        "effect": "hold",
        "export": "1",
        "line": "3",
        "offset": "",
        "column": "SpO2",
        "vital": "spo2",
        "message": '"NOSIG" is not declared',
        "todo": "Declare it in the mapping",
    }
    assert (second["export"], second["line"], second["offset"]) == ("", "", "0")


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", " =", "\uff1d", "\x00="])
def test_no_cell_is_a_formula(start: str, tmp_path: Path) -> None:
    path = tmp_path / "findings.csv"
    with FindingsWriter(path) as writer:
        writer.write([finding(column=f"{start}HYPERLINK(1)", message=f'{start}1,"x"\n=2')])
    (row,) = rows(path)
    for cell in (row["column"], row["message"]):
        assert cell[0] not in "=+-@\t\r\uff1d"
        assert "\n" not in cell


def test_findings_csv_is_not_left_half_written(tmp_path: Path) -> None:
    def broken() -> Iterator[Finding]:
        yield finding()
        raise RuntimeError("the conversion stopped")

    with pytest.raises(RuntimeError, match="stopped"), FindingsWriter(tmp_path / "findings.csv") as writer:
        writer.write(broken())
    assert list(tmp_path.iterdir()) == []


def test_findings_csv_without_a_folder(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="findings cannot be written"):
        FindingsWriter(tmp_path / "missing" / "findings.csv")


@pytest.mark.parametrize("count", [1, 5000])
def test_findings_csv_on_a_full_disk(count: int, tmp_path: Path) -> None:
    with (
        largest_file(20),
        pytest.raises(OutputError, match="the findings cannot be written: File too large"),
        FindingsWriter(tmp_path / "findings.csv") as writer,
    ):
        writer.write([finding()] * count)
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------------------------------------- terminal


def test_text_adds_up() -> None:
    told = text(small())
    assert told.splitlines()[0].startswith("ATTENTION: 3 of 4 readings recorded")
    assert re.search(r"^All readings +3 +1 +0 +0 +0 +4$", told, re.M)
    assert "3 lines read = 2 entries + 1 header" in told
    assert "4 readings found = 4 accounted for" in told
    assert re.search(r"error +1 +undeclared-token +Text that is not declared", told)
    assert SECRET not in told


def test_text_says_when_it_is_capped(huge_report: Report) -> None:
    told = text(huge_report)
    assert "12 of 60 rules shown; the report lists all" in told
    assert "\x1b" not in told
    assert "\u202e" not in told


@pytest.mark.parametrize("terminal", [True, False])
def test_print_text(terminal: bool, huge_report: Report) -> None:
    from rich.console import Console

    for report in (small(), empty(), huge_report):
        out = StringIO()
        print_text(report, Console(file=out, force_terminal=terminal, width=120, color_system=None))
        told = out.getvalue()
        assert report.verdict.state.upper() in told
        assert f"{report.reckoning.readings.all.total:,}" in told
        assert "\x1b[31m" not in told
        assert terminal or told == text(report)


def test_import_of_the_report_is_light() -> None:
    code = (
        "import sys, gateway.report; "
        "print([m for m in ('altair', 'vl_convert', 'jinja2', 'rich', 'fhir', 'hl7apy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("records", "words"),
    [
        ({"Bundle": 1, "ORU message": 1}, "1 Bundle, 1 ORU message"),
        ({"Bundle": 3, "ORU message": 1199, "Observation": 2}, "3 Bundles, 1,199 ORU messages, 2 Observations"),
        ({"Observation of a device's time": 2}, "2 Observations of a device's time"),
        ({}, ""),
    ],
)
def test_records_are_counted_in_words(records: dict[str, int], words: str) -> None:
    assert records_in_words(records) == words


def test_the_page_and_the_text_count_records_in_words() -> None:
    counts = tally()
    counts.records = Counter({"Bundle": 3, "ORU message": 1199})
    report = build(info(readings=4), counts, EXPORTS, RULES)
    assert "Written: 3 Bundles, 1,199 ORU messages." in page.html(report)
    assert "\nwritten: 3 Bundles, 1,199 ORU messages\n" in text(report)


def test_how_a_limit_is_known_to_its_keepers_is_no_matter_of_the_page() -> None:
    counts = tally()
    counts.values["spo2"] = Counter({20: 3})
    report = build(info(readings=4), counts, EXPORTS, RULES)
    assert "from memory" not in page.html(report) + report.model_dump_json()
    assert "ISO 80601-2-61" in page.html(report)


def _timeline(sets: dict[str, int], patients: str) -> list[str]:
    counts = tally()
    counts.timeline = Timeline()
    for device, number in sets.items():
        counts.timeline.add(device, int(START.timestamp()), number)
    report = build(info(readings=4), counts, EXPORTS, RULES, patients=patients)
    return sorted(each.device for each in report.timeline.listed)


def test_a_device_of_the_form_of_a_patient_is_not_named() -> None:
    sets = {"W2-A": 9, "FH000812": 1, "FH000777": 1}
    assert _timeline(sets, "FH[0-9]{6}") == [DEVICE_WITHHELD, "W2-A"]
    assert _timeline(sets, "") == ["FH000777", "FH000812", "W2-A"]


def test_a_form_that_monitors_have_as_well_hides_none() -> None:
    assert _timeline({"10012345": 5, "10012346": 5, "M1": 1}, "[0-9]{8}") == ["10012345", "10012346", "M1"]


def test_a_device_is_not_named_where_it_holds_the_patient_beside_it() -> None:
    assert device_shown("FH000812 W2-A", "FH000812") == DEVICE_WITHHELD
    assert device_shown("W2-A", "FH000812") == "W2-A"
    assert device_shown("MON-07", "7") == "MON-07"
    assert device_shown("W2-A", "") == "W2-A"
