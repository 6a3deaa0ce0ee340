"""HL7 v2 messages over MLLP: one message at a time, each followed by its acknowledgement.

A message is on the wire as <VT> message <FS><CR> (HL7 Transport Specification MLLP, release 1). The acknowledgement is
the one whose MSA-2 is the message's MSH-10; whatever else arrives is ignored while the waiting goes on.

| answer | in original mode | in enhanced mode |
| --- | --- | --- |
| AA | accepted by the application | the same, later |
| CA | | stored, not yet processed |
| AE, CE | the content is at fault | the same |
| AR, CR | refused | the same |

(HL7 v2.9.1, 2.8.2 and 2.8.3.) Which mode it is, the message says in MSH-15 and MSH-16; what is made of each answer,
`gateway.delivery.answers` says. No answer, a lost connection and unreadable answers are tried again over a new
connection with the same bytes, so with the same MSH-10: a receiver may see a message more than once, and tells by
MSH-10 that it is the same.
"""

from __future__ import annotations

import itertools
import re
import socket
import ssl
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, NamedTuple, Self

from pydantic import Field

from gateway.delivery.answers import (
    CONDITIONS,
    PARK_AFTER,
    Choice,
    Corrections,
    Meaning,
    ParkAfter,
    V2Answers,
    acknowledged,
)
from gateway.delivery.base import Name, Owner, Receipt, Verdict
from gateway.delivery.patience import attempts
from gateway.delivery.settings import SettingsError, Table, Tls
from gateway.errors import InputError

_START, _END, _CR = 0x0B, 0x1C, 0x0D

# Common practice, no source: acknowledgements have a few hundred bytes, so a hundred times that is no acknowledgement.
_LONGEST_ANSWER = 1 << 16
_REMEMBERED = 1024
_PEEKS = 16
_CHUNK = 1 << 16

_CODECS: Final = {b"": "ascii", b"ASCII": "ascii", b"UNICODE UTF-8": "utf-8"}


class MllpTls(Tls):
    """The same, and the name that a receiver goes by."""

    server_name: str = Field(default="", description="name in the receiver's certificate, when it is not the host")


class MllpTarget(Table):
    """Where HL7 v2 messages go over MLLP, and with how much patience. Times are seconds."""

    name: str = Field(min_length=1, description="how the target is called in reports")
    host: str = Field(min_length=1, description="name or address of the receiver")
    port: int = Field(ge=1, le=65535, description="port of the receiver")
    tls: MllpTls | None = Field(default=None, description="without it the connection is not encrypted")
    connect_timeout: float = Field(default=10, gt=0, le=600, description="seconds to wait for the connection")
    acknowledge_timeout: float = Field(default=30, gt=0, le=3600, description="for sending and for the answer, each")
    attempts: int = Field(default=4, ge=1, le=100, description="times a message is sent before it is left for later")
    pause: float = Field(
        default=1, ge=0, le=600, description="before the second attempt; doubles each time, and varies"
    )
    longest_pause: float = Field(
        default=60, ge=0, le=3600, description="longest pause between two attempts, in seconds"
    )
    answers: V2Answers = Field(default={})
    park_after: ParkAfter = PARK_AFTER
    corrections: Corrections = "changed"


class SiteMllp(MllpTarget):
    """A receiver of HL7 v2 over MLLP, with the name of who looks after it."""

    kind: Literal["mllp"] = Field(description="what kind of target it is")
    name: Name = Field(description="name of its own, shown in reports and logs")
    owner: Owner

    @property
    def takes(self) -> Literal["oru"]:
        """Messages one by one."""
        return "oru"

    def target(self) -> MllpSender:
        """The receiver; nothing is sent or opened yet."""
        return MllpSender(self)

    @staticmethod
    def example(folder: Path) -> dict[str, Any]:
        """Settings of a receiver that is not there."""
        who = {"kind": "mllp", "name": "lab", "owner": "interface team"}
        return who | {"host": "127.0.0.1", "port": 9, "attempts": 1}


TARGET = SiteMllp


class LateAnswer(NamedTuple):
    """An acknowledgement of an earlier message that came after its receipt was given.

    Attributes:
        control: MSH-10 of that message.
        receipt: what the acknowledgement says, as for `MllpSender.send`.
    """

    control: str
    receipt: Receipt


class FrameReader:
    """Cuts a byte stream into MLLP frames; how the stream was divided on its way makes no difference.

    Only <VT> content <FS><CR> is a frame. Bytes outside of frames and frames that are broken off are left out and
    counted. Nothing is kept but the content of the frame that is being read.

    Args:
        limit: longest content in bytes.

    Attributes:
        noise: how many bytes were left out; line ends between frames do not count.
        overflow: a frame was longer than the limit; everything after it is left out.
    """

    def __init__(self, limit: int = _LONGEST_ANSWER) -> None:
        self.noise = 0
        self.overflow = False
        self._limit = limit
        self._content: bytearray | None = None
        self._ended = False

    @property
    def unfinished(self) -> bool:
        """A frame has begun and not ended."""
        return self._content is not None

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes of the stream; the contents of the frames that they complete."""
        frames: list[bytes] = []
        at = 0
        while at < len(data) and not self.overflow:
            if self._content is None:
                start = data.find(_START, at)
                skipped = data[at:] if start < 0 else data[at:start]
                self.noise += len(skipped.translate(None, b"\r\n"))
                at = len(data) if start < 0 else start + 1
                self._content = None if start < 0 else bytearray()
            elif self._ended:
                if data[at] == _CR:
                    frames.append(bytes(self._content))
                    at += 1
                else:
                    self.noise += len(self._content) + 2
                self._content, self._ended = None, False
            else:
                mark = _FRAMING.search(data, at)
                self._content += data[at : mark.start() if mark else len(data)]
                at = mark.end() if mark else len(data)
                if len(self._content) > self._limit:
                    self._content, self.overflow = None, True
                elif mark and mark[0][0] == _START:
                    self.noise += len(self._content) + 1
                    self._content = bytearray()
                else:
                    self._ended = mark is not None
        return frames


_FRAMING = re.compile(rb"[\x0b\x1c]")


def messages_of(batch: bytes) -> list[bytes]:
    """The messages of a batch file, byte for byte and in their order.

    The structure is [FHS] { [BHS] { messages } [BTS] } [FTS] (HL7 v2.9.1, 2.9.3.1); messages without any envelope are
    taken as well. Segments end with a carriage return.

    Raises:
        InputError: the structure is broken, or a count in BTS-1 or FTS-1 is not that of the file.
    """
    messages: list[list[bytes]] = []
    opened: list[bytes] = []  # envelopes that are open: FHS, BHS
    closed = batches = in_batch = 0
    if b"\n" in batch:
        raise _broken("holds line feeds; segments end with a carriage return", 0)
    segments = batch.split(b"\r")
    if segments.pop():
        raise _broken("ends in the middle of a segment", len(segments) + 1)
    for number, segment in enumerate(segments, 1):
        kind = segment[:3]
        if closed:
            raise _broken("goes on after FTS", number)
        if kind == b"MSH":
            if batches and b"BHS" not in opened:
                raise _broken("has a message outside of its batches", number)
            messages.append([segment])
            in_batch += 1
        elif kind == b"FHS":
            if number > 1:
                raise _broken("has FHS in its middle", number)
            opened.append(kind)
        elif kind == b"BHS":
            if b"BHS" in opened or in_batch:
                raise _broken("has BHS before the batch before it has ended", number)
            opened.append(kind)
        elif kind == b"BTS":
            if opened[-1:] != [b"BHS"]:
                raise _broken("has BTS without BHS", number)
            _counted(segment, in_batch, "messages", number)
            opened.pop()
            batches, in_batch = batches + 1, 0
        elif kind == b"FTS":
            if opened != [b"FHS"]:
                raise _broken("has FTS without FHS, or before BTS", number)
            _counted(segment, batches or min(in_batch, 1), "batches", number)
            opened.pop()
            closed = True
        elif re.fullmatch(rb"[A-Z][A-Z0-9]{2}", kind) and in_batch:
            messages[-1].append(segment)
        else:
            raise _broken("has something that belongs to no message", number)
    if opened:
        raise _broken("ends before its last segment, FTS or BTS", len(segments))
    return [b"\r".join(message) + b"\r" for message in messages]


def _counted(segment: bytes, found: int, what: str, number: int) -> None:
    """BTS-1 and FTS-1 may be empty; a count that is there must be right."""
    fields = segment.split(segment[3:4] or b"|")
    stated = fields[1].strip() if len(fields) > 1 else b""
    if stated and (not stated.isdigit() or int(stated) != found):
        raise _broken(f"states another number of {what} than it holds ({found})", number)


def _broken(what: str, number: int) -> InputError:
    return InputError(
        f"The batch file {what}",
        where=f"segment {number}" if number else "",
        todo="Nothing of it was sent; have the file written again by the conversion",
    )


class _Message(NamedTuple):
    """A message that is fit to be sent."""

    control: bytes
    frame: bytes


class _Answer(NamedTuple):
    """What matters of an acknowledgement; nothing that the receiver wrote freely, which may name the patient.

    Attributes:
        control: MSA-2.
        meaning: of MSA-1 with its conditions and places.
    """

    control: bytes
    meaning: Meaning

    def receipt(self) -> Receipt:
        """The answer as a verdict, in words."""
        words = self.meaning.words
        return Receipt(self.meaning.verdict, self.meaning.key, f"{words[0].upper()}{words[1:]}.", answered=True)


class _FailedError(Exception):
    """An attempt that failed.

    Args:
        code: for the receipt.
        text: a sentence.
        again: another attempt may go better.
        reached: the message may have got to the receiver.
        answered: the receiver itself answered.
    """

    def __init__(
        self, code: str, text: str, *, again: bool = True, reached: bool = True, answered: bool = False
    ) -> None:
        super().__init__(code)
        self.code = code
        self.text = text
        self.again = again
        self.reached = reached
        self.answered = answered


class MllpSender:
    """Sends HL7 v2 messages over MLLP; see the head of this module for what is made of the answers.

    The connection is opened when it is needed and kept. Calls from several threads wait for each other, so that one
    message at a time is outstanding.

    Args:
        settings: where to, and with how much patience.

    Attributes:
        name: from the settings.
        kind: "oru".
        park_after: from the settings.
        corrections: from the settings.
    """

    kind: Literal["fhir", "oru"] = "oru"

    def __init__(self, settings: MllpTarget) -> None:
        self.name = settings.name
        self.park_after: int = settings.park_after
        self.corrections: Literal["changed", "whole"] = settings.corrections
        self._settings = settings
        self._connection: _Connection | None = None
        self._turn = threading.RLock()
        # The last answer to each message that was sent lately; None for none.
        self._answered: OrderedDict[bytes, Meaning | None] = OrderedDict()
        self._late: deque[LateAnswer] = deque(maxlen=_REMEMBERED)

    def send(self, data: bytes) -> Receipt:
        """Send one message and wait for its acknowledgement.

        Codes of the receipt are those of the acknowledgement (AA AE AR CA CE CR), with the condition that decided
        ("AR:204"), or

        * parked: "not-a-message", "framing-bytes", "line-ends", "encoding", "no-control-id", "no-acknowledgement";
        * later: "no-connection", "tls", "no-answer", "closed", "half-frame", "unreadable", "too-long", "not-taken".

        Args:
            data: the message; its segments end with a carriage return.
        """
        with self._turn:
            message = _checked(data)
            if isinstance(message, Receipt):
                return message
            settings = self._settings
            tries = attempts(
                on=lambda error: isinstance(error, _FailedError) and error.again,
                attempts=settings.attempts,
                timeout=None,
                wait_initial=settings.pause,
                wait_max=settings.longest_pause,
                wait_jitter=settings.pause,
            )
            reached = False
            try:
                for attempt in tries:
                    with attempt:
                        try:
                            return self._attempt(message)
                        except _FailedError as failed:
                            reached = reached or failed.reached
                            raise
            except _FailedError as failed:
                return Receipt(Verdict.LATER, failed.code, failed.text, reached=reached, answered=failed.answered)
            raise AssertionError("an attempt neither succeeded nor failed")

    def check(self) -> list[str]:
        """What is wrong with the settings, in sentences; the network is not used."""
        if self._settings.tls is not None:
            try:
                _context(self._settings.tls)
            except _FailedError as failed:
                return [failed.text]
        return []

    def late(self) -> list[LateAnswer]:
        """Acknowledgements of earlier messages that came since the last call; at most the last 1024.

        In enhanced mode an application may answer AE to a message long after it was stored (CA). Such an answer is
        only noticed when it comes over the same connection.
        """
        with self._turn:
            with suppress(_FailedError):
                self._collect(None)
            answers = list(self._late)
            self._late.clear()
            return answers

    def close(self) -> None:
        """Close the connection; the next message opens another."""
        with self._turn:
            with suppress(_FailedError):
                self._collect(None)
            self._drop()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _attempt(self, message: _Message) -> Receipt:
        """Send the message once; raises _FailedError when that is worth another attempt, or has to wait."""
        try:
            answer = self._collect(message)
            if answer is None:
                connection = self._open()
                self._remember(message.control, self._answered.get(message.control))
                connection.write(message.frame, time.monotonic() + self._settings.acknowledge_timeout)
                answer = self._wait(connection, message)
        except BaseException:
            self._drop()  # whatever is still on its way belongs to this attempt
            raise
        self._remember(message.control, answer.meaning)
        receipt = answer.receipt()
        if receipt.verdict is Verdict.LATER:
            raise _FailedError(receipt.code, receipt.message, again=answer.meaning.soon, answered=True)
        return receipt

    def _wait(self, connection: _Connection, message: _Message) -> _Answer:
        """The acknowledgement of this message; everything else is noted or ignored."""
        deadline = time.monotonic() + self._settings.acknowledge_timeout
        while True:
            frame = connection.read(deadline)
            if frame == b"\x15":  # the commit acknowledgement of MLLP release 2 (byte value from memory)
                raise _FailedError("not-taken", "The receiver's connection did not take the message.")
            answer = _answer(frame, self._settings.answers)
            if answer is None:
                connection.strays += 1
            elif answer.control == message.control:
                return answer
            else:
                self._note(connection, answer)

    def _collect(self, message: _Message | None) -> _Answer | None:
        """Take what has arrived already, before the next message goes out.

        An answer to this very message counts when the message has been on the wire before: then it is late, and final.
        That it was refused the last time is no reason not to try again.
        """
        connection = self._connection
        if connection is None:
            return None
        found = None
        try:
            for seen in itertools.count():
                frame = connection.peek()
                if frame is None:
                    break
                if seen == _REMEMBERED:
                    raise _FailedError("unreadable", "The receiver sends without being asked, and without end.")
                answer = _answer(frame, self._settings.answers)
                if answer is None:
                    connection.strays += 1
                elif message is None or answer.control != message.control:
                    self._note(connection, answer)
                elif self._open_still(answer.control):
                    found = found or (None if answer.meaning.verdict is Verdict.LATER else answer)
        except _FailedError:
            self._drop()  # closed by the receiver while nothing was outstanding: no harm done
        return found

    def _open_still(self, control: bytes) -> bool:
        """A message was sent lately, and no answer has settled it."""
        last = self._answered.get(control)
        return control in self._answered and (last is None or last.verdict is Verdict.LATER)

    def _note(self, connection: _Connection, answer: _Answer) -> None:
        """Keep an answer to an earlier message, if it says something new."""
        connection.strays += 1
        if self._answered.get(answer.control, answer.meaning) != answer.meaning:
            self._answered[answer.control] = answer.meaning
            self._late.append(LateAnswer(answer.control.decode("latin-1"), answer.receipt()))

    def _remember(self, control: bytes, meaning: Meaning | None) -> None:
        self._answered[control] = meaning
        self._answered.move_to_end(control)
        if len(self._answered) > _REMEMBERED:
            self._answered.popitem(last=False)

    def _open(self) -> _Connection:
        if self._connection is None:
            self._connection = _Connection(_connected(self._settings))
        return self._connection

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


class _Connection:
    """An open connection: whole frames, and nothing for longer than a deadline of the monotonic clock.

    Attributes:
        strays: frames that were not the answer that was waited for.
    """

    def __init__(self, plug: socket.socket) -> None:
        self.strays = 0
        self._plug = plug
        self._reader = FrameReader()
        self._waiting: deque[bytes] = deque()

    def write(self, frame: bytes, deadline: float) -> None:
        rest = memoryview(frame)
        # Outside of TLS a lost connection must not end a program that has SIGPIPE at its default.
        self.strays = self._reader.noise = 0
        flags = () if isinstance(self._plug, ssl.SSLSocket) else (getattr(socket, "MSG_NOSIGNAL", 0),)
        try:
            while rest:
                self._patience(deadline)
                rest = rest[self._plug.send(rest[:_CHUNK], *flags) :]
        except TimeoutError:
            raise _FailedError("no-answer", "The receiver did not take the whole message in time.") from None
        except OSError as error:
            raise _lost(error) from None

    def read(self, deadline: float) -> bytes:
        """The content of the next frame."""
        while not self._waiting:
            try:
                self._patience(deadline)
                self._receive()
            except TimeoutError:
                raise self._silence() from None
        return self._waiting.popleft()

    def peek(self) -> bytes | None:
        """The content of the next frame if it has arrived already."""
        for _ in range(_PEEKS):  # unasked and endless bytes must not hold up the next message
            if self._waiting:
                break
            self._plug.settimeout(0)
            try:
                self._receive()
            except (BlockingIOError, ssl.SSLWantReadError):
                break
        return self._waiting.popleft() if self._waiting else None

    def close(self) -> None:
        with suppress(OSError):
            self._plug.shutdown(socket.SHUT_RDWR)
        with suppress(OSError):
            self._plug.close()

    def _patience(self, deadline: float) -> None:
        left = deadline - time.monotonic()
        if left <= 0:
            raise TimeoutError
        self._plug.settimeout(left)

    def _receive(self) -> None:
        try:
            data = self._plug.recv(_CHUNK)
        except (TimeoutError, BlockingIOError, ssl.SSLWantReadError):
            raise
        except OSError as error:
            raise _lost(error) from None
        if not data and self._reader.unfinished:
            raise _FailedError("half-frame", "The receiver closed the connection in the middle of its answer.")
        if not data:
            raise _FailedError("closed", "The receiver closed the connection without an answer.")
        self._waiting.extend(self._reader.feed(data))
        if self._reader.overflow and not self._waiting:
            raise _FailedError("too-long", f"The receiver's answer has more than {_LONGEST_ANSWER} bytes.")

    def _silence(self) -> _FailedError:
        """Why waiting was in vain."""
        if self.strays:
            return _FailedError("no-answer", "What the receiver sent did not acknowledge this message.")
        if self._reader.unfinished:
            return _FailedError("half-frame", "The receiver's answer broke off.")
        if self._reader.noise:
            return _FailedError("unreadable", "The receiver's answer was not framed as MLLP.")
        return _FailedError("no-answer", "The receiver did not acknowledge the message in time.")


def _connected(settings: MllpTarget) -> socket.socket:
    """A connected socket, encrypted where that is set."""
    tls = None if settings.tls is None else _context(settings.tls)
    where = f"{settings.host}:{settings.port}"
    try:
        plug = socket.create_connection((settings.host, settings.port), timeout=settings.connect_timeout)
    except OSError as error:
        reason = "it took too long" if isinstance(error, TimeoutError) else (error.strerror or "unknown").rstrip(".")
        raise _FailedError("no-connection", f"No connection to {where}: {reason}.", reached=False) from None
    try:
        plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        plug.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if tls is None or settings.tls is None:
            return plug
        return tls.wrap_socket(plug, server_hostname=settings.tls.server_name or settings.host)
    except ssl.SSLCertVerificationError as error:
        plug.close()
        text = f"The certificate of {where} is not trusted: {error.verify_message.rstrip('.')}."
        raise _FailedError("tls", text, again=False, reached=False) from None
    except (OSError, ValueError) as error:
        plug.close()
        reason = "it took too long" if isinstance(error, TimeoutError) else _reason(error)
        raise _FailedError("tls", f"No encrypted connection to {where}: {reason}.", reached=False) from None


def _context(tls: MllpTls) -> ssl.SSLContext:
    try:
        return tls.context()
    except SettingsError as error:
        text = f"The certificates for TLS cannot be used: {error.message}."
        raise _FailedError("tls", text, again=False, reached=False) from None


def _reason(error: Exception) -> str:
    reason = (error.reason or "") if isinstance(error, ssl.SSLError) else getattr(error, "strerror", "")
    return (reason or str(error)).replace("_", " ").lower().rstrip(".")


def _lost(error: OSError) -> _FailedError:
    code = "tls" if isinstance(error, ssl.SSLError) else "closed"
    return _FailedError(code, f"The connection to the receiver was lost: {_reason(error)}.")


def _checked(data: bytes) -> _Message | Receipt:
    """The message, or why it cannot be sent."""

    def parked(code: str, text: str) -> Receipt:
        return Receipt(Verdict.PARKED, code, text, reached=False)

    if _FRAMING.search(data):
        return parked("framing-bytes", "The message holds a byte that MLLP uses for framing (0B or 1C).")
    if b"\n" in data:
        return parked("line-ends", "The message holds line feeds; segments end with a carriage return.")
    segments = data.split(b"\r")
    if not data.startswith(b"MSH") or sum(segment.startswith(b"MSH") for segment in segments) > 1:
        return parked("not-a-message", "What was to be sent is not one HL7 v2 message.")
    header = _Segment(segments[0], segments[0][3:4])
    if not header.separates:
        return parked("not-a-message", "The message has no field separator in MSH-1.")
    control = header.field(10)
    if not control:
        return parked("no-control-id", "The message has no control id in MSH-10, so no answer could be matched.")
    characters = header.field(18).split(header.field(2)[1:2] or b"~")[0]
    # HL7 table 0211. In most of the others every byte is a character; the wide forms of Unicode cannot be framed.
    codec = _CODECS.get(characters, "latin-1")
    try:
        data.decode(codec)
    except UnicodeDecodeError:
        return parked("encoding", "The message is not in the character set that it states in MSH-18.")
    if characters.startswith(b"UNICODE") and codec != "utf-8":
        return parked("encoding", "The character set in MSH-18 cannot be sent over MLLP.")
    if (header.field(15) or header.field(16)) and header.field(15) not in (b"AL", b"SU"):
        return parked(
            "no-acknowledgement",
            "MSH-15 asks for no acknowledgement when the message is accepted, so its delivery could not be known.",
        )
    return _Message(control, bytes((_START,)) + data + bytes((_END, _CR)))


class _Segment:
    """The fields of a segment by their HL7 numbers."""

    def __init__(self, text: bytes, separator: bytes) -> None:
        self.separates = len(separator) == 1 and not separator.isalnum() and not separator.isspace()
        self._fields = text.split(separator) if self.separates else [text]
        self._shift = 1 if text.startswith(b"MSH") else 0  # MSH-1 is the separator itself

    def field(self, number: int) -> bytes:
        place = number - self._shift
        return self._fields[place] if place < len(self._fields) else b""


def _answer(frame: bytes, site: Mapping[str, Choice]) -> _Answer | None:
    """What an acknowledgement says; None if it is none. Segments may end with a line feed as well."""
    segments = [segment for segment in re.split(rb"[\r\n]+", frame) if segment]
    if not segments or not segments[0].startswith(b"MSH"):
        return None
    separator = segments[0][3:4]
    header = _Segment(segments[0], separator)
    found = [_Segment(segment, separator) for segment in segments if segment[:4] == b"MSA" + separator]
    if not header.separates or len(found) != 1:
        return None
    code = found[0].field(1).decode("ascii", "replace")
    signs = header.field(2)
    errors = [_Segment(segment, separator) for segment in segments if segment[:4] == b"ERR" + separator]
    conditions, places = _reasons(found[0], errors[:8], signs[:1] or b"^", signs[3:4] or b"&")
    meaning = acknowledged(code, conditions, places, site)
    return None if meaning is None else _Answer(found[0].field(2), meaning)


def _reasons(
    acknowledgement: _Segment, errors: Sequence[_Segment], component: bytes, part: bytes
) -> tuple[list[str], list[str]]:
    """Conditions and places out of MSA-6 (to 2.5.1), ERR-1 (to 2.4), ERR-2 and ERR-3 (from 2.5).

    What ERR-4 calls a warning or information (table 0516) is no reason for refusing.
    """
    conditions: list[str] = []
    places: list[str] = []

    def condition(code: bytes) -> None:
        conditions.extend(known for known in CONDITIONS if known.encode() == code)

    condition(acknowledgement.field(6).split(component)[0])
    for error in errors:
        if error.field(4).split(component)[0] in (b"W", b"I"):
            continue
        old = error.field(1).split(component)
        condition(error.field(3).split(component)[0])
        condition(old[3].split(part)[0] if len(old) > 3 else b"")
        for place in (old, error.field(2).split(component)):
            found = re.fullmatch(rb"([A-Z][A-Z0-9]{2}) [0-9]* ([0-9]{1,2})", b" ".join(place[:3]))
            if found:
                places.append(f"{found[1].decode()}-{int(found[2])}")
    return conditions, list(dict.fromkeys(places))
