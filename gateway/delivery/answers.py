"""What an answer of a receiver means: what becomes of the message, in words for a person, and whom it is about.

The one table of it, for acknowledgements of HL7 v2 and for answers of FHIR servers. A site may settle single answers
otherwise, by the key under which an answer is reported ("AR:204", "422", "422:code-invalid").

Sources: HL7 v2 table 0008 and table 0357 (http://terminology.hl7.org/CodeSystem/v2-0008 and v2-0357, with the comments
there: 100 to 199 are errors of the message, 200 to 207 rejections); HL7 v2.9.1, 2.8.2 and 2.8.3, for what the codes of
table 0008 ask of the sender; RFC 9110 section 15 for HTTP statuses, RFC 4918 (423, 424, 507), RFC 6585 (428, 429, 431,
511), RFC 8470 (425); http://hl7.org/fhir/R4/http.html for what FHIR makes of them;
http://hl7.org/fhir/R4/valueset-issue-type.html for issue types, whose group "transient" can be sent again.

What these sources leave open, and is settled here:

* AR and CR with a condition about content (100 to 199) or about an identifier (204, 205) are parked, although AR by
  itself asks for another attempt: the same bytes will not fare better. What to do about an unknown patient, a person
  knows.
* 205, an identifier that is there already, is parked and not delivered: only a person can tell whether the receiver
  holds this very record.
* 206, locked, is tried again whatever the code; 207, an error inside, is parked after AE and CE, which blame the
  message, and tried again after AR and CR. AR and CR without a condition are tried again.
* Faults of the endpoint (credentials, address, a server that is away) meet every message alike. They are tried again
  for as long as it takes, and never park: else one wrong password would park a whole night.
* With several reasons, one that parks decides: the others passing helps nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Final, Literal, NamedTuple

from pydantic import AfterValidator, Field

from gateway.delivery.base import Verdict

Choice = Literal["park", "later"]
"""What a site may say of an answer. That something was delivered, only the receiver can say."""

_CHOICES: Final = {"park": Verdict.PARKED, "later": Verdict.LATER}


class Meaning(NamedTuple):
    """What an answer means.

    Attributes:
        verdict: what becomes of the message.
        words: for a person, without a capital and a full stop.
        everyone: it would be the answer to any message: the receiver or the way to it is at fault.
        soon: another attempt within minutes may go better; otherwise it is left to a later delivery.
        key: the answer's short name, by which a site may settle it otherwise.
    """

    verdict: Verdict
    words: str
    everyone: bool = False
    soon: bool = False
    key: str = ""


def _parked(words: str) -> Meaning:
    return Meaning(Verdict.PARKED, words)


def _later(words: str, *, everyone: bool = False, soon: bool = True) -> Meaning:
    return Meaning(Verdict.LATER, words, everyone, soon)


def _endpoint(words: str) -> Meaning:
    """A fault that a person mends, at the receiver or in our settings, and that no message is to blame for."""
    return _later(words, everyone=True, soon=False)


# -- HL7 v2

_CODES: Final = {
    "AA": Meaning(Verdict.DELIVERED, "accepted by the receiver"),
    "CA": Meaning(Verdict.DELIVERED, "stored by the receiver, which has not yet said that it could use it"),
    "AE": _parked("the receiver found an error in the message and does not say which"),
    "CE": _parked("the receiver could not store the message and does not say why"),
    "AR": _later("the receiver refused the message for now and does not say why"),
    "CR": _later("the receiver refused for now to store the message and does not say why"),
}
"""HL7 table 0008, and what each means without a condition."""

_REFUSALS: Final = ("AE", "AR", "CE", "CR")

_CONDITIONS: Final = {
    "100": _parked("the receiver expects the segments in another order, or misses one"),
    "101": _parked("the receiver misses a field that it requires"),
    "102": _parked("the receiver cannot read the form of a field"),
    "103": _parked("the receiver does not know a code in the message"),
    "104": _parked("a value is longer than the receiver takes"),
    "198": _parked("a segment or field stands there more or less often than the receiver allows"),
    "199": _parked("the receiver finds the form of the message at fault"),
    "200": _parked("the receiver takes no messages of this type"),
    "201": _parked("the receiver takes no messages for this event"),
    "202": _parked("the receiver takes no messages of this kind of processing (production, training or test)"),
    "203": _parked("the receiver takes no messages of this HL7 version"),
    "204": _parked("the receiver does not know an identifier in the message, most often the patient's"),
    "205": _parked("the receiver has this identifier already, perhaps by an earlier attempt"),
    "206": _later("what the message would change is locked at the receiver just now"),
    "207": _parked("an error happened inside the receiver, which it does not explain"),
}
"""HL7 table 0357 without 0, which is no reason for anything."""

CONDITIONS: Final = frozenset({"0", *_CONDITIONS})
"""HL7 table 0357."""

_ERROR_INSIDE: Final = _later(_CONDITIONS["207"].words)

_UNKNOWN: Final = {
    "PID": "the receiver does not know the patient",
    "PV1": "the receiver does not know the visit or the place",
    "ORC": "the receiver does not know the order",
    "OBR": "the receiver does not know the order",
}
"""Condition 204 by the segment that holds the identifier."""

_HEADER: Final = {"MSH-9": "200", "MSH-11": "202", "MSH-12": "203"}
"""Places that alone are a reason for AR (HL7 v2.9.1, 2.8.2.1), and the condition that each amounts to."""
_OF_HEADER: Final = frozenset({"200", "201", "202", "203"})


def acknowledged(
    code: str, conditions: Sequence[str] = (), places: Sequence[str] = (), site: Mapping[str, Choice] | None = None
) -> Meaning | None:
    """What an acknowledgement means; None when its code is not of table 0008.

    Args:
        code: MSA-1.
        conditions: codes of table 0357; others are left out.
        places: what they are about, such as "PID-3".
        site: what the site says of single answers.
    """
    plain = _CODES.get(code)
    if plain is None or plain.verdict is Verdict.DELIVERED:
        return plain and plain._replace(key=code)
    refused = code in ("AR", "CR")
    known = dict.fromkeys(each for each in conditions if each in _CONDITIONS)
    if refused and not known.keys() & _OF_HEADER:
        known |= dict.fromkeys(_HEADER[place] for place in places if place in _HEADER)
    segments = {place[:3] for place in places}
    found: list[Meaning] = []
    for condition in known or [""]:
        meaning = _CONDITIONS.get(condition, plain)
        if condition == "207" and refused:
            meaning = _ERROR_INSIDE
        if condition == "204":
            told = [words for segment, words in _UNKNOWN.items() if segment in segments]
            meaning = meaning._replace(words=told[0] if told else meaning.words)
        found.append(_settled(meaning, code, condition, site))
    told_places = f" ({', '.join(places)})" if places else ""
    return _decided(found, told_places)


# -- FHIR over HTTP

_AWAY: Final = "the server is not there just now"
_STATUSES: Final = {
    400: _parked("the server cannot make sense of what was sent"),
    401: _endpoint("our credentials are not accepted"),
    402: _endpoint("the server asks for a payment first"),
    403: _endpoint("the server does not allow us to do this"),
    404: _endpoint("there is no FHIR server at this address"),
    405: _endpoint("nothing can be sent to this address"),
    406: _endpoint("the server cannot answer in the form that we read"),
    407: _endpoint("a proxy on the way does not accept us"),
    408: _later("the server gave up waiting for the whole of what was sent", everyone=True),
    409: _later("it conflicts with what the server has or does just now"),
    410: _endpoint("there is no FHIR server at this address any more"),
    411: _endpoint("the server or a proxy on the way asks for another form of request"),
    412: _parked("a condition fits more than one record of the server"),
    413: _parked("the server takes nothing of this size"),
    414: _endpoint("the address is too long for the server"),
    415: _endpoint("the server does not take FHIR as JSON"),
    416: _endpoint("the server or a proxy on the way asks for another form of request"),
    417: _endpoint("the server or a proxy on the way asks for another form of request"),
    418: _endpoint("what answers at this address is no FHIR server"),
    421: _endpoint("the server does not answer for this address"),
    422: _parked("the server understands what was sent, and does not accept its content"),
    423: _later("what it would change is locked at the server just now"),
    424: _parked("it depends on something else that the server did not do"),
    425: _later("the server wants it sent again, a little later", everyone=True),
    426: _endpoint("the server wants another protocol"),
    428: _parked("the server changes a record only when it is told which version we know"),
    429: _later("we send more than the server takes at a time", everyone=True),
    431: _endpoint("our request headers are too long for the server"),
    451: _parked("the server may not take it, for reasons of law"),
    500: _later("an error happened inside the server"),
    501: _endpoint("the server cannot do what is asked of it"),
    502: _later(_AWAY, everyone=True),
    503: _later(_AWAY, everyone=True),
    504: _later(_AWAY, everyone=True),
    505: _endpoint("the server does not speak this version of HTTP"),
    506: _endpoint("the server is not set up rightly"),
    507: _later("the server has no room left", everyone=True),
    508: _endpoint("the server is not set up rightly"),
    510: _endpoint("the server or a proxy on the way asks for another form of request"),
    511: _endpoint("the network asks for a login before it lets anything pass"),
}
_REDIRECTED: Final = _endpoint("the server sends us to another address; give the final address in the settings")
_NO_ANSWER: Final = _parked("this is not how a server says that it has stored what was sent")
_OF_ENTRY: Final = {
    403: "the server does not allow us to write this",
    404: "the server does not find what this refers to",
    405: "the server lets nobody write this",
    410: "what this refers to was deleted at the server",
}
"""Statuses of an entry where the same number means something else for a whole request."""
_OVER_ALL: Final = frozenset({"401", "407", "511"})
"""Faults of credentials, which are not about a record even where records are named."""

ISSUES: Final = {
    "invalid": "the content is not valid",
    "structure": "the content is not built as the server expects it",
    "required": "something is missing that the server requires",
    "value": "a value is not valid",
    "invariant": "the content breaks a rule of the profile",
    "security": "the server's security does not allow it",
    "login": "our credentials are not accepted",
    "unknown": "the server does not know the user of our credentials",
    "expired": "our session or credentials have expired",
    "forbidden": "we are not allowed to do this",
    "suppressed": "the server holds something back, and does not say what",
    "processing": "the server could not process it",
    "not-supported": "the server does not support what is asked of it",
    "duplicate": "the server has such a record already",
    "multiple-matches": "a condition fits more than one record of the server",
    "not-found": "the server does not find what is referred to",
    "deleted": "what is referred to was deleted at the server",
    "too-long": "it is longer than the server takes",
    "code-invalid": "the server does not know a code, or does not take it there",
    "extension": "the server does not take an extension",
    "too-costly": "it is more than the server does at once",
    "business-rule": "a rule of the receiver's own forbids it",
    "conflict": "it conflicts with what the server has or does just now",
    "transient": "the server could not do it just now",
    "lock-error": "what it would change is locked at the server just now",
    "no-store": "the server cannot store anything just now",
    "exception": "an error happened inside the server",
    "timeout": "the server was too slow for itself",
    "incomplete": "the server cannot reach all that it needs just now",
    "throttled": "we send more than the server takes at a time",
    "informational": "the server only remarks on something",
}
"""Issue types of FHIR R4 in words."""

_PASSING: Final = {
    kind: _later(ISSUES[kind], everyone=everyone, soon=False)
    for kind, everyone in (
        ("transient", False), ("lock-error", False), ("exception", False), ("timeout", False),
        ("no-store", True), ("incomplete", True), ("throttled", True),
        ("login", True), ("unknown", True), ("expired", True),
    )
}  # fmt: skip
"""Issue types for which a refusal of the content is none: the group "transient", and faults of our credentials."""


def status(code: int) -> Meaning:
    """What an HTTP status means as the answer to a whole request, by itself.

    Statuses without a meaning of their own mean what x00 of their class means (RFC 9110 section 15).
    """
    meaning = _STATUSES.get(code)
    if meaning is None and 300 <= code < 400:
        meaning = _REDIRECTED
    if meaning is None:
        meaning = _STATUSES[400] if 400 <= code < 500 else _STATUSES[500] if code >= 500 else _NO_ANSWER
    return meaning._replace(key=str(code))


def answered(
    code: int, kinds: Iterable[str] = (), site: Mapping[str, Choice] | None = None, *, entry: bool = False
) -> Meaning:
    """What the answer of a FHIR server means that is not a success.

    Args:
        code: HTTP status, of the request or of an entry in the answer.
        kinds: issue types of the grave issues; "" for one that FHIR does not know.
        site: what the site says of single answers.
        entry: the answer is about entries that it names, and not about every request.
    """
    plain = status(code)
    about_record = entry and plain.key not in _OVER_ALL
    if about_record and plain.everyone:
        # The same number about a record: it, and not the server, is gone, forbidden or not there.
        plain = plain._replace(everyone=False)
        if not plain.soon:
            plain = plain._replace(verdict=Verdict.PARKED, words=_OF_ENTRY.get(code, "the server does not take this"))
    found = []
    for kind in dict.fromkeys(kinds) or [""]:
        meaning = plain._replace(words=ISSUES.get(kind, plain.words))
        if plain.verdict is Verdict.PARKED and kind in _PASSING:
            meaning = _PASSING[kind]
        found.append(_settled(meaning, str(code), kind, site))
    return _decided(found)


# -- both


def _settled(meaning: Meaning, code: str, detail: str, site: Mapping[str, Choice] | None) -> Meaning:
    """The meaning under its key, and as the site has it: what it says of the detail before what it says of the code."""
    meaning = meaning._replace(key=f"{code}:{detail}" if detail else code)
    for key in (meaning.key, code):
        choice = (site or {}).get(key)
        if choice is not None:
            verdict = _CHOICES[choice]
            return meaning._replace(verdict=verdict, everyone=meaning.everyone and verdict is Verdict.LATER)
    return meaning


def _decided(found: Sequence[Meaning], places: str = "") -> Meaning:
    """One of several meanings: the first that parks, else the first; in the words of all that decide the same."""
    first = next((each for each in found if each.verdict is Verdict.PARKED), found[0])
    words = dict.fromkeys(each.words for each in found if each.verdict is first.verdict)
    return first._replace(words="; ".join(words) + places)


# -- settings

_ALLOWED_V2 = "AE, AR, CE or CR, alone or with a condition of HL7 table 0357, such as AR:204"
_ALLOWED_HTTP = "an HTTP status from 300 to 599, alone or with an issue type of FHIR R4, such as 422:not-found"


def _v2_key(text: str) -> str:
    code, colon, condition = text.partition(":")
    if code not in _REFUSALS or (condition not in _CONDITIONS if colon else False):
        raise ValueError(f"this is no answer that can be settled here; allowed is {_ALLOWED_V2}")
    return text


def _http_key(text: str) -> str:
    code, colon, kind = text.partition(":")
    if not re.fullmatch(r"[345][0-9]{2}", code) or (kind not in ISSUES if colon else False):
        raise ValueError(f"this is no answer that can be settled here; allowed is {_ALLOWED_HTTP}")
    return text


_OTHERWISE = (
    'answers that mean something else here: "park" sets the message aside, "later" sends it again; each key is '
)

V2Answers = Annotated[
    dict[Annotated[str, AfterValidator(_v2_key)], Choice], Field(description=_OTHERWISE + _ALLOWED_V2)
]
"""What a site says of acknowledgements."""

HttpAnswers = Annotated[
    dict[Annotated[str, AfterValidator(_http_key)], Choice], Field(description=_OTHERWISE + _ALLOWED_HTTP)
]
"""What a site says of answers of a FHIR server."""

ParkAfter = Annotated[
    int,
    Field(
        ge=0,
        le=1000,
        description="nights after which a message is parked that the receiver answers each night with a refusal that "
        "may pass; no answer, and faults of the receiver itself, never count; 0 for never",
    ),
]
PARK_AFTER: Final = 5
"""Our choice: a working week of nights."""

Corrections = Annotated[
    Literal["changed", "whole"],
    Field(description="what a correction carries: only the values that changed, or the whole set as it is now"),
]
"""What a correction to an HL7 v2 receiver carries."""
