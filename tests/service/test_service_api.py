"""The service over HTTP: conversions, forms of the answer, roles, limits, hostile requests."""

from __future__ import annotations

import io
import json
import logging
import time
import zipfile
import zlib
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from gateway.service.negotiation import preferred
from gateway.service.problems import Refused
from gateway.service.settings import Role, Token, new_token
from tests.conversion.conversion_kit import WIDE
from tests.service.service_kit import EXPORT, client_of, files

CSV = "/api/conversions"


@pytest.fixture(scope="module")
def client() -> object:
    with client_of(largest_mib=2) as client:
        yield client


@pytest.fixture(scope="module")
def done(client: TestClient) -> str:
    """A conversion that is done, with records of both kinds."""
    answer = client.post(CSV, files=files(), data={"records": "both"}, headers={"Accept": "application/json"})
    assert answer.status_code == 200
    return answer.headers["Content-Location"].removesuffix("/report")


@pytest.mark.parametrize(
    ("accept", "form", "words"),
    [
        ("", "application/json", '"recorded": 11'),
        ("text/html", "text/html", "<h1>Batch report</h1>"),
        ("text/plain", "text/plain", "11 of 17 readings recorded"),
        ("application/fhir+ndjson", "application/fhir+ndjson", '"resourceType":"Observation"'),
        ("application/fhir+json", "application/fhir+json", '"type":"transaction"'),
        ("application/hl7-v2", "application/hl7-v2", "ORU^R01^ORU_R01"),
    ],
)
def test_an_export_becomes_what_was_asked_for(client: TestClient, accept: str, form: str, words: str) -> None:
    answer = client.post(CSV, files=files(), headers={"Accept": accept} if accept else {})
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith(form)
    assert words in answer.text


def test_every_ndjson_line_is_a_resource_and_references_are_there(client: TestClient) -> None:
    text = client.post(CSV, files=files(), headers={"Accept": "application/fhir+ndjson"}).text
    found = [json.loads(line) for line in text.splitlines()]
    here = {f"{each['resourceType']}/{each['id']}" for each in found if "id" in each}
    named = {each["device"]["reference"] for each in found if "device" in each}
    assert named
    assert named <= here


def test_the_report_in_other_forms(client: TestClient, done: str) -> None:
    assert client.get(f"{done}/report", headers={"Accept": "application/fhir+json"}).json()["resourceType"] == (
        "OperationOutcome"
    )
    page = client.get(f"{done}/report", headers={"Accept": "text/html"})
    assert "sandbox" in page.headers["content-security-policy"]
    assert client.get(f"{done}/report", headers={"Accept": "image/png"}).status_code == 406


def test_a_long_conversion_is_a_job_with_progress(client: TestClient) -> None:
    answer = client.post(CSV, files=files(), headers={"Prefer": "respond-async"})
    assert answer.status_code == 202
    there = answer.headers["Location"]
    assert client.get(f"{there}/report").status_code == 409
    for _ in range(600):
        told = client.get(there).json()
        if told["state"] in ("done", "failed"):
            break
        time.sleep(0.05)
    assert told["state"] == "done"
    assert told["progress"]["done"] == told["progress"]["total"] == len(EXPORT)
    assert client.delete(there).status_code == 204
    assert client.get(there).status_code == 404


def test_uploads_are_gone_and_names_are_ours(client: TestClient, done: str) -> None:
    folder = client.app.state.folder / "jobs" / done.rsplit("/", 1)[-1]  # type: ignore[attr-defined]
    assert sorted(path.name for path in folder.iterdir()) == ["result"]
    assert oct(folder.stat().st_mode)[-3:] == "700"
    assert "a.csv" not in client.get(f"{done}/report").text


def test_files_are_served_by_the_list_only(client: TestClient, done: str) -> None:
    listed = [each["name"] for each in client.get(f"{done}/files").json()["files"]]
    assert "findings.csv" in listed
    answer = client.get(f"{done}/files/findings.csv")
    assert answer.headers["content-disposition"].startswith("attachment")
    for name in ("../in/mapping.toml", "%2e%2e/%2e%2e/etc/passwd", "/etc/passwd", "nothing"):
        assert client.get(f"{done}/files/{name}").status_code == 404, name


def test_every_mistake_of_a_mapping_is_told_at_its_line(client: TestClient) -> None:
    answer = client.post(CSV, files=files(mapping=WIDE.replace("zone =", "zonne =")))
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()["problems"]
    assert any("mapping.toml, line" in each["where"] for each in told)
    assert "/tmp" not in answer.text


@pytest.mark.parametrize(
    ("sent", "data"),
    [([], {}), (files()[:1], {}), (files(), {"mapping_name": "wide-example"}), (files(), {"sent": "x"})],
)
def test_incomplete_requests_are_refused_without_an_echo(client: TestClient, sent: list, data: dict[str, str]) -> None:
    answer = client.post(CSV, files=sent or None, data={**data, "bundle": "P-0007"})
    assert answer.status_code == 422
    assert "P-0007" not in answer.text


# -- limits


def test_a_request_that_says_it_is_large_is_not_read(client: TestClient) -> None:
    for length in (str(3 << 20), str(10 << 30), "9" * 30):
        answer = client.post(CSV, content=b"", headers={"Content-Length": length})
        assert answer.status_code == 413
    assert client.post(CSV, content=b"", headers={"Content-Length": "-1"}).status_code == 400


def test_a_request_that_turns_out_large_is_cut_off(client: TestClient) -> None:
    taken = 0

    def endless() -> object:
        nonlocal taken
        yield b'--x\r\nContent-Disposition: form-data; name="exports"; filename="a"\r\n\r\n'
        for _ in range(10_000):
            taken += 1
            yield b"a" * (1 << 16)

    answer = client.post(CSV, content=endless(), headers={"Content-Type": "multipart/form-data; boundary=x"})
    assert answer.status_code == 413


def test_too_many_requests_are_told_to_wait() -> None:
    with client_of(rate=3) as client:
        answers = [client.get("/api/conversions").status_code for _ in range(5)]
        assert answers == [200, 200, 200, 429, 429]
        assert int(client.get("/api/conversions").headers["Retry-After"]) >= 1
        assert client.get("/healthz").status_code == 200


def test_a_conversion_that_takes_too_long_is_ended() -> None:
    with client_of(job_seconds=0.01) as client:
        answer = client.post(CSV, files=files())
        assert answer.status_code == 422
        assert "took longer" in answer.json()["detail"]
        jobs = client.app.state.folder / "jobs"  # type: ignore[attr-defined]
        assert not list(jobs.glob("*/in"))


def test_a_queue_that_is_full_refuses() -> None:
    with client_of(workers=1, waiting=1) as client:
        sent = [client.post(CSV, files=files(), headers={"Prefer": "respond-async"}).status_code for _ in range(5)]
        assert sent[0] == 202
        assert sent[-1] == 503


# -- hostile uploads


def zipped() -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", b"\0" * (50 << 20))
    return made.getvalue()


def test_nothing_is_unpacked(client: TestClient) -> None:
    packed = zlib.compress(b"\0" * (50 << 20))
    assert client.post(CSV, content=packed, headers={"Content-Encoding": "deflate"}).status_code == 415
    answer = client.post(CSV, files=files(zipped()))
    assert answer.status_code in (200, 422)
    if answer.status_code == 200:
        assert answer.json()["reckoning"]["readings"]["all"]["recorded"] == 0


def test_markup_and_formulas_stay_text(client: TestClient) -> None:
    row = "2026-03-14 11:00,P-1,M1,<script>alert(1)</script>,=1+cmd|' /C calc'!A0,64,97,36.8,71.4\n"
    answer = client.post(CSV, files=files(EXPORT + row))
    there = answer.headers["Content-Location"].removesuffix("/report")
    assert "<script" not in client.get(f"{there}/report", headers={"Accept": "text/html"}).text.lower()
    for line in client.get(f"{there}/files/findings.csv").text.splitlines():
        assert not any(cell.strip('"')[:1] in "=+@" for cell in line.split(",") if cell.strip('"'))


def test_a_path_in_a_file_name_leads_nowhere(client: TestClient, tmp_path: Path) -> None:
    sent = [("exports", ("../../../../tmp/evil\r\nX: y", EXPORT)), ("mapping", ("/etc/passwd", WIDE))]
    answer = client.post(CSV, files=sent)
    assert answer.status_code == 200
    assert "evil" not in answer.text
    assert not Path("/tmp/evil").exists()


def test_a_mapping_that_takes_for_ever_takes_nothing_else_with_it() -> None:
    slow = WIDE.replace(
        '[vitals.systolic]\ncolumn = "Sys"', "[vitals.systolic]\ncolumn = \"Sys\"\npattern = '(?P<systolic>(a+)+b)'"
    )
    with client_of(job_seconds=8) as client:
        hostile = EXPORT + "2026-03-14 11:00,P-1,M1," + "a" * 60 + ",79,64,97,36.8,71.4\n"
        answer = client.post(CSV, files=files(hostile, slow))
        assert answer.status_code in (200, 422)
        assert client.get("/healthz").status_code == 200


# -- who may do what


def test_roles() -> None:
    made = {name: new_token(name) for name in ("reader", "sender", "nurse")}
    roles: dict[str, tuple[Role, ...]] = {"reader": ("read",), "sender": ("read", "submit"), "nurse": ("settle",)}
    tokens = [Token(name=name, hash=made[name][1], roles=roles[name]) for name in made]
    with client_of(tokens=tokens, host="0.0.0.0") as client:

        def status(method: str, path: str, name: str, **more: object) -> int:
            headers = {"Authorization": f"Bearer {made[name][0]}"} if name in made else {}
            return client.request(method, path, headers=headers, **more).status_code  # type: ignore[arg-type]

        assert status("GET", CSV, "") == 401
        assert status("GET", "/metrics", "") == 401
        assert status("GET", "/healthz", "") == 200
        assert status("GET", CSV, "reader") == 200
        assert status("GET", CSV, "nurse") == 403
        assert status("POST", CSV, "reader", files=files()) == 403
        assert status("POST", CSV, "sender", files=files()) == 200
        for wrong in (made["reader"][0][:-1], "reader.", "nobody.x", made["reader"][1]):
            assert client.get(CSV, headers={"Authorization": f"Bearer {wrong}"}).status_code == 401
        answer = client.get("/", headers={"Accept": "text/html"}, follow_redirects=False)
        assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in")
        assert client.post("/sign-in", data={"token": "reader.x"}).status_code == 403
        answer = client.post("/sign-in", data={"token": made["reader"][0]}, follow_redirects=False)
        cookie = answer.headers["Set-Cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        assert made["reader"][0].lower() not in cookie
        assert client.get("/conversions").status_code == 200
        assert client.get("/bench").status_code == 403
        client.post("/sign-out")
        assert client.get("/conversions").status_code == 401


def test_pages_of_other_sites_reach_nothing(client: TestClient) -> None:
    assert client.get("/", headers={"Host": "attacker.example.org"}).status_code == 403
    for headers in ({"Origin": "https://attacker.example.org"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}):
        assert client.post(CSV, files=files(), headers=headers).status_code == 403
    assert client.get("/", headers={"Host": "localhost:8040"}).status_code == 200


def test_security_headers_are_on_every_answer(client: TestClient) -> None:
    for path in ("/", "/healthz", "/nothing", "/static/service.js", CSV):
        headers = client.get(path).headers
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["X-Frame-Options"] == "DENY"


# -- watching


def test_measurements_and_logs_identify_nobody(client: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG, logger="gateway"):
        assert client.post(CSV, files=files()).status_code == 200
        assert client.get("/api/conversions/P-0007?patient=P-0007").status_code == 422
    text = client.get("/metrics").text
    assert 'gateway_readings_total{outcome="recorded"}' in text
    assert 'route="/api/conversions"' in text
    for told in (text, caplog.text):
        assert "P-000" not in told
        assert "a.csv" not in told


def test_health_and_readiness(client: TestClient) -> None:
    assert client.get("/healthz").json()["status"] == "ok"
    assert client.get("/readyz").status_code == 200


@pytest.mark.parametrize(
    ("accept", "chosen"),
    [
        ("", "a/b"),
        ("*/*", "a/b"),
        ("c/d", "c/d"),
        ("a/b;q=0.1, c/d", "c/d"),
        ("c/*;q=0.5, a/b;q=0.2", "c/d"),
        ("a/b;q=0, */*", "c/d"),
        ("nonsense, c/d", "c/d"),
    ],
)
def test_the_preferred_form(accept: str, chosen: str) -> None:
    assert preferred(accept, ("a/b", "c/d")) == chosen


def test_no_form_that_is_accepted() -> None:
    for accept in ("x/y", "a/b;q=0", "a"):
        with pytest.raises(Refused):
            preferred(accept, ("a/b",))
