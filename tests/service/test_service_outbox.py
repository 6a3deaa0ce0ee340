"""The outbox over HTTP and on its page: listing, confirming, who and why."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from gateway.ledger import OutboxFilter, open_ledger
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, run
from tests.service.service_kit import client_of


@pytest.fixture
def ledger(tmp_path: Path) -> str:
    """A ledger with one item delivered, one parked and one waiting."""
    path = tmp_path / "l.db"
    rows = [f"2026-03-14 09:3{minute},P-0007,M1,121,79,64,97,36.8,71.4" for minute in range(3)]
    (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
    run(tmp_path, [tmp_path / "a.csv"], WIDE, "one", ledger=path, as_="oru", targets=[("hub", "oru")])
    with open_ledger(path) as opened:
        opened.name_owners({"hub": "integration team"})
        first, second, _ = opened.outbox(OutboxFilter())
        opened.sent(first.id, "delivered", "AA", "", "")
        opened.sent(second.id, "parked", "AE", "refused", "")
    return str(path)


@pytest.fixture
def client(ledger: str) -> Iterator[TestClient]:
    with client_of(ledger=ledger) as client:
        yield client


def parked_of(ledger: str) -> list[int]:
    with open_ledger(ledger, readonly=True) as opened:
        return [item.id for item in opened.outbox(OutboxFilter(state="parked"))]


def test_the_outbox_names_no_patient(client: TestClient) -> None:
    told = client.get("/api/outbox")
    assert {each["state"]: each["items"] for each in told.json()["targets"]} == {
        "waiting": 1, "delivered": 1, "parked": 1,
    }  # fmt: skip
    assert [each["code"] for each in told.json()["parked"]] == ["AE"]
    page = client.get("/outbox").text
    assert "integration team" in page
    assert "AE" in page
    assert "P-000" not in told.text + page


def test_sending_again_is_shown_first_and_done_when_confirmed(client: TestClient, ledger: str) -> None:
    (item,) = parked_of(ledger)
    form = {"item": f"{item} hub", "by": "N. Ole", "why": "mended"}
    assert "Confirm sending again" in client.post("/outbox", data=form).text
    assert parked_of(ledger) == [item]
    answer = client.post("/outbox", data={**form, "confirmed": "yes"}, follow_redirects=False)
    assert answer.status_code == 303
    assert parked_of(ledger) == []
    assert "1 item waits again" in client.get(answer.headers["Location"]).text
    with open_ledger(ledger, readonly=True) as opened:
        assert [(each.who, each.why) for each in opened.audit()] == [("N. Ole", "mended")]


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"why": " "}, 422),
        ({"by": " "}, 422),
        ({"item": "7"}, 422),
        ({"item": "9999 hub"}, 409),
        ({"item": "1 nowhere"}, 409),
        ({"item": "x hub"}, 422),
    ],
)
def test_what_does_not_fit_changes_nothing(
    client: TestClient, ledger: str, change: dict[str, str], status: int
) -> None:
    before = parked_of(ledger)
    form = {"item": f"{before[0]} hub", "by": "N. Ole", "why": "mended", "confirmed": "yes"}
    assert client.post("/outbox", data={**form, **change}).status_code == status
    assert parked_of(ledger) == before


def test_over_the_interface(client: TestClient, ledger: str) -> None:
    (item,) = parked_of(ledger)
    told = {"target": "hub", "items": [item], "who": "N. Ole", "why": "mended", "dry_run": True}
    assert client.post("/api/outbox/replays", json=told).json() == {"items": 1, "dry_run": True}
    assert parked_of(ledger) == [item]
    told["dry_run"] = False
    assert client.post("/api/outbox/replays", json=told).json()["items"] == 1
    assert parked_of(ledger) == []
    assert client.post("/api/outbox/replays", json=told).status_code == 409


def states_of(ledger: str) -> list[str]:
    with open_ledger(ledger, readonly=True) as opened:
        return [item.state for item in opened.outbox()]


def test_the_queue_is_decided_over_the_interface(client: TestClient, ledger: str) -> None:
    told = client.get("/api/outbox").json()
    (parked,), (waiting,) = told["parked"], told["waiting"]
    assert (parked["sets"], parked["blocked_by"], told["parked_total"], told["waiting_total"]) == (1, None, 1, 1)
    decided = {"target": "hub", "who": "N. Ole", "why": "by hand"}
    skip = {**decided, "action": "skip", "items": [parked["id"]]}
    assert client.post("/api/outbox/decisions", json={**skip, "dry_run": True}).json() == {"items": 1, "dry_run": True}
    assert states_of(ledger) == ["delivered", "parked", "waiting"]
    assert client.post("/api/outbox/decisions", json=skip).json()["items"] == 1
    assert client.post("/api/outbox/decisions", json=skip).status_code == 409
    assert (
        client.post("/api/outbox/decisions", json={**skip, "action": "park", "items": [waiting["id"]]}).status_code
        == 200
    )
    assert states_of(ledger) == ["delivered", "skipped", "parked"]
    stop = {**decided, "action": "stop"}
    assert client.post("/api/outbox/targets", json=stop).json()["items"] == 0
    assert client.post("/api/outbox/targets", json=stop).status_code == 409
    assert [each["target"] for each in client.get("/api/outbox").json()["stopped"]] == ["hub"]
    assert client.post("/api/outbox/targets", json={**stop, "action": "resume"}).status_code == 200
    assert client.get("/api/outbox").json()["stopped"] == []
    with open_ledger(ledger, readonly=True) as opened:
        assert [each.action for each in opened.audit(who="N. Ole")] == ["skip", "park", "stop", "resume"]


@pytest.mark.parametrize(
    ("action", "before", "after", "title"),
    [
        ("release", "parked", "waiting", "releasing"),
        ("skip", "parked", "skipped", "skipping"),
        ("park", "waiting", "parked", "parking"),
    ],
)
def test_items_are_decided_on_the_page(
    client: TestClient, ledger: str, action: str, before: str, after: str, title: str
) -> None:
    number = 1 + states_of(ledger).index(before)
    form = {"action": action, "item": f"{number} hub", "by": "N. Ole", "why": "seen"}
    assert f"Confirm {title}" in client.post("/outbox", data=form).text
    assert states_of(ledger)[number - 1] == before
    answer = client.post("/outbox", data={**form, "confirmed": "yes"}, follow_redirects=False)
    assert answer.headers["Location"] == f"/outbox?done={action}"
    assert states_of(ledger)[number - 1] == after
    assert 'class="note good"' in client.get(answer.headers["Location"]).text


def test_a_target_is_stopped_on_the_page(client: TestClient) -> None:
    form = {"action": "stop", "target": "hub", "by": "N. Ole", "why": "moved tonight"}
    shown = client.post("/outbox", data=form).text
    assert "Confirm stopping" in shown
    assert "1 item waits there" in shown
    assert "moved tonight" not in client.get("/outbox").text
    client.post("/outbox", data={**form, "confirmed": "yes"})
    assert "hub was stopped by N. Ole" in client.get("/outbox").text
    assert client.post("/outbox", data={**form, "confirmed": "yes"}).status_code == 409
    client.post("/outbox", data={**form, "action": "resume", "confirmed": "yes"})
    assert "was stopped" not in client.get("/outbox").text
