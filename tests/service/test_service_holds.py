"""Holds over HTTP and on their page: listing, confirming, who and why."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from gateway.ledger import open_ledger
from gateway.service.settings import Role, Token, new_token
from tests.service.service_kit import client_of, files


@pytest.fixture
def ledger(tmp_path: Path) -> str:
    return str(tmp_path / "l.db")


@pytest.fixture
def client(ledger: str) -> Iterator[TestClient]:
    with client_of(ledger=ledger) as client:
        assert client.post("/api/conversions", files=files(), data={"remember": "true"}).status_code == 200
        yield client


def test_holds_and_batches_name_no_patient(client: TestClient) -> None:
    told = client.get("/api/holds")
    assert told.json()["total"] == 2
    assert "P-000" not in told.text
    assert client.get("/api/holds", params={"reason": "patient-missing"}).json()["holds"][0]["line"] == 3
    assert client.get("/api/batches").json()["batches"][0]["state"] == "done"
    page = client.get("/holds").text
    assert "2 sets are held" in page
    assert "P-000" not in page
    assert client.get("/metrics").text.count("gateway_holds_open 2.0") == 1


def test_a_decision_is_shown_first_and_made_when_confirmed(client: TestClient, ledger: str) -> None:
    hold = client.get("/api/holds", params={"reason": "patient-missing"}).json()["holds"][0]["id"]
    form = {"action": "assign", "hold": hold, "by": "N. Ole", "why": "asked", "patient": "P-0042"}
    page = client.post("/holds", data=form).text
    assert "Confirm the decision" in page
    with open_ledger(ledger, readonly=True) as opened:
        assert not any(each.action for each in opened.holds())
    answer = client.post("/holds", data={**form, "confirmed": "yes"}, follow_redirects=False)
    assert answer.status_code == 303
    assert "P-0042" not in answer.headers["Location"]
    with open_ledger(ledger, readonly=True) as opened:
        assert [each.patient for each in opened.holds() if each.id == hold] == ["P-0042"]
        assert [(each.who, each.why) for each in opened.audit(subject=f"hold {hold}")] == [("N. Ole", "asked")]


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"why": " "}, 422),
        ({"by": " "}, 422),
        ({"patient": ""}, 422),
        ({"action": "confirm"}, 422),
        ({"action": "confirm", "patient": ""}, 409),
        ({"action": "burn"}, 422),
        ({"hold": 99}, 409),
    ],
)
def test_decisions_that_do_not_fit(client: TestClient, ledger: str, change: dict[str, object], status: int) -> None:
    hold = client.get("/api/holds", params={"reason": "patient-missing"}).json()["holds"][0]["id"]
    form = {"action": "assign", "hold": hold, "by": "N. Ole", "why": "asked", "patient": "P-0042", "confirmed": "yes"}
    assert client.post("/holds", data={**form, **change}).status_code == status
    with open_ledger(ledger, readonly=True) as opened:
        assert not any(each.action for each in opened.holds())


def test_decisions_over_the_interface(client: TestClient, ledger: str) -> None:
    told = {"action": "discard", "holds": [1, 2], "who": "N. Ole", "why": "a test", "dry_run": True}
    assert client.post("/api/holds/decisions", json=told).json() == {"holds": 2, "readings": 6, "dry_run": True}
    told["dry_run"] = False
    assert client.post("/api/holds/decisions", json=told).status_code == 200
    assert client.get("/api/holds").json()["total"] == 0
    assert client.post("/api/holds/decisions", json=told).status_code == 409


def test_a_decision_is_refused_in_the_same_words_everywhere(client: TestClient) -> None:
    held = {each["reasons"][0]: each["id"] for each in client.get("/api/holds").json()["holds"]}
    hold = held["outside-hold-limits"]
    told = {"action": "assign", "holds": [hold], "who": "N. Ole", "why": "asked", "patient": "P-0042"}
    for dry_run in (True, False):
        answer = client.post("/api/holds/decisions", json={**told, "dry_run": dry_run})
        assert answer.status_code == 409
        assert answer.headers["Content-Type"] == "application/problem+json"
        assert (
            answer.json()["detail"]
            == f"hold {hold} is about its values (outside-hold-limits), not about whose they are"
        )
        assert "gateway move" in answer.json()["todo"]
    form = {"action": "assign", "hold": hold, "by": "N. Ole", "why": "asked", "patient": "P-0042"}
    page = client.post("/holds", data=form)
    assert page.status_code == 409
    assert "is about its values (outside-hold-limits)" in page.text
    other = {**told, "holds": [held["patient-missing"]], "system": "https://other.example.org/patients"}
    assert "does not know this system" in client.post("/api/holds/decisions", json=other).json()["detail"]


def test_a_service_without_a_ledger_says_so() -> None:
    with client_of() as client:
        assert client.get("/api/holds").status_code == 404
        assert client.get("/holds").status_code == 404
        assert client.post("/api/conversions", files=files(), data={"remember": "true"}).status_code == 422


def test_values_are_for_those_who_may_settle(tmp_path: Path) -> None:
    made = {name: new_token(name) for name in ("reader", "nurse")}
    roles: dict[str, tuple[Role, ...]] = {"reader": ("read", "submit"), "nurse": ("read", "settle")}
    tokens = [Token(name=name, hash=made[name][1], roles=roles[name]) for name in made]
    with client_of(tokens=tokens, host="0.0.0.0", ledger=str(tmp_path / "l.db")) as client:
        bearer = {name: {"Authorization": f"Bearer {made[name][0]}"} for name in made}
        done = client.post("/api/conversions", files=files(), data={"remember": "true"}, headers=bearer["reader"])
        assert done.status_code == 200
        first = {name: client.get("/api/holds", headers=bearer[name]).json()["holds"][0] for name in made}
        pages = {name: client.get("/holds", headers=bearer[name]).text for name in made}
    # The possible true extreme stands first.
    assert first["nurse"]["values"][0] == {"vital": "Heart rate", "value": "580 /min", "outcome": "held"}
    assert {"vital": "Oxygen saturation", "value": "95 %", "outcome": "recorded"} in first["nurse"]["values"]
    assert first["reader"]["values"] is None
    assert "580 /min" in pages["nurse"]
    assert "121 mmHg" in pages["nurse"], "what the device gave before the set that waits for its patient"
    assert "580" not in pages["reader"]
    assert "heart_rate" in pages["reader"]
