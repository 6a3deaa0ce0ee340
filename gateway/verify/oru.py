"""Re-reads rendered HL7 v2 messages before anything leaves the gateway, by another road than the renderer.

Each segment is judged as a text: fields by the table below, then by the rules of its kind. A segment once judged is
known by its text (the observation time cut out), so a batch costs little more than looking its segments up.

Sources: HL7 v2.5.1 and v2.6 segment tables (as encoded in hl7apy 1.3.5, compared in a test), the v2 rules for DTM, NM,
SN, escapes, required OBR-7 and OBR-25, tables 0004, 0078, 0085, 0103, 0123 and 0155, and IHE Devices for the flags of
missing values. Codes and units come from `gateway.verify.published`. Fields the gateway never writes are reported even
where the standard allows them. Problems never quote an identifier or a value.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import date, datetime
from typing import Final, NamedTuple

from gateway.verify.fhir import Problem
from gateway.verify.published import (
    DEVICE_TIME,
    LOINC,
    MDC,
    PANEL_OF,
    QUALIFIERS,
    SNOMED,
    STARTED,
    STARTED_LOCAL,
    Published,
    code_fault,
    mdc_units,
    quotable,
    rows_for,
    units_for,
    words,
)

Say = Callable[[str], None]

FIELDS: Final[dict[str, str]] = {
    "MSH": "1:ST! 2:ST! 3:HD 4:HD 5:HD 6:HD 7:TS! 9:MSG! 10:ST! 11:PT! 12:VID! 15:ID 16:ID 17:ID 18:ID* 19:CE 21:EI*",
    "PID": "1:SI 3:CX!* 5:XPN!*",
    "PV1": "1:SI 2:IS! 3:PL 19:CX",
    "ORC": "1:ID! 2:EI 3:EI 9:TS",
    "OBR": "1:SI 2:EI 3:EI 4:CE! 7:TS! 8:TS 22:TS 24:ID 25:ID!",
    "OBX": "1:SI! 2:ID 3:CE! 4:ST! 5:varies 6:CE 8:IS* 11:ID! 14:TS! 16:XCN* 17:CE* 18:EI* 20:CE* 21:EI",
    "NTE": "1:SI 2:ID 3:FT!* 4:CE",
    "FHS": "1:ST! 2:ST! 3:HD 4:HD 5:HD 6:HD 7:TS 9:ST 10:ST 11:ST 12:ST",
    "BHS": "1:ST! 2:ST! 3:HD 4:HD 5:HD 6:HD 7:TS 9:ST 10:ST 11:ST 12:ST",
    "BTS": "1:ST!",
    "FTS": "1:NM!",
}
"""Fields the gateway may fill: number, type in 2.5.1, "!" for required here, "*" for repeating.

Required here beyond the standard's own tables: OBX-1, OBX-4, OBX-14, OBR-7, OBR-25, NTE-3, BTS-1 and FTS-1.
In 2.6 CE became CWE and TS became DTM; OBX-20 and OBX-21 exist from 2.6 on."""

COMPONENTS: Final[dict[str, int]] = {
    "CE": 6, "CWE": 9, "CX": 10, "EI": 4, "XPN": 14, "XCN": 23, "PL": 11, "HD": 3, "MSG": 3, "PT": 2, "VID": 3, "SN": 4,
}  # fmt: skip
"""Components of each composite type; every other type here has one."""

ORDER: Final = re.compile(r"MSH\|PID\|(?:NTE\|)*(?:PV1\|)?(?:(?:ORC\|)?OBR\|(?:NTE\|)*(?:OBX\|(?:NTE\|)*)+)+")
"""The part of ORU_R01 that the gateway uses; PATIENT is optional in the standard but not here."""

PROCESSING = words("P T D")
PATIENT_CLASS = words("E I O P R B C N U")
OBSERVATION_STATUS = words("C D F I N O P R S U W X")
REPORT_STATUS = words("O I S A P C R F X Y Z")
ACKNOWLEDGE = words("AL NE ER SU")
NO_VALUE = words("INV NAV NI OFF BUSY")
FLAGS = NO_VALUE | words("< > L H LL HH N A AA B W U D S R I MS VS QUES CAL TEST DEMO VAL EARLY ALACT ALINH")
METHODS = words("AMEAS MMEAS ACALC MCALC ASET MSET")
"""IHE's measurement methods for OBX-17, sent under MDC without a number."""

UNCODED = words("OBX-17 OBX-20")
"""Where a text alone will do, with no code beside it: a method or site that no published code stands for."""

WITHDRAWN = words("W D")
"""Statuses of table 0085 that take back what was sent: all OBX of a message, or none."""

AGREEING = {"F": words("F X"), "C": words("C F X"), "P": words("R P X F C")}
"""OBR-25 (table 0123) and the OBX-11 (table 0085) beside it: F final, C final with something corrected, P unverified as
long as any of its results is.
Table 0123 up to 2.8 has no code for a withdrawn report: that is C when it was final and P when it was not."""

CHARACTER_SETS = {"UNICODE UTF-8": "utf-8", "8859/1": "latin-1", "ASCII": "ascii"}
OFF_SCALE = {"<": "<", "<=": "<", ">": ">", ">=": ">"}
SYSTEMS = {"LN": LOINC, "MDC": MDC, "SCT": SNOMED}

_DTM = re.compile(
    r"(\d{4})(?:(\d\d)(?:(\d\d)(?:([01]\d|2[0-3])(?:[0-5]\d(?:[0-5]\d(?:\.\d{1,4})?)?)?)?)?)?"
    r"([+-](?:0\d|1[0-4])[0-5]\d)?",
    re.ASCII,
)
_SECOND = re.compile(r"(\d{14})(?:\.(\d{1,4}))?([+-]\d{4})", re.ASCII)
_NM = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)
_SI = re.compile(r"[1-9]\d{0,3}", re.ASCII)
_ESCAPE = re.compile(r"\\(?:[FSTREHN]|X(?:[0-9A-Fa-f]{2})+|\.[a-z]{2}[+-]?\d*)\\")
_CONTROL = re.compile("[\x00-\x1f\x7f]")
_FILLER = re.compile(r"[0-9a-f]{32}")
_SUB_ID = re.compile(r"\d{1,5}(?:\.\d{1,5}){3,5}", re.ASCII)
_CONTROL_ID = re.compile(r"[A-Za-z0-9._-]{1,20}")
_MASK: Final = "\x00"
_CLOCK_ROW: Final = f"|{DEVICE_TIME}^"
_STUB: Final = "OBX|1|NM|8867-4^Heart rate^LN|1.1.1.1|60|/min^/min^UCUM|||||F||"
"""A good OBX up to its time, to judge on its own what stands behind another's."""


class _Known(NamedTuple):
    """What a segment is worth: the problems in it, and the number of what its neighbours need to know."""

    problems: tuple[str, ...]
    facts: int = -1


class _Observed(NamedTuple):
    """What the rules of a group need to know of an OBX."""

    number: int
    sub_id: str
    status: str
    qualifies: bool
    pressure: bool


# --- rules of single segments --------------------------------------------------------------------------------------


def _table(version: str) -> dict[str, dict[int, tuple[str, bool, bool]]]:
    """The field table of a version: segment -> field -> (type, required, repeating)."""
    newer = {"CE": "CWE", "TS": "DTM"} if version != "2.5.1" else {"TS": "DTM"}
    table: dict[str, dict[int, tuple[str, bool, bool]]] = {}
    for segment, text in FIELDS.items():
        fields = table[segment] = {}
        for item in text.split():
            number, _, kind = item.partition(":")
            if segment == "OBX" and number in ("20", "21") and version == "2.5.1":
                continue
            plain = kind.rstrip("!*")
            fields[int(number)] = (newer.get(plain, plain), "!" in kind, "*" in kind)
    return table


def _fields(segment: str) -> list[str]:
    """Fields by their number in the standard; MSH-1 and its like are the separator itself."""
    fields = segment.split("|")
    return [fields[0], "|", *fields[1:]] if fields[0] in ("MSH", "FHS", "BHS") else fields


def _dtm(text: str) -> str:
    """What is wrong with a DTM, or "": format, calendar, and an offset as soon as there are hours."""
    match = _DTM.fullmatch(text)
    if match is None:
        return "is not a DTM (YYYY[MM[DD[HH[MM[SS[.S]]]]]][+ZZZZ])"
    year, month, day, hour, offset = match.groups()
    try:
        date(int(year), int(month or 1), int(day or 1))
    except ValueError:
        return "is a day that does not exist"
    return "has hours but no offset" if hour and not offset else ""


def _changed_after(changed: str, sent: str) -> str:
    """What is wrong with the time of a change (OBR-22) in a message made at `sent` (MSH-7), or "".

    A message says what has happened, and which of two messages is newer is seen from either.
    """
    times = []
    for text in (changed, sent):
        match = _SECOND.fullmatch(text)
        if match is None or _dtm(text):
            return "OBR-22: the time of a change, and MSH-7 beside it, need seconds and an offset"
        whole = datetime.strptime(match[1] + match[3], "%Y%m%d%H%M%S%z")
        times.append(whole.replace(microsecond=int((match[2] or "").ljust(6, "0"))))
    return "" if times[0] <= times[1] else "OBR-22: is later than MSH-7, the time of the message"


def _check_fields(fields: list[str], table: dict[int, tuple[str, bool, bool]], say: Say) -> None:
    name = fields[0]
    for number, text in enumerate(fields[1:], 1):
        rule = table.get(number)
        if rule is None:
            if text:
                say(f"{name}-{number}: a field the gateway does not write")
            continue
        kind, required, repeating = rule
        where = f"{name}-{number}"
        if not text:
            if required:
                say(f"{where}: required")
            continue
        if number <= 2 and name in ("MSH", "FHS", "BHS"):
            continue
        if _CONTROL.search(text):
            say(f"{where}: control characters are not allowed")
        if "\\" in _ESCAPE.sub("", text):
            say(f"{where}: a backslash that is not part of an escape")
        if "\\." in text and kind != "FT":
            say(f"{where}: formatting commands belong in formatted text only")
        repeats = text.split("~")
        if len(repeats) > 1 and not repeating:
            say(f"{where}: does not repeat")
        for repeat in repeats:
            _check_type(repeat, kind, where, say)
    for number, (_, required, _) in table.items():
        if required and number >= len(fields):
            say(f"{name}-{number}: required")


def _check_type(text: str, kind: str, where: str, say: Say) -> None:
    if not text:
        say(f"{where}: an empty repetition")
    if '""' in text.replace("&", "^").split("^"):
        say(f'{where}: "" would delete what the receiver has')
    if kind == "varies":
        return
    if text.count("^") >= COMPONENTS.get(kind, 1):
        say(f"{where}: more components than {kind} has")
    if "&" in text and kind not in ("CX", "PL", "XCN", "XPN"):
        say(f"{where}: subcomponents do not belong in {kind}")
    if kind == "DTM" and (fault := _dtm(text)):
        say(f"{where}: {fault}")
    elif kind == "SI" and not _SI.fullmatch(text):
        say(f"{where}: is not a sequence number from 1")
    elif kind == "NM" and not _is_number(text):
        say(f"{where}: is not a number (NM)")
    elif kind in ("CE", "CWE"):
        _triplets(text, where, say)
    elif kind in ("EI", "CX", "XCN", "PL") and not text.replace("^", "").replace("&", ""):
        say(f"{where}: has no identifier")


def _is_number(text: str) -> bool:
    return len(text) <= 16 and _NM.fullmatch(text) is not None


def _triplets(text: str, where: str, say: Say) -> dict[str, str]:
    """Check a coded element; returns coding system -> code."""
    parts = (text.split("^") + [""] * 6)[:6]
    found: dict[str, str] = {}
    for place in (0, 3):
        code, words_for_it, system = parts[place : place + 3]
        if not (code or words_for_it or system):
            if place == 0:
                say(f"{where}: the first triplet is empty")
            continue
        if where in UNCODED and words_for_it and not code and not system:
            continue
        if not (code and words_for_it and system):
            say(f"{where}: code, text and coding system belong together")
        if system in found:
            say(f"{where}: both triplets are of the same coding system")
        method = system == "MDC" and code in METHODS and where == "OBX-17"
        if system in SYSTEMS and not method and (fault := code_fault(SYSTEMS[system], code)):
            say(f"{where}: code {quotable(code)} {fault}")
        if system in ("LOINC", "SNOMED", "SNOMEDCT", "UNITS"):
            say(f"{where}: {system} is not a name of table 0396")
        found[system] = code
    return found


def _pid(fields: list[str], say: Say) -> None:
    for item in fields[3].split("~") if len(fields) > 3 else ():
        parts = item.split("^")
        if not parts[0].strip():
            say("PID-3: has no identifier")
        if len(parts) < 5 or not parts[4]:
            say("PID-3: has no identifier type (component 5)")


def _pv1(fields: list[str], say: Say) -> None:
    if len(fields) > 2 and fields[2] and fields[2] not in PATIENT_CLASS:
        say("PV1-2: is not in table 0004")


def _obr(fields: list[str], say: Say) -> None:
    if len(fields) < 4 or not (fields[2] or fields[3]):
        say("OBR-3: a result needs a filler or a placer number")
    if len(fields) > 25 and fields[25] and fields[25] not in REPORT_STATUS:
        say("OBR-25: is not in table 0123")
    if len(fields) > 25 and fields[25] == "C" and not fields[22]:
        say("OBR-22: a corrected report says when its results or status changed")


def _orc(fields: list[str], say: Say) -> None:
    if len(fields) > 1 and fields[1] not in ("RE", "NW", "OK", "SN"):
        say("ORC-1: is not an order control code for results")


def _msh(fields: list[str], say: Say, version: str) -> None:
    if len(fields) < 13:
        return
    if fields[2] != "^~\\&":
        say("MSH-2: is not ^~\\&")
    if fields[9] != "ORU^R01^ORU_R01":
        say("MSH-9: is not ORU^R01^ORU_R01")
    if fields[11] not in PROCESSING:
        say("MSH-11: is not in table 0103")
    if fields[12] != version:
        say(f"MSH-12: is not {version}")
    accept, application = (fields + [""] * 18)[15:17]
    if bool(accept) != bool(application):
        say("MSH-15 and MSH-16: both or neither")
    if {accept, application} - ACKNOWLEDGE - {""}:
        say("MSH-15 and MSH-16: are not in table 0155")
    character_set = fields[18] if len(fields) > 18 else ""
    if character_set and character_set not in CHARACTER_SETS:
        say("MSH-18: is not a character set the gateway writes")


def _obx(fields: list[str], say: Say, version: str) -> _Observed:
    """Check what the fields of an OBX say together."""
    fields = fields + [""] * (26 - len(fields))
    if fields[3].startswith(_CLOCK_ROW[1:]):
        return _clock_row(fields, say, version)
    kind, value, units, status = fields[2], fields[5], fields[6], fields[11]
    coded = "CE" if version == "2.5.1" else "CWE"
    flags = set(fields[8].split("~")) - {""}
    if fields[4] and not _SUB_ID.fullmatch(fields[4]):
        say("OBX-4: is not of four to six numbers with dots")
    if flags - FLAGS:
        say("OBX-8: has a flag that is in neither table 0078 nor IHE's list")
    if status and status not in OBSERVATION_STATUS:
        say("OBX-11: is not in table 0085")
    said = _triplets(fields[3], "OBX-3", lambda _: None)
    if said == {"L": STARTED_LOCAL}:
        said = {"LN": STARTED}
    qualifies = said.get("LN", "") in QUALIFIERS
    row, loinc = (None, said["LN"]) if qualifies else _row(fields[3], say)
    if qualifies:
        _qualifier(said, fields, coded, say)

    off_scale = ""
    if kind == "" or value == "":
        if kind or value:
            say("OBX-2 and OBX-5: both or neither")
        if status not in WITHDRAWN | {"X"}:
            say("OBX-11: without a value it must be X, or W or D when it is withdrawn")
        if not flags & NO_VALUE:
            say("OBX-8: without a value it must say why (INV, NAV, ...)")
    else:
        if status == "X" or flags & NO_VALUE:
            say("OBX-11 and OBX-8: say there is no value, but there is one")
        if kind == "NM":
            if not _is_number(value):
                say("OBX-5: is not a number (NM)")
        elif kind == "SN":
            off_scale = _structured(value, say)
        elif kind == coded:
            given = _answer(value, say)
            answered = row if row is not None and row.answers else None
            if answered and not all(answered.is_answer(SYSTEMS.get(system, ""), given[system]) for system in given):
                say("OBX-5: is not a published answer of this quantity")
        elif kind == "ST":
            if "^" in value or "&" in value or "~" in value:
                say("OBX-5: separators are not escaped")
        else:
            say(f"OBX-2: is not NM, SN, {coded} or ST")
        if row is not None and (kind == coded) != (row.kind == "coded"):
            say("OBX-2: is not the type this quantity has")
        if row is not None and kind == "ST":
            say("OBX-2: a known quantity is not sent as text")
    if flags & {"<", ">"} != ({off_scale} - {""}):
        say("OBX-8 and OBX-5: comparator and off-scale flag must say the same")
    if kind in ("NM", "SN") or units:
        _units(units, kind, row, loinc, say)
    number = int(fields[1]) if _SI.fullmatch(fields[1]) else 0
    return _Observed(number, fields[4], status, qualifies, loinc in PANEL_OF)


def _qualifier(said: dict[str, str], fields: list[str], coded: str, say: Say) -> None:
    """Check what is said beside a blood pressure: its code alone, and a published answer or a text."""
    asked = said["LN"]
    name = asked if asked == STARTED else f"LOINC {asked}"
    if said.keys() != {"LN"}:
        say(f"OBX-3: {name} stands alone")
    if fields[2] not in (coded, "ST"):
        say(f"OBX-2: {name} has an answer or a text")
    elif fields[2] == coded:
        answer = _triplets(fields[5], "OBX-5", lambda _: None)
        if any(system != "SCT" or code not in QUALIFIERS[asked] for system, code in answer.items()):
            say(f"OBX-5: is not a published answer of {name}")


def _clock_row(fields: list[str], say: Say, version: str) -> _Observed:
    """Check the row of a device's own time: as displayed in OBX-5, the true time with its offset in OBX-14.

    Its R says that nobody validated the attribute; it is no result, and the status of the report is not its own.
    """
    if fields[3] != f"{DEVICE_TIME}^MDC_ATTR_TIME_ABS^MDC":
        say("OBX-3: is not the code of a device's time")
    if fields[2] != ("TS" if version == "2.5.1" else "DTM"):
        say("OBX-2: is not the type of a time in this version")
    if fields[4] != "1.0.0.1":
        say("OBX-4: a device's time stands at the level of the device, 1.0.0.1")
    shown_time = _DTM.fullmatch(fields[5])
    if shown_time is None or len(fields[5]) < 12 or _dtm(fields[5] + "+0000"):
        say("OBX-5: is not a time as a clock displays it, to the minute and without an offset")
    if fields[11] != "R":
        say("OBX-11: a device's time is R")
    if len(fields[14]) < 17 or fields[14][-5:-4] not in ("+", "-"):
        say("OBX-14: the true time needs minutes and an offset")
    if any(fields[number] for number in (6, 8, 16, 17, 18, 20, 21)):
        say("OBX: a device's time has no unit, flag, observer, method, device or site")
    return _Observed(int(fields[1]) if _SI.fullmatch(fields[1]) else 0, fields[4], "", qualifies=False, pressure=False)


def _row(text: str, say: Say) -> tuple[Published | None, str]:
    """The published row OBX-3 speaks of, and its LOINC code."""
    found = _triplets(text, "OBX-3", lambda _: None)
    loinc = found.get("LN", "")
    rows = [row for row in rows_for(loinc) if row.kind in ("quantity", "coded")]
    if not rows:
        say("OBX-3: has no LOINC code of a known quantity")
        return None, ""
    if "MDC" in found:
        rows = [row for row in rows if found["MDC"] in row.mdc]
        if not rows:
            say(f"OBX-3: MDC {quotable(found['MDC'])} does not mean the same as LOINC {quotable(loinc)}")
            return None, ""
    return rows[0], loinc


def _structured(value: str, say: Say) -> str:
    """Check an SN; returns "<" or ">" when it is off the scale."""
    comparator, first, separator, second = (value.split("^") + [""] * 4)[:4]
    if value.count("^") > 3 or not _is_number(first) or (second and not _is_number(second)):
        say("OBX-5: is not a structured number (SN)")
    if comparator not in ("", "<", "<=", "=", ">", ">=", "<>"):
        say("OBX-5: has an unknown comparator")
    if bool(separator) != bool(second) or separator not in ("", "-", "+", "/", ".", ":"):
        say("OBX-5: separator and second number do not fit")
    if not comparator and not separator:
        say("OBX-5: a plain number is NM, not SN")
    return OFF_SCALE.get(comparator, "")


def _answer(value: str, say: Say) -> dict[str, str]:
    """Check a coded answer; returns coding system -> code."""
    if "~" in value:
        say("OBX-5: holds more than one answer")
    if value.count("^") > 8:
        say("OBX-5: more components than a coded element has")
    return _triplets(value, "OBX-5", say)


def _units(units: str, kind: str, row: Published | None, loinc: str, say: Say) -> None:
    if kind not in ("NM", "SN", ""):
        say("OBX-6: units do not belong with a coded answer or a text")
        return
    found = _triplets(units, "OBX-6", lambda _: None) if units else {}
    if "UCUM" not in found:
        say("OBX-6: has no UCUM unit")
    elif row is not None and found["UCUM"] not in units_for(row, loinc):
        say(f"OBX-6: {quotable(found['UCUM'])} is not one of: {' '.join(units_for(row, loinc))}")
    elif row is not None and "MDC" in found and found["MDC"] not in mdc_units(row, found["UCUM"]):
        say(f"OBX-6: MDC {quotable(found['MDC'])} does not mean the same as UCUM {quotable(found['UCUM'])}")


# --- messages ------------------------------------------------------------------------------------------------------


class OruVerifier:
    """Verifies rendered ORU^R01 messages; one object for a batch, because it remembers segments it has judged.

    Memory is bounded: what is remembered is forgotten when it reaches `REMEMBERED` segments.

    Args:
        version: "2.5.1" or "2.6".
    """

    REMEMBERED: Final = 50_000

    def __init__(self, version: str) -> None:
        self.version = version
        self._tables = _table(version)
        self._segments: dict[str, _Known] = {}
        self._heads: dict[str, _Known] = {}
        self._tails: set[str] = set()
        self._times: dict[str, str] = {}
        self._orders: dict[str, bool] = {}
        self._numbers: dict[tuple[str, ...], int] = {}
        self._by_number: list[_Observed | str] = []
        self._groups: dict[tuple[int, ...], tuple[str, ...]] = {}

    def messages(self, messages: Sequence[str]) -> list[Problem]:
        """Verify messages, each with its segments ended by a carriage return.

        Args:
            messages: only compared with the others given in the same call.

        Returns:
            Every problem found, in the order of the messages (index from 0); empty when all is well.
        """
        found: list[Problem] = []
        seen: dict[str, int] = {}
        for index, message in enumerate(messages):
            problems, names = self._message(message)
            found.extend([Problem(index, what) for what in problems])
            for name in names:
                if seen.setdefault(name, index) != index:
                    found.append(Problem(index, f"{name.split()[0]}: stands here twice"))
        return found

    def batch(self, text: str, verified: Sequence[str] = ()) -> list[Problem]:
        """Verify a batch file: FHS, batches of BHS, messages and BTS with their count, FTS with the count of batches.

        Args:
            text: the whole file.
            verified: messages found good before; when the file holds just these, they are not judged again.

        Returns:
            Every problem found (index of the message from 0, -1 for the file); empty when all is well.
        """
        found: list[Problem] = []

        def say(what: str) -> None:
            found.append(Problem(-1, what))

        if not text.endswith("\r") or "\n" in text:
            say("every segment of a batch file ends with a carriage return, without a line feed")
        segments = text.removesuffix("\r").split("\r")
        messages: list[list[str]] = []
        batches = in_batch = 0
        state = "start"
        for segment in segments:
            name = segment[:3]
            if name in ("FHS", "BHS", "BTS", "FTS"):
                problems: list[str] = []
                self._fields(segment, problems.append)
                for what in problems:
                    say(what)
                if state not in _BEFORE[name]:
                    say(f"{name}: stands in the wrong place")
                state = name
                if name == "BHS":
                    batches, in_batch = batches + 1, 0
                elif name == "BTS" and segment.split("|")[1:2] != [str(in_batch)]:
                    say("BTS-1: is not the number of messages in the batch")
                elif name == "FTS" and segment.split("|")[1:2] != [str(batches)]:
                    say("FTS-1: is not the number of batches in the file")
            elif name == "MSH":
                if state not in ("BHS", "MSH"):
                    say("MSH: stands outside a batch")
                state = "MSH"
                in_batch += 1
                messages.append([segment])
            elif state == "MSH":
                messages[-1].append(segment)
            else:
                say("a segment stands outside a message")
        if state != "FTS":
            say("FTS: is missing at the end")
        inside = ["\r".join(message) + "\r" for message in messages]
        if inside != list(verified):
            found.extend(self.messages(inside))
        return found

    def _message(self, message: str) -> tuple[list[str], list[str]]:
        """Problems of one message, and the names in it that must not come again (MSH-10, OBR-3)."""
        problems: list[str] = []
        if message[-1:] != "\r" or "\n" in message or _MASK in message:
            problems.append("every segment ends with a carriage return; line feeds and NUL are not allowed")
            return problems, []
        segments = message[:-1].split("\r")
        order = "".join([segment[:4] for segment in segments])
        if not (self._orders[order] if order in self._orders else self._order(order)):
            problems.append(self._disorder(segments))
            return problems, []
        names = [self._header(segments[0], message, problems)]
        sent = "".join(segments[0].split("|", 7)[6:7])
        known = self._segments
        group: list[int] = []
        when = _MASK
        filler = ""
        for segment in segments[1:]:
            kind = segment[:3]
            if kind == "OBX":
                # Cut at the time: what was measured and who measured it vary independently of each other.
                at = segment.find(when)
                head, tail = segment[:at], segment[at + len(when) :]
                if at > 0 and head in self._heads and tail in self._tails:
                    judged = self._heads[head]
                else:
                    judged = self._observation(segment, at, len(when))
                group.append(judged.facts)
            elif kind == "OBR":
                self._group(group, problems)
                judged, when, name = self._request(segment, sent)
                if filler and filler != name:
                    problems.append("ORC-3 and OBR-3: are not the same")
                filler = ""
                group = [judged.facts]
                if name:
                    names.append(f"OBR-3 {name}")
            elif kind == "ORC":
                fields = segment.split("|")
                filler = fields[3] if len(fields) > 3 else ""
                judged = self._judge("|".join([*fields[:3], "x" if filler else "", *fields[4:]]))
            else:
                judged = known[segment] if segment in known else self._judge(segment)
            if judged.problems:
                problems += judged.problems
        self._group(group, problems)
        return problems, names

    def _order(self, order: str) -> bool:
        good = ORDER.fullmatch(order) is not None
        if len(self._orders) >= self.REMEMBERED:
            self._orders.clear()
        self._orders[order] = good
        return good

    def _disorder(self, segments: list[str]) -> str:
        unknown = [name for name in (segment.partition("|")[0] for segment in segments) if name not in _IN_MESSAGE]
        if unknown:
            return f"a segment the gateway does not write: {quotable(unknown[0][:3])}"
        return "segments are missing or not in the order of ORU_R01"

    def _header(self, segment: str, message: str, problems: list[str]) -> str:
        """Check MSH with its time and control id cut out, and what it says of the whole message."""
        fields = segment.split("|")
        if len(fields) < 12:
            problems.append("MSH: fields are missing")
            return "MSH-10"
        when, name = fields[6], fields[9]
        if fault := self._time(when):
            problems.append(f"MSH-7: {fault}")
        if not _CONTROL_ID.fullmatch(name):
            problems.append("MSH-10: is not of 1 to 20 letters and digits")
        fields[6], fields[9] = "2026", "1"
        problems += self._judge("|".join(fields)).problems
        character_set = fields[17] if len(fields) > 17 else ""
        if not message.isascii() or character_set:
            try:
                message.encode(CHARACTER_SETS.get(character_set, "ascii"))
            except UnicodeEncodeError:
                problems.append("MSH-18: does not name a character set that holds the message")
        return f"MSH-10 {name}"

    def _request(self, segment: str, sent: str) -> tuple[_Known, str, str]:
        """Check an OBR with its filler number and times cut out; returns also the mark of its time and the filler.

        Args:
            segment: the segment.
            sent: MSH-7 of its message.
        """
        fields = segment.split("|")
        if len(fields) < 8:
            return self._judge(segment), _MASK, ""
        filler, when = fields[3], fields[7]
        identity, separator, rest = filler.partition("^")
        good = _FILLER.fullmatch(identity) is not None
        fields[3] = ("f" if good else "") + separator + rest
        fault = self._time(when)
        fields[7] = "2026" if not fault else when
        changed = fields[22] if len(fields) > 22 else ""
        late = _changed_after(changed, sent) if changed else ""
        if changed and not late:
            fields[22] = "2026"
        judged = self._judge("|".join(fields))
        if filler and not good:
            judged = _Known((*judged.problems, "OBR-3: is not the identity of a set"), judged.facts)
        if late:
            judged = _Known((*judged.problems, late), judged.facts)
        return judged, f"|{when}" if when and not fault else _MASK, filler

    def _time(self, text: str) -> str:
        fault = self._times.get(text)
        if fault is None:
            if len(self._times) >= self.REMEMBERED:
                self._times.clear()
            fault = self._times[text] = _dtm(text)
        return fault

    def _observation(self, segment: str, at: int, length: int) -> _Known:
        """Judge an OBX; when its time stands in OBX-14, the parts before and behind it are remembered if good."""
        head, tail = segment[:at], segment[at + length :]
        # A device's time is judged whole: its OBX-14 is not the time of the set.
        if at < 0 or _CLOCK_ROW in segment or head.count("|") != 13 or (tail and tail[0] != "|"):
            return self._judge(segment)
        before, behind = self._judged(f"{head}|2026"), self._judged(f"{_STUB}|2026{tail}")
        if len(self._heads) >= self.REMEMBERED or len(self._tails) >= self.REMEMBERED:
            self._heads.clear()
            self._tails.clear()
        if not before.problems:
            self._heads[head] = before
        if not behind.problems:
            self._tails.add(tail)
        return _Known(before.problems + behind.problems, before.facts)

    def _judge(self, segment: str) -> _Known:
        known = self._segments.get(segment)
        return known if known is not None else self._remember(segment, self._judged(segment))

    def _remember(self, key: str, judged: _Known) -> _Known:
        if len(self._segments) >= self.REMEMBERED:
            self._segments.clear()
        self._segments[key] = judged
        return judged

    def _fields(self, segment: str, say: Say) -> list[str]:
        fields = _fields(segment)
        table = self._tables.get(fields[0])
        if table is None:
            say(f"a segment the gateway does not write: {quotable(fields[0][:3])}")
        else:
            _check_fields(fields, table, say)
        return fields

    def _judged(self, segment: str) -> _Known:
        """Judge one segment by its text alone."""
        said: list[str] = []
        fields = self._fields(segment, said.append)
        facts: _Observed | str = ""
        match fields[0]:
            case "MSH":
                _msh(fields, said.append, self.version)
            case "PID":
                _pid(fields, said.append)
            case "PV1":
                _pv1(fields, said.append)
            case "ORC":
                _orc(fields, said.append)
            case "OBR":
                _obr(fields, said.append)
                # The report's status, and whether it says when that changed.
                facts = fields[25] + ("+" if fields[22] else "") if len(fields) > 25 else ""
            case "OBX":
                facts = _obx(fields, said.append, self.version)
        return _Known(tuple(dict.fromkeys(said)), self._number(facts))

    def _number(self, facts: _Observed | str) -> int:
        key = (facts,) if isinstance(facts, str) else tuple(map(str, facts))
        number = self._numbers.get(key)
        if number is None:
            number = self._numbers[key] = len(self._by_number)
            self._by_number.append(facts)
        return number

    def _group(self, group: list[int], problems: list[str]) -> None:
        """Check what an OBR and its OBX say together; a group is the facts of the OBR and of each OBX."""
        if not group:
            return
        key = tuple(group)
        said = self._groups.get(key)
        if said is None:
            if len(self._groups) >= self.REMEMBERED:
                self._groups.clear()
            said = self._groups[key] = tuple(self._grouped(key))
        problems += said

    def _grouped(self, key: tuple[int, ...]) -> list[str]:
        report = self._by_number[key[0]]
        observed = [item for item in (self._by_number[number] for number in key[1:]) if isinstance(item, _Observed)]
        said: list[str] = []
        if [item.number for item in observed] != list(range(1, len(observed) + 1)):
            said.append("OBX-1: does not count 1, 2, 3, ... within its OBR")
        if len({item.sub_id for item in observed}) != len(observed):
            said.append("OBX-4: stands twice within an OBR")
        if any(item.qualifies for item in observed) and not any(item.pressure for item in observed):
            said.append("OBX-3: says how a blood pressure was taken, but there is none within the OBR")
        statuses = {item.status for item in observed if item.status}
        report, changed = str(report).removesuffix("+"), str(report).endswith("+")
        agreeing = AGREEING.get(report)
        if statuses & WITHDRAWN and not changed:
            said.append("OBR-22: a withdrawn result says when it was withdrawn")
        if statuses & WITHDRAWN:
            if len(statuses) > 1:
                said.append("OBX-11: all results of a message are withdrawn alike, or none")
            if report not in ("C", "P"):
                said.append("OBR-25 and OBX-11: a withdrawn result needs a report that is corrected or preliminary")
        elif agreeing is not None and not statuses <= agreeing:
            said.append("OBR-25 and OBX-11: do not say the same of the result")
        elif report == "P" and statuses - {"X"} and not statuses & {"P", "R"}:
            said.append("OBR-25 and OBX-11: the report is preliminary, but none of its results is")
        elif report == "C" and not statuses & {"C", "X"}:
            said.append("OBR-25 and OBX-11: the report is corrected, but none of its results is")
        return said


_IN_MESSAGE = frozenset(FIELDS) - {"FHS", "BHS", "BTS", "FTS"}
_BEFORE = {"FHS": ("start",), "BHS": ("FHS", "BTS"), "BTS": ("BHS", "MSH"), "FTS": ("FHS", "BTS")}


def deep_oru(message: str) -> str:
    """Read one message with hl7apy, strict; slow, for samples.

    Returns:
        "" when it reads, else the kind of error and the fields it names, without any value.
    """
    from hl7apy.consts import VALIDATION_LEVEL
    from hl7apy.exceptions import HL7apyException
    from hl7apy.parser import parse_message

    try:
        parsed = parse_message(message, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
        parsed.validate()
    except (HL7apyException, ValueError) as error:
        named = re.findall(r"\b([A-Z][A-Z0-9]{1,2})((?:_[0-9]{1,2})*)\b", str(error))
        places = sorted({name + place for name, place in named if name in FIELDS or name in COMPONENTS})
        return f"{type(error).__name__}: {', '.join(places[:5]) or 'no field named'}"
    return ""
