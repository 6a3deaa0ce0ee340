"""MLLP: against a listener by another library, and against listeners that misbehave."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import hl7
import hl7.mllp
import pytest
import trustme
from cryptography.hazmat.primitives import serialization
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gateway.delivery.base import Receipt, Target, Verdict
from gateway.delivery.mllp import FrameReader, MllpSender, MllpTarget, MllpTls, messages_of
from gateway.errors import InputError
from tests.delivery.mllp_kit import Listener, Peer, ack, framed, message, settle, target

DELIVERED, PARKED, LATER = Verdict.DELIVERED, Verdict.PARKED, Verdict.LATER


def answers(*scripts: Callable[[Peer, str], Any]) -> Callable[[Peer], None]:
    """A script: what is done after each message of the listener's life; the last is repeated."""
    count = 0

    def run(peer: Peer) -> None:
        nonlocal count
        while True:
            control = peer.message().decode()
            count += 1
            scripts[min(count, len(scripts)) - 1](peer, control)

    return run


def says(code: str = "AA", rest: str = "") -> Callable[[Peer, str], None]:
    return lambda peer, control: peer.send(framed(ack(control, code, rest)))


def nothing(peer: Peer, control: str) -> None:
    pass


def send(script: Callable[[Peer], Any], *messages: bytes, **changes: Any) -> tuple[list[Receipt], Listener]:
    with Listener(script) as listener, MllpSender(target(listener.port, **changes)) as sender:
        began = time.monotonic()
        receipts = [sender.send(each) for each in messages]
        assert time.monotonic() - began < 8
    return receipts, listener


# The listener of another library.


@pytest.fixture
def other_library() -> Iterator[tuple[int, list[hl7.Message]]]:
    """Port and received messages of a listener by the library hl7 (asyncio), which acknowledges with AA."""
    received: list[hl7.Message] = []
    started = threading.Event()
    port: list[int] = []
    loop = asyncio.new_event_loop()

    async def serve(reader: Any, writer: Any) -> None:
        while not writer.is_closing():
            try:
                got = await reader.readmessage()
            except asyncio.IncompleteReadError:
                break
            received.append(got)
            writer.writemessage(got.create_ack())
            await writer.drain()
        writer.close()

    async def run() -> None:
        server = await hl7.mllp.start_hl7_server(serve, "127.0.0.1", 0, encoding="utf-8")
        port.append(server.sockets[0].getsockname()[1])
        started.set()

    starting = loop.create_task(run())
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    assert started.wait(10), starting
    yield port[0], received
    loop.call_soon_threadsafe(loop.stop)
    thread.join(10)
    assert not thread.is_alive()


def test_listener_of_another_library(other_library: tuple[int, list[hl7.Message]]) -> None:
    port, received = other_library
    sent = [message(f"M{number}", note="ruhig, Füße hoch") for number in range(20)]
    sender: Target = MllpSender(target(port, acknowledge_timeout=5))
    with sender:
        assert {sender.send(each)[:2] for each in sent} == {(DELIVERED, "AA")}
    assert [str(got).encode() for got in received] == sent
    assert sender.kind == "oru"


# What is made of the answers.


@pytest.mark.parametrize(
    ("code", "modes", "verdict", "copies"),
    [
        ("AA", ("", ""), DELIVERED, 1),
        ("AE", ("", ""), PARKED, 1),
        ("AR", ("", ""), LATER, 2),
        ("CA", ("AL", "NE"), DELIVERED, 1),
        ("CE", ("AL", "NE"), PARKED, 1),
        ("CR", ("AL", "AL"), LATER, 2),
        ("AA", ("SU", "AL"), DELIVERED, 1),
    ],
)
def test_answers_by_their_meaning(code: str, modes: tuple[str, str], verdict: Verdict, copies: int) -> None:
    sent = message(modes=modes)
    [receipt], listener = send(answers(says(code)), sent)
    assert receipt[:2] == (verdict, code)
    assert listener.received == [sent] * copies
    assert listener.connections == 1


@pytest.mark.parametrize(
    ("rest", "reason"),
    [
        ("ERR||MSH^1^12|203^Unsupported version id^HL70357|E", "203 takes no messages of this HL7 version (MSH-12)"),
        ("ERR||MSH^1^9|207^whatever^L|E", "200 takes no messages of this type (MSH-9)"),
        ("ERR||MSH^1^9|201^Unsupported event^HL70357|E", "201 takes no messages for this event (MSH-9)"),
        ("ERR|MSH^1^11^202&Unsupported processing id&HL70357", "202 (production, training or test) (MSH-11)"),
    ],
)
def test_a_refusal_for_the_header_is_final(rest: str, reason: str) -> None:
    """HL7 v2.9.1, 2.8.2.1: AR for MSH-9, MSH-11 or MSH-12 will be the same the next time."""
    for code in ("AR", "CR"):
        [receipt], listener = send(answers(says(code, rest)), message())
        assert receipt[:2] == (PARKED, f"{code}:{reason[:3]}")
        assert receipt.message.endswith(f"{reason[3:]}.")
        assert len(listener.received) == 1


def test_refused_then_accepted() -> None:
    [receipt], listener = send(answers(says("AR", "ERR|||206^locked^HL70357|E"), says("AA")), message())
    assert receipt[:2] == (DELIVERED, "AA")
    assert len(listener.received) == 2


def err(condition: str, place: str = "PID^1^3", severity: str = "E") -> str:
    return f"ERR||{place}|{condition}^x^HL70357|{severity}"


@pytest.mark.parametrize(
    ("code", "condition", "verdict", "copies"),
    [
        ("AR", "204", PARKED, 1),
        ("CR", "204", PARKED, 1),
        ("AR", "101", PARKED, 1),
        ("AR", "205", PARKED, 1),
        ("AR", "206", LATER, 2),
        ("AE", "206", LATER, 2),
        ("AR", "207", LATER, 2),
        ("CR", "207", LATER, 2),
        ("AE", "207", PARKED, 1),
        ("CE", "207", PARKED, 1),
    ],
)
def test_answers_by_their_condition(code: str, condition: str, verdict: Verdict, copies: int) -> None:
    [receipt], listener = send(answers(says(code, err(condition))), message())
    assert receipt[:2] == (verdict, f"{code}:{condition}")
    assert (receipt.reached, receipt.answered) == (True, True)
    assert len(listener.received) == copies


def test_a_warning_beside_the_reason_decides_nothing() -> None:
    rest = "\r".join((err("101", severity="W"), err("206", "OBX^1^5"), err("103", severity="I")))
    [receipt], _ = send(answers(says("AR", rest)), message())
    assert receipt[:2] == (LATER, "AR:206")
    assert receipt.message == "What the message would change is locked at the receiver just now (OBX-5)."


def test_a_site_settles_answers_otherwise() -> None:
    site = {"AE:207": "later", "AR": "park"}
    for code, rest, verdict, copies in (
        ("AE", err("207"), LATER, 1),
        ("AE", "", PARKED, 1),
        ("AR", "", PARKED, 1),
        ("AR", err("206"), PARKED, 1),
        ("CR", "", LATER, 2),
    ):
        [receipt], listener = send(answers(says(code, rest)), message(), answers=site)
        assert (receipt.verdict, receipt.answered, len(listener.received)) == (verdict, True, copies)


def test_what_was_locked_and_is_acknowledged_late_counts() -> None:
    """An answer that left the message waiting is not its last, whatever its code."""

    def script(peer: Peer) -> None:
        peer.message()
        peer.send(framed(ack("C1", "AE", err("206"))))
        settle()
        peer.send(framed(ack("C1", "AA")))
        peer.until_closed()

    with Listener(script) as listener, MllpSender(target(listener.port, attempts=1)) as sender:
        assert sender.send(message())[:2] == (LATER, "AE:206")
        settle()
        settle()
        assert sender.send(message())[:2] == (DELIVERED, "AA")
        assert len(listener.received) == 1


def test_what_may_have_reached_the_receiver_and_what_counts_against_the_message() -> None:
    def facts(receipt: Receipt) -> tuple[Verdict, bool, bool]:
        return receipt.verdict, receipt.reached, receipt.answered

    [accepted], _ = send(answers(says()), message())
    assert facts(accepted) == (DELIVERED, True, True)
    for misbehaves in (nothing, closes, half, not_taken):
        [receipt], _ = send(answers(misbehaves), message())
        assert facts(receipt) == (LATER, True, False)
    # The last attempt found nobody, but the one before it may have been read.
    with socket.create_server(("127.0.0.1", 0)) as plug:
        sender = MllpSender(target(plug.getsockname()[1], acknowledge_timeout=0.2, pause=0.01))
        closing = threading.Timer(0.1, plug.close)
        closing.start()
        receipt = sender.send(message())
        closing.join()
    assert (receipt.code, *facts(receipt)) == ("no-connection", LATER, True, False)
    assert facts(MllpSender(target(9, host="no-such-host.invalid")).send(message())) == (LATER, False, False)
    assert facts(MllpSender(target(9)).send(b"PID|1\r")) == (PARKED, False, False)


def test_what_the_settings_say_of_parking_and_corrections() -> None:
    sender = MllpSender(target(9))
    assert (sender.park_after, sender.corrections) == (5, "changed")
    sender = MllpSender(target(9, park_after=0, corrections="whole"))
    assert (sender.park_after, sender.corrections) == (0, "whole")


def test_the_receivers_own_words_are_left_out() -> None:
    def reply(peer: Peer, control: str) -> None:
        rest = "ERR||PID^1^3|101^patient INVENTED-7^HL70357|E||||INVENTED-7 unknown\rERR||INVENTED-7^1^1|INVENTED-7"
        head = ack(control, "AE").decode().replace(f"MSA|AE|{control}", f"MSA|AE|{control}|INVENTED-7|||INV-7")
        peer.send(framed((head + rest + "\r").encode()))

    [receipt], _ = send(answers(reply), message())
    words = "The receiver misses a field that it requires (PID-3)."
    assert receipt == Receipt(PARKED, "AE:101", words, answered=True)


def test_other_separators_in_the_answer() -> None:
    text = "MSH#*~\\&#REC#HOSP###1##ACK#A1#T#2.6\rSFT#x\rMSA#AE#C1\rERR##PID*1*5#102*x*y#E\r"
    [receipt], _ = send(answers(lambda peer, control: peer.send(framed(text.encode()))), message())
    assert receipt[:3] == (PARKED, "AE:102", "The receiver cannot read the form of a field (PID-5).")


# One connection, and answers that are not for this message.


def test_one_connection_is_kept_and_one_message_outstanding() -> None:
    outstanding: list[int] = []

    def reply(peer: Peer, control: str) -> None:
        peer.plug.settimeout(0.02)
        with pytest.raises(TimeoutError):
            peer.plug.recv(1)
        peer.plug.settimeout(10)
        outstanding.append(1)
        peer.send(framed(ack(control)))

    with Listener(answers(reply)) as listener, MllpSender(target(listener.port)) as sender:
        threads = [threading.Thread(target=sender.send, args=(message(f"M{n}"),)) for n in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(10)
        assert sorted(each.split(b"|")[9] for each in listener.received) == [b"M%d" % n for n in range(6)]
    assert len(outstanding) == 6
    assert listener.connections == 1


@pytest.mark.parametrize("wrong", ["X9", "", "c1", "C1 ", "C10", "C1^1"])
def test_wrong_id_is_ignored_until_the_right_one(wrong: str) -> None:
    script = answers(lambda peer, control: peer.send(framed(ack(wrong, "AE")), framed(ack(control))))
    [receipt], listener = send(script, message())
    assert receipt[:2] == (DELIVERED, "AA")
    assert len(listener.received) == 1


def test_only_wrong_ids() -> None:
    [receipt], listener = send(answers(lambda peer, control: peer.send(framed(ack("X9")))), message())
    assert receipt == Receipt(LATER, "no-answer", "What the receiver sent did not acknowledge this message.")
    assert listener.received == [message()] * 2
    assert listener.connections == 2


@pytest.mark.parametrize(
    "stray",
    [
        b"MSH|^~\\&|A|B|C|D|1||ADT^A01|Z|P|2.6\rEVN|A01\r",
        b"MSA|AA|C1\r",
        b"MSH|^~\\&|A\rMSA|ZZ|C1\r",
        b"MSH|^~\\&|A\rMSA|AA|C1\rMSA|AE|C1\r",
        b"MSHA^~\\&A\rMSAAAAAC1\r",
        b"MSH\rMSA\r",
        b"",
        b"\x06",
    ],
)
def test_frames_that_are_no_acknowledgement_are_ignored(stray: bytes) -> None:
    script = answers(lambda peer, control: peer.send(framed(stray), framed(ack(control, "AE"))))
    [receipt], _ = send(script, message())
    assert receipt[:2] == (PARKED, "AE")


def test_acknowledgement_before_its_message() -> None:
    def early(peer: Peer, control: str) -> None:
        peer.send(framed(ack(control)) + framed(ack("C2")))
        settle()

    receipts, listener = send(answers(early, nothing, says("AE")), message("C1"), message("C2"))
    assert [receipt[:2] for receipt in receipts] == [(DELIVERED, "AA"), (PARKED, "AE")]
    assert [each.split(b"|")[9] for each in listener.received] == [b"C1", b"C2", b"C2"]


def test_two_acknowledgements_in_one_packet() -> None:
    script = answers(lambda peer, control: peer.send(framed(ack(control)) + framed(ack(control, "AE"))))
    receipts, listener = send(script, message("C1"), message("C2"))
    assert [receipt[:2] for receipt in receipts] == [(DELIVERED, "AA")] * 2
    assert len(listener.received) == 2


def test_stale_acknowledgement_of_the_message_before() -> None:
    script = answers(says(), lambda peer, control: peer.send(framed(ack("C1", "AE")), framed(ack(control))))
    receipts, _ = send(script, message("C1"), message("C2"))
    assert [receipt[:2] for receipt in receipts] == [(DELIVERED, "AA")] * 2


def test_late_acknowledgement_of_an_earlier_attempt_counts() -> None:
    kept: list[Peer] = []

    def script(peer: Peer) -> None:
        peer.message()
        if peer.number == 1:
            peer.send(framed(ack("C1", "AR")))
            settle()
            peer.send(framed(ack("C1", "AA")))
            kept.append(peer)
            peer.until_closed()

    with Listener(script) as listener, MllpSender(target(listener.port, attempts=1)) as sender:
        assert sender.send(message())[:2] == (LATER, "AR")
        settle()
        settle()
        assert sender.send(message())[:2] == (DELIVERED, "AA")
        assert len(listener.received) == 1


def test_refusals_of_an_earlier_attempt_do_not_stop_the_next() -> None:
    def twice(peer: Peer, control: str) -> None:
        peer.send(framed(ack(control, "AR")) * 2)

    with Listener(answers(twice, says())) as listener, MllpSender(target(listener.port)) as sender:
        assert sender.send(message())[:2] == (DELIVERED, "AA")
        assert len(listener.received) == 2


def test_sent_again_on_purpose() -> None:
    """A second acknowledgement of a message that was delivered is none of the message when it is sent again."""
    script = answers(lambda peer, control: peer.send(framed(ack(control)) * 2), says("AE"))
    receipts, listener = send(script, message(), message())
    assert [receipt.code for receipt in receipts] == ["AA", "AE"]
    assert len(listener.received) == 2


def test_application_acknowledgement_after_the_accept_acknowledgement() -> None:
    """In enhanced mode CA comes at once, and AA or AE some time later, here while the next message waits."""

    def second(peer: Peer, control: str) -> None:
        peer.send(framed(ack("C1", "AE", "ERR||PID^1^3|204^x^HL70357|E")), framed(ack(control, "CA")))

    with Listener(answers(says("CA"), second)) as listener, MllpSender(target(listener.port)) as sender:
        assert [sender.send(message(name, ("AL", "AL")))[:2] for name in ("C1", "C2")] == [(DELIVERED, "CA")] * 2
        [late] = sender.late()
        assert late.control == "C1"
        assert late.receipt[:3] == (PARKED, "AE:204", "The receiver does not know the patient (PID-3).")
        assert sender.late() == []


@pytest.mark.parametrize("noticed", ["when asked", "before the next message", "when the connection is closed"])
def test_application_acknowledgement_while_nothing_is_outstanding(noticed: str) -> None:
    def afterwards(peer: Peer, control: str) -> None:
        # A later CA says nothing new, and neither does a second AE.
        peer.send(framed(ack(control, "CA")))
        settle()
        peer.send(framed(ack(control, "CA")) + framed(ack(control, "AE", "ERR||PID^1^3|204^x^HL70357|E")) * 2)

    with Listener(answers(afterwards, says("CA"))) as listener, MllpSender(target(listener.port)) as sender:
        assert sender.send(message("C1", ("AL", "AL")))[:2] == (DELIVERED, "CA")
        settle()
        settle()
        if noticed == "before the next message":
            assert sender.send(message("C2", ("AL", "AL")))[:2] == (DELIVERED, "CA")
        elif noticed == "when the connection is closed":
            sender.close()
        [late] = sender.late()
        assert late.control == "C1"
        assert late.receipt[:2] == (PARKED, "AE:204")
        assert sender.late() == []


# Listeners that misbehave.


def half(peer: Peer, control: str) -> None:
    peer.send(framed(ack(control))[:40])
    peer.plug.close()


def half_and_silent(peer: Peer, control: str) -> None:
    peer.send(framed(ack(control))[:40])


def closes(peer: Peer, control: str) -> None:
    peer.plug.close()


def resets(peer: Peer, control: str) -> None:
    peer.reset()


def unframed(peer: Peer, control: str) -> None:
    peer.send(ack(control))


def endless(peer: Peer, control: str) -> None:
    peer.send(b"\x0bMSH|^~\\&|", *[b"x" * 65536] * 400)


def endless_strays(peer: Peer, control: str) -> None:
    while True:
        peer.send(framed(ack("X9")) * 100)


def endless_noise(peer: Peer, control: str) -> None:
    while True:
        peer.send(b"noise" * 1000)


def without_end(peer: Peer, control: str) -> None:
    peer.send(b"\x0b" + ack(control) + b"\x1c")


def not_taken(peer: Peer, control: str) -> None:
    peer.send(framed(b"\x15"))


@pytest.mark.parametrize(
    ("misbehaves", "code"),
    [
        (nothing, "no-answer"),
        (half, "half-frame"),
        (half_and_silent, "half-frame"),
        (closes, "closed"),
        (resets, "closed"),
        (unframed, "unreadable"),
        (endless, "too-long"),
        (endless_strays, "no-answer"),
        (endless_noise, "unreadable"),
        (without_end, "half-frame"),
        (not_taken, "not-taken"),
    ],
)
def test_misbehaviour_is_tried_again_over_a_new_connection(misbehaves: Any, code: str) -> None:
    [receipt], listener = send(answers(misbehaves), message())
    assert receipt[:2] == (LATER, code)
    assert receipt.message.endswith(".")
    assert listener.received == [message()] * 2
    assert listener.connections == 2
    [receipt], listener = send(answers(misbehaves, says()), message())
    assert receipt[:2] == (DELIVERED, "AA")
    assert listener.received == [message()] * 2


def test_unasked_answers_without_end_do_not_hold_up_the_next_message() -> None:
    def flood(peer: Peer, control: str) -> None:
        peer.send(framed(ack(control)))
        endless_strays(peer, control)

    with Listener(answers(flood, says())) as listener, MllpSender(target(listener.port)) as sender:
        assert sender.send(message("C1"))[:2] == (DELIVERED, "AA")
        settle()
        began = time.monotonic()
        assert sender.send(message("C2"))[:2] == (DELIVERED, "AA")
        assert time.monotonic() - began < 3
        assert len(listener.received) == 2


def in_single_bytes(peer: Peer, control: str) -> None:
    peer.plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    for byte in framed(ack(control)):
        peer.send(bytes((byte,)))
        time.sleep(0.0005)


@pytest.mark.parametrize(
    "peculiar",
    [
        in_single_bytes,
        lambda peer, control: peer.send(framed(ack(control, end="\n"))),
        lambda peer, control: peer.send(framed(ack(control, end="\r\n"))),
        lambda peer, control: peer.send(framed(ack(control)[:-1])),
        lambda peer, control: peer.send(b"\r\n" + framed(ack(control)) + b"\r\n"),
        lambda peer, control: peer.send(b"junk" + framed(ack(control))),
        lambda peer, control: peer.send(framed(ack(control))[:30] + framed(ack(control))),
        lambda peer, control: peer.send(b"\x0bhalf\x1c" + framed(ack(control))),
    ],
)
def test_peculiar_answers_are_understood(peculiar: Any) -> None:
    receipts, listener = send(answers(peculiar), message("C1"), message("C2"))
    assert [receipt[:2] for receipt in receipts] == [(DELIVERED, "AA")] * 2
    assert (len(listener.received), listener.connections) == (2, 1)


def test_an_answer_drop_by_drop_does_not_stretch_the_deadline() -> None:
    def drops(peer: Peer, control: str) -> None:
        peer.send(b"\x0b")
        while True:
            peer.send(b"x")
            time.sleep(0.02)

    began = time.monotonic()
    [receipt], _ = send(answers(drops), message(), attempts=1)
    assert receipt.code == "half-frame"
    assert time.monotonic() - began < 2


def test_reset_in_the_middle_of_the_message() -> None:
    def script(peer: Peer) -> None:
        if peer.number == 1:
            peer.plug.recv(100)
            peer.reset()
        else:
            peer.send(framed(ack(peer.message().decode())))
            peer.until_closed()

    big = message(note="calm " * 2_000_000)
    [receipt], listener = send(script, big, acknowledge_timeout=5.0)
    assert receipt[:2] == (DELIVERED, "AA")
    assert listener.received == [big]


def test_closed_after_each_message() -> None:
    def script(peer: Peer) -> None:
        peer.send(framed(ack(peer.message().decode())))

    with Listener(script) as listener, MllpSender(target(listener.port, attempts=1)) as sender:
        for number in range(5):
            assert sender.send(message(f"C{number}"))[:2] == (DELIVERED, "AA")
            settle()
        assert listener.connections == 5
        assert len(listener.received) == 5


def test_never_accepted() -> None:
    with socket.create_server(("127.0.0.1", 0), backlog=16) as plug:
        sender = MllpSender(target(plug.getsockname()[1], acknowledge_timeout=0.1))
        assert sender.send(message())[:2] == (LATER, "no-answer")
        assert sender.send(message(note="calm " * 4_000_000))[:2] == (LATER, "no-answer")
        sender.close()


def test_nobody_listens_then_somebody_does() -> None:
    with socket.create_server(("127.0.0.1", 0)) as plug:
        port = plug.getsockname()[1]
    sender = MllpSender(target(port))
    receipt = sender.send(message())
    text = f"No connection to 127.0.0.1:{port}: Connection refused."
    assert receipt == Receipt(LATER, "no-connection", text, reached=False)
    assert sender.check() == []
    with Listener(answers(says())) as listener:
        sender = MllpSender(target(listener.port))
        assert sender.send(message())[:2] == (DELIVERED, "AA")
        assert listener.connections == 1
        sender.close()


def test_lost_connection_with_sigpipe_at_its_default() -> None:
    program = """
import json, signal, sys
signal.signal(signal.SIGPIPE, signal.SIG_DFL)
from gateway.delivery.mllp import MllpSender
from tests.delivery.mllp_kit import target, message
print(json.dumps(MllpSender(target(int(sys.argv[1]))).send(message(note="calm " * 2_000_000))))
"""

    def script(peer: Peer) -> None:
        peer.plug.recv(100)
        peer.reset()

    with Listener(script) as listener:
        done = subprocess.run(
            [sys.executable, "-c", program, str(listener.port)],
            capture_output=True, timeout=30, check=False, env=os.environ | {"PYTHONPATH": str(Path.cwd())},
        )  # fmt: skip
    assert done.returncode not in (-signal.SIGPIPE, 128 + signal.SIGPIPE)
    assert json.loads(done.stdout.splitlines()[-1])[:2] == ["later", "closed"]


def test_the_clock_of_the_machine_may_jump(monkeypatch: pytest.MonkeyPatch) -> None:
    jumps = iter(range(0, 10**9, 10**6))
    monkeypatch.setattr(time, "time", lambda: float(next(jumps)))

    def slowly(peer: Peer, control: str) -> None:
        time.sleep(0.1)
        peer.send(framed(ack(control)))

    [receipt], _ = send(answers(slowly), message())
    assert receipt[:2] == (DELIVERED, "AA")


def test_nothing_of_a_message_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    receipts, _ = send(answers(resets), message())
    told = repr(receipts) + repr([vars(record) for record in caplog.records])
    assert "INVENTED" not in told
    assert "PID" not in told


# TLS.


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(scope="module")
def ca_file(authority: trustme.CA, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("tls") / "ca.pem"
    authority.cert_pem.write_to_path(path)
    return path


def server_context(authority: trustme.CA, name: str) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(name).configure_cert(context)
    return context


def send_tls(context: ssl.SSLContext, tls: MllpTls, script: Any = None) -> tuple[Receipt, Listener]:
    with Listener(script or answers(says()), context) as listener:
        changes: dict[str, Any] = {"tls": tls, "acknowledge_timeout": 2.0}
        with MllpSender(target(listener.port, **changes)) as sender:
            assert sender.check() == []
            return sender.send(message()), listener


def test_tls(authority: trustme.CA, ca_file: Path) -> None:
    receipt, listener = send_tls(server_context(authority, "127.0.0.1"), MllpTls(ca_file=ca_file))
    assert receipt[:2] == (DELIVERED, "AA")
    assert listener.received == [message()]
    named = MllpTls(ca_file=ca_file, server_name="records.example")
    assert send_tls(server_context(authority, "records.example"), named)[0].code == "AA"


@pytest.mark.parametrize("misbehaves", [half, closes, resets])
def test_tls_lost_connection(authority: trustme.CA, ca_file: Path, misbehaves: Any) -> None:
    script = answers(misbehaves, says())
    receipt, listener = send_tls(server_context(authority, "127.0.0.1"), MllpTls(ca_file=ca_file), script)
    assert receipt[:2] == (DELIVERED, "AA")
    assert (len(listener.received), listener.connections) == (2, 2)


def test_tls_wrong_certificate(authority: trustme.CA, ca_file: Path) -> None:
    for context, tls in (
        (server_context(trustme.CA(), "127.0.0.1"), MllpTls(ca_file=ca_file)),
        (server_context(authority, "other.example"), MllpTls(ca_file=ca_file)),
        (server_context(authority, "127.0.0.1"), MllpTls()),
        (server_context(authority, "127.0.0.1"), MllpTls(ca_file=ca_file, server_name="other.example")),
    ):
        receipt, listener = send_tls(context, tls)
        assert receipt[:2] == (LATER, "tls")
        assert receipt.message.startswith("The certificate of 127.0.0.1:")
        assert (receipt.reached, receipt.answered) == (False, False)
        assert listener.received == []
        assert listener.connections == 1


def test_tls_with_a_listener_that_has_none(ca_file: Path) -> None:
    with Listener(lambda peer: peer.send(b"no TLS here, sorry")) as listener:
        assert MllpSender(target(listener.port, tls=MllpTls(ca_file=ca_file))).send(message())[:2] == (LATER, "tls")


def test_tls_own_certificate(authority: trustme.CA, ca_file: Path, tmp_path: Path) -> None:
    own = authority.issue_cert("gateway.example")
    own.private_key_and_cert_chain_pem.write_to_path(tmp_path / "own.pem")
    context = server_context(authority, "127.0.0.1")
    context.verify_mode = ssl.CERT_REQUIRED
    authority.configure_trust(context)
    assert send_tls(context, MllpTls(ca_file=ca_file, cert_file=tmp_path / "own.pem"))[0].code == "AA"
    receipt, listener = send_tls(context, MllpTls(ca_file=ca_file))
    assert receipt.verdict is LATER
    assert listener.received == []


def test_tls_own_certificate_with_a_locked_key(
    authority: trustme.CA, ca_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = authority.issue_cert("gateway.example")
    own.cert_chain_pems[0].write_to_path(tmp_path / "own.pem")
    locked = serialization.load_pem_private_key(own.private_key_pem.bytes(), None).private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.BestAvailableEncryption(b"sesame")
    )
    (tmp_path / "locked.pem").write_bytes(locked)
    context = server_context(authority, "127.0.0.1")
    context.verify_mode = ssl.CERT_REQUIRED
    authority.configure_trust(context)
    names: dict[str, Any] = {"ca_file": ca_file, "cert_file": tmp_path / "own.pem", "key_file": tmp_path / "locked.pem"}
    monkeypatch.setenv("KEY_PASSPHRASE", "sesame")
    assert send_tls(context, MllpTls(**names, passphrase_env="KEY_PASSPHRASE"))[0].code == "AA"
    [problem] = MllpSender(target(9, tls=MllpTls(**names))).check()
    assert "tls.cert_file and tls.key_file cannot be used together" in problem
    assert "sesame" not in problem


def test_tls_files_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "empty.pem").write_text("")
    for tls in (MllpTls(ca_file=tmp_path / "none.pem"), MllpTls(ca_file=tmp_path / "empty.pem")):
        sender = MllpSender(target(9, tls=tls))
        [problem] = sender.check()
        assert problem.startswith("The certificates for TLS cannot be used: ")
        assert sender.send(message())[:] == (LATER, "tls", problem, *sender.send(message())[3:])


# What is not sent.


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (message().replace(b"calm", b"ca\x0blm"), "framing-bytes"),
        (message().replace(b"calm", b"ca\x1clm"), "framing-bytes"),
        (message().replace(b"\r", b"\r\n"), "line-ends"),
        (b"", "not-a-message"),
        (b"PID|1\r", "not-a-message"),
        (b"MSHX\r", "not-a-message"),
        (b"MSH", "not-a-message"),
        (message() * 2, "not-a-message"),
        (b"FHS|^~\\&\r" + message(), "not-a-message"),
        (message(""), "no-control-id"),
        (b"MSH|^~\\&|GW\r", "no-control-id"),
        (message().replace(b"calm", "Füße".encode()), "encoding"),
        (message(note="Füße").replace("Füße".encode(), b"F\xfc\xdfe"), "encoding"),
        (message(note="Füße").replace(b"UTF-8", b"UTF-16"), "encoding"),
        (message(modes=("NE", "AL")), "no-acknowledgement"),
        (message(modes=("ER", "")), "no-acknowledgement"),
        (message(modes=("", "AL")), "no-acknowledgement"),
    ],
)
def test_not_fit_to_be_sent(data: bytes, code: str) -> None:
    receipt = MllpSender(target(9)).send(data)  # port 9: nobody must be asked
    assert receipt[:2] == (PARKED, code)
    assert "calm" not in receipt.message


def test_settings_are_strict() -> None:
    good: dict[str, Any] = {"name": "ward", "host": "records.example", "port": 2575}
    assert MllpTarget(**good).tls is None
    assert MllpTarget.model_validate(good | {"tls": {"ca_file": "ca.pem"}}).tls == MllpTls(ca_file=Path("ca.pem"))
    for change in (
        {"port": "2575"},
        {"port": 0},
        {"attempts": 0},
        {"acknowledge_timeout": 0.0},
        {"acknowledge_timeout": float("nan")},
        {"hostname": "x"},
        {"tls": {"key_file": "key.pem"}},
        {"tls": True},
    ):
        with pytest.raises(ValidationError):
            MllpTarget.model_validate(good | change)


# Framing.


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=40),
            st.binary(max_size=40).map(framed),
            st.sampled_from([b"\x0b", b"\x1c", b"\r", b"\x1c\r", b"\x0b\x1c\r", framed(b"y" * 60)]),
        ),
        max_size=12,
    ).map(b"".join),
    st.data(),
)
def test_any_cutting_gives_the_same_frames(stream: bytes, data: st.DataObject) -> None:
    def read(pieces: list[bytes]) -> tuple[list[bytes], int, bool, bool]:
        reader = FrameReader(limit=50)
        frames = [frame for piece in pieces for frame in reader.feed(piece)]
        return frames, reader.noise, reader.overflow, reader.unfinished

    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=20)))
    pieces = [stream[begin:end] for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    whole = read([stream])
    assert read(pieces) == whole
    assert read([bytes((byte,)) for byte in stream]) == whole
    assert not any(b"\x0b" in frame or b"\x1c" in frame for frame in whole[0])


@given(st.lists(st.binary(max_size=80).map(lambda text: text.translate(None, b"\x0b\x1c")), max_size=8))
def test_what_was_framed_is_read(contents: list[bytes]) -> None:
    reader = FrameReader()
    assert reader.feed(b"".join(map(framed, contents))) == contents
    assert (reader.noise, reader.unfinished, reader.overflow) == (0, False, False)


# Batch files.


def envelope(*messages: bytes, batch: str = "", file: str = "1") -> bytes:
    head = b"FHS|^~\\&|GW|WARD\rBHS|^~\\&|GW|WARD\r"
    return head + b"".join(messages) + f"BTS|{batch or len(messages)}\rFTS|{file}\r".encode()


def test_messages_of_a_batch_file() -> None:
    one, two = message("C1"), message("C2", note="Füße")
    assert messages_of(envelope(one, two)) == [one, two]
    assert messages_of(envelope()) == []
    assert messages_of(one) == [one]
    assert messages_of(one + two) == [one, two]
    assert messages_of(b"") == []
    batch = b"BHS|^~\\&\r" + one + b"BTS\r"
    assert messages_of(batch * 2) == [one, one]
    assert messages_of(b"FHS|^~\\&\r" + batch * 2 + b"FTS|2\r") == [one, one]
    assert messages_of(b"FHS|^~\\&\r" + one + b"FTS\r") == [one]


@pytest.mark.parametrize(
    "broken",
    [
        envelope(message())[:-1],
        envelope(message()).replace(b"FTS|1\r", b""),
        envelope(message()).replace(b"BTS|1\r", b""),
        envelope(message(), batch="2"),
        envelope(message(), batch="x"),
        envelope(message(), file="2"),
        envelope(message()) + message(),
        envelope(message()) * 2,
        envelope(message()).replace(b"\r", b"\n"),
        b"PID|1\r" + message(),
        message() + b"BTS|1\r",
        message() + b"FTS|1\r",
        b"BHS|\r" + message() + b"BTS|1\r" + message(),
        b"BHS|\rBHS|\rBTS\rBTS\r",
        message() + b"\r",
        b"hello\r",
    ],
)
def test_broken_batch_files(broken: bytes) -> None:
    with pytest.raises(InputError) as raised:
        messages_of(broken)
    assert raised.value.todo
    assert "INVENTED" not in str(raised.value)
