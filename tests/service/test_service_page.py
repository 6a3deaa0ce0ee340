"""The pages in a real browser: the whole way to a signed mapping, accessibility, a large upload."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.mapping.signing import signed
from gateway.service.app import create_app
from gateway.service.settings import Settings
from tests.conftest import find_browser
from tests.conversion.conversion_kit import DEMO, WIDE, WIDE_HEADER

pytestmark = [pytest.mark.browser, pytest.mark.slow]
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CLINIC = DEMO / "clinic-wide"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("site")


@pytest.fixture(scope="module")
def address(site: Path) -> Iterator[str]:
    import uvicorn

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    app = create_app(Settings(port=port, mappings=site / "mappings", ledger=str(site / "l.db"), rate=10_000))
    server = uvicorn.Server(uvicorn.Config(app, port=port, log_config=None, access_log=False))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    thread.join(20)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as running:
        found = running.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture(params=["light", "dark"])
def page(browser: Any, address: str, request: pytest.FixtureRequest) -> Iterator[Any]:
    context = browser.new_context(base_url=address, color_scheme=request.param, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    yield page
    context.close()
    assert complaints == []


def violations(page: Any) -> list[str]:
    """What axe-core finds; its script is run from outside the page, past the page's own policy."""
    found = pytest.importorskip("axe_playwright_python.base", reason="axe-playwright-python is not installed")
    page.evaluate(Path(found.AXE_FILE_PATH).read_text(encoding="utf-8"))
    told = page.evaluate("axe.run()")
    return [f"{each['id']}: {each['nodes'][0]['html'][:200]}" for each in told["violations"]]


def picture(page: Any, site: Path, name: str) -> None:
    page.screenshot(path=site / f"{name}.png", full_page=False)


def test_from_a_raw_export_to_a_signed_mapping(page: Any, site: Path) -> None:
    page.goto("/bench")
    assert violations(page) == []
    page.set_input_files("#sample", CLINIC / "clinic-2026-03-14.csv")
    page.set_input_files("#mapping", CLINIC / "mapping.toml")
    page.get_by_role("button", name="Try it").press("Enter")
    page.wait_for_url("**/bench/*")
    assert page.locator("article.entry").count() == 20
    picture(page, site, "bench")
    page.locator("details summary").first.press("Enter")
    link = page.locator("pre.record a", has_text='"value": 122').first
    link.focus()
    cell = page.locator("#c5-6")
    assert cell.inner_text() == "122"
    assert "pointed" in (cell.get_attribute("class") or "")
    link.press("Enter")
    assert page.url.endswith("#c5-6")
    picture(page, site, "pointed")
    assert violations(page) == []

    text = page.locator("#text")
    good = text.input_value()
    text.fill(good.replace('unit = "[degF]"', 'unit = "Cel"').replace('unit = "degF"', 'unit = "Cel"'))
    page.wait_for_selector("#changes .mark")
    picture(page, site, "changed")
    text.fill(good.replace('zone = "', 'zone = "Else'))
    mistake = page.wait_for_selector("a[data-line]")
    mistake.click()
    chosen = page.evaluate("() => { const t = document.getElementById('text');"
                           " return t.value.slice(t.selectionStart, t.selectionEnd); }")  # fmt: skip
    assert chosen.startswith('zone = "Else')
    assert violations(page) == []
    picture(page, site, "mistake")
    text.fill(good)
    page.get_by_role("button", name="Try this mapping").click()
    page.wait_for_selector("#signer")
    page.fill("#sign-name", "clinic")
    page.fill("#signer", "N. Ole")
    page.fill("#role", "charge nurse")
    form = page.locator("form", has=page.locator("#signer"))
    form.get_by_label("I have compared").check()
    page.get_by_role("button", name="Sign off").click()
    page.wait_for_selector("text=Signed off by N. Ole")
    picture(page, site, "signed")
    assert violations(page) == []
    assert signed(site / "mappings" / "clinic.toml").role == "charge nurse"


def test_a_large_upload_stays_responsive(page: Any, site: Path) -> None:
    export = site / "large.csv"
    with export.open("w") as file:
        file.write(WIDE_HEADER + "\n")
        for number in range(100_000):
            day, rest = divmod(number, 1440)
            time_of = f"2025-{day // 28 + 1:02}-{day % 28 + 1:02} {rest // 60:02}:{rest % 60:02}"
            values = f"12{number % 10},7{number % 10},6{number % 10},97,36.8,71.4"
            file.write(f"{time_of},P-{number % 997:04},M{number % 9},{values}\n")
    mapping = site / "m.toml"
    mapping.write_text(WIDE)
    page.goto("/conversions")
    assert violations(page) == []
    page.set_input_files("#exports", export)
    page.set_input_files("#mapping", mapping)
    page.get_by_role("button", name="Convert").click()
    page.wait_for_url("**/conversions/*")
    waits = []
    until = time.monotonic() + 150
    while page.get_by_role("link", name="Open the report").count() == 0:
        assert time.monotonic() < until
        started = time.monotonic()
        assert page.request.get("/healthz").ok
        waits.append(time.monotonic() - started)
        time.sleep(0.2)
    assert max(waits) < 2
    picture(page, site, "converted")
    assert violations(page) == []
    page.goto("/bench")
    page.set_input_files("#sample", export)
    page.set_input_files("#mapping", mapping)
    page.get_by_role("button", name="Try it").click()
    page.wait_for_selector("article.entry")
    started = time.monotonic()
    page.get_by_role("button", name="Try this mapping").click()
    page.wait_for_selector("#changes, article.entry")
    assert time.monotonic() - started < 15


def test_holds_are_settled_with_a_confirmation(page: Any, site: Path, address: str) -> None:
    export = site / "held.csv"
    # Another minute for each colour scheme, so that each has a hold of its own.
    minute = int(time.time()) % 50 + 10
    export.write_text(f"{WIDE_HEADER}\n2026-03-15 09:{minute},,M1,118,76,71,98,36.6,\n")
    sent = page.request.post(
        "/api/conversions",
        multipart={
            "exports": {"name": "x", "mimeType": "text/csv", "buffer": export.read_bytes()},
            "mapping": {"name": "m", "mimeType": "text/plain", "buffer": WIDE.encode()},
            "remember": "true",
        },
    )
    assert sent.ok
    page.goto("/holds")
    assert violations(page) == []
    page.get_by_role("checkbox").first.check()
    page.get_by_label("Discard").check()
    page.get_by_label("Who decides").fill("N. Ole")
    page.get_by_label("Why").fill("a test")
    picture(page, site, "holds")
    page.get_by_role("button", name="Go on").click()
    assert violations(page) == []
    picture(page, site, "confirm")
    page.get_by_role("button", name="Discard").click()
    page.wait_for_selector("text=1 hold settled")


def test_it_works_without_script_and_on_a_phone(browser: Any, address: str, site: Path) -> None:
    context = browser.new_context(base_url=address, java_script_enabled=False, viewport={"width": 375, "height": 800})
    page = context.new_page()
    page.goto("/bench")
    page.set_input_files("#sample", CLINIC / "clinic-2026-03-14.csv")
    page.set_input_files("#mapping", CLINIC / "mapping.toml")
    page.get_by_role("button", name="Try it").click()
    page.locator("#text").fill(page.locator("#text").input_value().replace("title = ", "titel = "))
    page.get_by_role("button", name="Try this mapping").click()
    page.wait_for_selector("text=titel")
    assert page.locator("ol.faults li").count() >= 1
    picture(page, site, "phone")
    context.close()
