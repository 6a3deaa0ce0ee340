"""Any set, rendered and read back with the `hl7` package, is the set: every element of it, and nothing besides."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from typing import Any

import hl7
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.mapping.model import AbsentReason, Mapping
from gateway.model import Moment, Outcome, Party, Reading, SetItem
from gateway.records.oru import OruRenderer
from gateway.vocabulary import LOINC, SNOMED, qualifiers, vitals

# `hl7` reads \Xdd\ as Latin-1, so it cannot give back the three line ends above ASCII; tests/records checks those.
characters = st.characters(exclude_categories=["Cs"], exclude_characters="\x85\u2028\u2029")
texts = st.text(characters, min_size=1, max_size=12) | st.sampled_from(
    ["|^~\\&", "\\F\\", '""', "\r\n", "00012", " x "]
)
names = st.text(characters, max_size=8).filter(lambda text: "&" not in text and "^" not in text)
parties = st.builds(Party, texts, st.just(""), names, names)
dtms = st.sampled_from(["20260314", "202603140930-0500", "20260314093000+0545", "20260314093000.12+0000"])
numbers = st.decimals(Decimal("-999.99"), Decimal("9999.99"), places=2) | st.integers(-99, 9999).map(Decimal)
reasons = st.sampled_from(AbsentReason.__args__)  # type: ignore[attr-defined]


QUALIFIED: list[tuple[tuple[str, str], ...]] = [
    (),
    *(((key, answer),) for key, each in qualifiers().items() for answer in each.answers),
    (("mode", "manual"), ("cuff", "adult"), ("position", "supine")),
]


@st.composite
def readings(draw: st.DrawFn, key: str) -> Reading:
    vital = vitals()[key]
    more: dict[str, Any] = {
        "site": draw(st.sampled_from(["", *vital.sites])),
        "method": draw(st.sampled_from(["", *vital.methods])),
    }
    if vital.panel:
        more["qualifiers"] = draw(st.sampled_from(QUALIFIED))
    if draw(st.integers(0, 4)) == 0:
        return Reading(key, "NOSIG", Outcome.ABSENT, reason=draw(reasons), meaning=draw(st.just("") | texts), **more)
    more["flagged"] = draw(st.booleans())
    if vital.kind == "coded":
        return Reading(key, "A", Outcome.RECORDED, code=draw(st.sampled_from(list(vital.answers))), **more)
    more["unit"] = draw(st.sampled_from(vital.units))
    more["comparator"] = draw(st.sampled_from(["", "", "<", "<=", ">=", ">"]))
    return Reading(key, "1", Outcome.RECORDED, draw(numbers), **more)


@st.composite
def sets(draw: st.DrawFn) -> SetItem:
    keys = draw(st.lists(st.sampled_from(list(vitals())), min_size=1, max_size=7, unique=True))
    maybe = st.none() | parties
    return SetItem(
        identity=draw(st.text("0123456789abcdef", min_size=32, max_size=32)),
        line=1,
        patient=draw(parties),
        moment=Moment("", "", draw(dtms)),
        readings=tuple(draw(readings(key)) for key in keys),
        device=draw(maybe),
        operator=draw(maybe),
        location=draw(maybe),
        encounter=draw(maybe),
        notes=tuple(draw(st.lists(texts, max_size=2))),
    )


@st.composite
def mappings(draw: st.DrawFn) -> Mapping:
    return Mapping.model_validate(
        {
            "title": "Demo",
            "version": "1",
            "form": "delimited",
            "namespace": "https://clinic.example/records",
            "delimited": {"layout": "wide"},
            "time": {"columns": ["time"], "formats": ["%Y"], "zone": "UTC"},
            "patient": {"column": "patient", "system": "https://clinic.example/mrn"},
            "vitals": {"heart_rate": {"column": "HR", "unit": "/min"}},
            "output": {
                "status": draw(st.sampled_from(["final", "preliminary"])),
                "mark_questionable": draw(st.booleans()),
                "oru": {
                    "version": draw(st.sampled_from(["2.5.1", "2.6"])),
                    "sending_application": draw(texts.filter(lambda text: "&" not in text and "^" not in text)),
                    "first_code": draw(st.sampled_from(["loinc", "mdc"])),
                    "orc": draw(st.booleans()),
                },
            },
        }
    )


class Message:
    """A message as `hl7` reads it; a part that was not sent is an empty text."""

    def __init__(self, text: str) -> None:
        # Without a last segment of its own `hl7` would strip blanks off the end of the last field.
        self.parsed = hl7.parse(text + "ZZZ|end\r")
        self.names = [str(segment[0]) for segment in self.parsed][:-1]

    def get(self, segment: str, number: int, *place: int) -> str:
        """The text at (field, repetition, component, subcomponent), all from 1."""
        try:
            return str(self.parsed.extract_field(segment, number, *place))
        except IndexError:
            return ""

    def repetitions(self, segment: str, number: int, field: int, components: int) -> list[list[str]]:
        found = []
        for repetition in range(1, 4):
            parts = [self.get(segment, number, field, repetition, n) for n in range(1, components + 1)]
            if any(parts):
                found.append(parts)
        return found


def lines(text: str) -> str:
    """A note as `hl7` gives it back: each line end is a carriage return."""
    return re.sub("\r\n|[\n\x0b\x0c]", "\r", text)


@settings(max_examples=150, deadline=None)
@given(sets(), mappings())
def test_message_read_back_is_the_set(item: SetItem, mapping: Mapping) -> None:
    renderer = OruRenderer(mapping)
    renderer.message(replace(item, device=None, operator=None, location=None, encounter=None, notes=()))
    text = renderer.message(item)
    assert renderer.message(item) == OruRenderer(mapping).message(item) == text
    message = Message(text)
    choices = mapping.output.oru
    final = mapping.output.status == "final"

    visit = ["PV1"] if item.location or item.encounter else []
    order = ["ORC"] if choices.orc else []
    observed = [
        name for one in item.readings for name in (["OBX", "NTE"] if one.outcome is Outcome.ABSENT else ["OBX"])
    ]
    stated = [pair for one in item.readings for pair in one.qualifiers]
    beside = [key for key in qualifiers() if key in dict(stated)]
    observed += ["OBX"] * len(beside)
    assert message.names == ["MSH", "PID", *visit, *order, "OBR", *["NTE"] * len(item.notes), *observed]
    for number, key in enumerate(beside, len(item.readings) + 1):
        check_qualifier(message, number, key, next(answer for name, answer in stated if name == key), item, mapping)

    assert message.get("MSH", 1, 3) == choices.sending_application
    assert message.get("MSH", 1, 7) == item.moment.dtm
    assert message.get("MSH", 1, 12) == choices.version
    assert message.get("MSH", 1, 18) == ("" if text.isascii() else "UNICODE UTF-8")
    assert re.fullmatch("[0-9A-F]{20}", message.get("MSH", 1, 10))

    assert message.get("PID", 1, 3, 1, 1) == item.patient.value
    assert message.get("PID", 1, 3, 1, 4) == item.patient.authority
    assert message.get("PID", 1, 3, 1, 5) == item.patient.type
    if item.location:
        assert message.get("PV1", 1, 3, 1, 1) + message.get("PV1", 1, 3, 1, 9) == item.location.value
        assert message.get("PV1", 1, 3, 1, 4) == item.location.authority
    if item.encounter:
        assert message.get("PV1", 1, 19, 1, 1) == item.encounter.value
        assert message.get("PV1", 1, 19, 1, 4) == item.encounter.authority
        assert message.get("PV1", 1, 19, 1, 5) == item.encounter.type

    for segment in [*order, "OBR"]:
        assert message.get(segment, 1, 3, 1, 1) == item.identity
        assert message.get(segment, 1, 3, 1, 2) == choices.sending_application
    assert message.get("OBR", 1, 7) == item.moment.dtm
    assert message.get("OBR", 1, 25) == ("F" if final else "P")

    words = list(item.notes) + [
        one.meaning or f"data-absent-reason: {one.reason}" for one in item.readings if one.outcome is Outcome.ABSENT
    ]
    assert [message.get("NTE", n, 3) for n in range(1, len(words) + 1)] == [lines(word) for word in words]

    for position, one in enumerate(item.readings, 1):
        check_observation(message, position, one, item, mapping)


def check_qualifier(message: Message, number: int, key: str, answer: str, item: SetItem, mapping: Mapping) -> None:
    def get(*place: int) -> str:
        return message.get("OBX", number, *place)

    qualifier = qualifiers()[key]
    coding = qualifier.answers[answer].coding
    lead = ["START", "How the measurement was started", "L"]  # no code is published: a local one
    if qualifier.coding:
        lead = [qualifier.coding.code, qualifier.coding.display, "LN"]
    assert [get(3, 1, n) for n in range(1, 7)] == [*lead, "", "", ""]
    assert (get(1), get(4), get(6), get(8), get(14)) == (str(number), qualifier.sub_id, "", "", item.moment.dtm)
    assert get(11) == ("F" if mapping.output.status == "final" else "R")
    if coding is None:
        assert (get(2), get(5)) == ("ST", qualifier.answers[answer].title)
    else:
        assert get(2) == ("CWE" if mapping.output.oru.version == "2.6" else "CE")
        assert [get(5, 1, n) for n in (1, 2, 3)] == [coding.code, coding.display, "SCT"]
    assert get(16, 1, 1) == (item.operator.value if item.operator else "")
    assert get(18, 1, 1) == (item.device.value if item.device else "")
    assert message.repetitions("OBX", number, 17, 3) == message.repetitions("OBX", number, 20, 6) == []


def check_observation(message: Message, number: int, one: Reading, item: SetItem, mapping: Mapping) -> None:
    def get(*place: int) -> str:
        return message.get("OBX", number, *place)

    vital = vitals()[one.vital]
    site = vital.sites[one.site] if one.site else None
    method = vital.methods[one.method] if one.method else None
    mdc_first = mapping.output.oru.first_code == "mdc"
    late = mapping.output.oru.version == "2.6"

    loinc = vital.codings_in(one.unit)[0]
    mdc = (site.mdc if site else None) or vital.mdc
    codes = [(loinc.code, loinc.display, "LN")] + ([(mdc.code, mdc.display, "MDC")] if mdc else [])
    found = [tuple(get(3, 1, n) for n in (start, start + 1, start + 2)) for start in (1, 4)]
    assert [code for code in found if any(code)] == (codes[::-1] if mdc_first else codes)

    assert (get(1), get(4), get(14)) == (str(number), vital.sub_id, item.moment.dtm)
    flags = {get(8, 1), get(8, 2)} - {""}
    marked = one.flagged and mapping.output.mark_questionable
    if one.outcome is Outcome.ABSENT:
        failed = one.reason in {"error", "not-a-number", "negative-infinity", "positive-infinity"}
        assert (get(2), get(5), get(6), get(11)) == ("", "", "", "X")
        assert flags == {"INV" if failed else "NAV"}
    else:
        assert get(11) == ("F" if mapping.output.status == "final" else "R")
        assert flags == ({one.comparator[0]} if one.comparator else set()) | ({"QUES"} if marked else set())
        if vital.kind == "coded":
            coding = vital.answers[one.code].coding
            assert get(2) == ("CWE" if late else "CE")
            table = {LOINC: "LN", SNOMED: "SCT"}[coding.system]
            assert [get(5, 1, n) for n in (1, 2, 3)] == [coding.code, coding.display, table]
        else:
            text = get(5, 1, 2) if one.comparator else get(5)
            assert get(2) == ("SN" if one.comparator else "NM")
            assert get(5, 1, 1) == (one.comparator or text)
            assert one.value is not None
            assert Decimal(text).as_tuple() == one.value.as_tuple(), "the same digits, not only the same number"
            assert (get(6, 1, 1), get(6, 1, 3)) == (one.unit, "UCUM")

    assert get(16, 1, 1) == (item.operator.value if item.operator else "")
    assert get(16, 1, 9) == (item.operator.authority if item.operator else "")
    assert get(18, 1, 1) == (item.device.value if item.device else "")
    assert get(18, 1, 2) == (item.device.authority if item.device else "")

    methods = message.repetitions("OBX", number, 17, 3)
    sites = message.repetitions("OBX", number, 20, 6)
    if not late:
        assert sites == []
        sites = methods[1:] if method else methods
        methods = methods[:1] if method else []
    way = method and (method.v2 or method.snomed)
    assert [parts[1] for parts in methods] == ([way.display if way else method.title] if method else [])
    known = site and (site.snomed or site.loinc)
    # Where no code is published the text stands alone.
    there = [] if not site else [[known.code, known.display] if known else ["", site.title]]
    assert [parts[:2] for parts in sites] == there
