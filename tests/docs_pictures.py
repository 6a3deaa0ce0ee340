"""The pictures of the documents, taken of real pages: a report and the mapping bench, from the demo exports.

    python -m tests.docs_pictures

writes docs/images/report.png and docs/images/bench.png; it needs a Chromium. Look at them before you keep them: other
machines have other fonts, so no test compares them.
"""

from __future__ import annotations

import socket
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from gateway.service.app import create_app
from gateway.service.settings import Settings
from tests.conftest import find_browser
from tests.docs_refresh import DOCS, REPOSITORY
from tests.golden import refresh

CLINIC = REPOSITORY / "fixtures" / "demo" / "clinic-wide"
WIDTH, HEIGHT = 1120, 700


def main() -> int:
    """Take both pictures."""
    import uvicorn
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory(prefix="pictures-") as name, sync_playwright() as running:
        folder = Path(name)
        browser = running.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        refresh.convert_demo("ward-messy", folder / "out")
        page.goto((folder / "out" / "report.html").as_uri())
        page.screenshot(path=DOCS / "images" / "report.png")

        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        app = create_app(Settings(port=port, mappings=folder / "mappings"))
        server = uvicorn.Server(uvicorn.Config(app, port=port, log_config=None, access_log=False))
        thread = threading.Thread(target=server.run)
        thread.start()
        while not server.started:
            time.sleep(0.05)
        try:
            _bench(page, f"http://127.0.0.1:{port}")
        finally:
            server.should_exit = True
            thread.join(20)
        browser.close()
    return 0


def _bench(page: Any, address: str) -> None:
    page.goto(f"{address}/bench")
    page.set_input_files("#sample", CLINIC / "clinic-2026-03-14.csv")
    page.set_input_files("#mapping", CLINIC / "mapping.toml")
    page.get_by_role("button", name="Try it").click()
    page.wait_for_url("**/bench/*")
    page.locator("article.entry").first.evaluate("element => element.scrollIntoView()")
    page.screenshot(path=DOCS / "images" / "bench.png")


if __name__ == "__main__":
    sys.exit(main())
