"""What every test shares."""

from __future__ import annotations

import glob
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from itertools import count
from pathlib import Path
from unittest import TestCase

import pytest
from hypothesis import HealthCheck, is_hypothesis_test, settings

from gateway.report import Drawing
from gateway.report.page import html as HTML  # noqa: N812

# The same examples each time, so that a change is red or green for what it does. No example database in the working
# tree, and no judgement by the clock: two tests share each core of a small machine.
settings.register_profile(
    "default",
    database=None,
    deadline=None,
    derandomize=True,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
# Random search, for `./dev thorough`: other examples each time, and more of them.
settings.register_profile("thorough", parent=settings.get_profile("default"), derandomize=False)
PROFILE = os.environ.get("HYPOTHESIS_PROFILE", "default")
settings.load_profile(PROFILE)

MORE = 10
"""How many times as many examples a thorough search tries, of a test that states its number as well."""


def search_longer(item: pytest.Item) -> None:
    """Multiply the number of examples of a property, or of a state machine; twice is once."""
    if not isinstance(item, pytest.Function) or not is_hypothesis_test(item.obj):
        return
    machine = item.cls is not None and issubclass(item.cls, TestCase) and isinstance(item.cls.settings, settings)
    # A number that a test states wins over the profile's, and hypothesis keeps it here alone.
    owner, name = (item.cls, "settings") if machine else (item.function, "_hypothesis_internal_use_settings")
    if not hasattr(owner, "searched_longer"):
        before = getattr(owner, name)
        setattr(owner, name, settings(before, max_examples=MORE * before.max_examples))
        setattr(owner, "searched_longer", True)  # noqa: B010 - of a function or a class


def find_browser() -> str | None:
    """Path of a Chromium on this machine, or None."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return next((path for path in map(shutil.which, names) if path is not None), None)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if PROFILE == "thorough":
        for item in items:
            search_longer(item)
    if find_browser() is None:
        missing = pytest.mark.skip(reason="there is no Chromium on this machine")
        for item in items:
            if item.get_closest_marker("browser") is not None:
                item.add_marker(missing)


@pytest.fixture(autouse=True, scope="module")
def _no_page(request: pytest.FixtureRequest) -> Iterator[None]:
    """Reports have no page, except in modules marked `page`: its pictures take far longer than a small run."""
    with pytest.MonkeyPatch.context() as patch:
        if request.node.get_closest_marker("page") is None:
            patch.setattr("gateway.report.page.html", lambda report, drawing=None: "")
            patch.setattr("gateway.report.Drawing", nullcontext)
        yield


@pytest.fixture
def with_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reports have their page and pictures all the same."""
    monkeypatch.setattr("gateway.report.page.html", HTML)
    monkeypatch.setattr("gateway.report.Drawing", Drawing)


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[Path]:
    """The socket folder of a PostgreSQL server of our own; without durability, for it lives as long as the tests."""
    homes = sorted(glob.glob("/usr/lib/postgresql/*/bin"), key=lambda home: int(home.split("/")[4]))
    if not homes:
        pytest.skip("there is no PostgreSQL server on this machine")
    programs = Path(homes[-1])
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
    # The server refuses to run as root.
    user = "postgres" if os.getuid() == 0 else None
    if user is not None:
        os.chown(folder, pwd.getpwnam(user).pw_uid, pwd.getpwnam(user).pw_gid)
    data = folder / "data"
    making: list[str | Path] = [
        programs / "initdb",
        "-D",
        data,
        "-U",
        "gateway",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--no-locale",
        "-N",
    ]
    subprocess.run(making, check=True, capture_output=True, user=user, cwd="/", timeout=120)
    settings_ = ("listen_addresses=", f"unix_socket_directories={folder}", "fsync=off", "full_page_writes=off")
    words: list[str | Path] = [programs / "postgres", "-D", data]
    for setting in settings_:
        words += ["-c", setting]
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(words, stdout=log, stderr=log, user=user, cwd="/")
    try:
        asking: list[str | Path] = [programs / "pg_isready", "-q", "-h", folder, "-U", "gateway", "-d", "postgres"]
        until = time.monotonic() + 60
        while subprocess.run(asking, check=False, timeout=60).returncode != 0:
            assert server.poll() is None, (folder / "log").read_text()
            assert time.monotonic() < until, "PostgreSQL does not answer"
            time.sleep(0.05)
        yield folder
    finally:
        server.send_signal(signal.SIGQUIT)
        server.wait(timeout=60)
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def new_schema(postgresql_server: Path) -> Callable[[], str]:
    """Makes a new, empty schema in a PostgreSQL database and gives the URL of a ledger in it."""
    import psycopg

    numbers = count(1)

    def make() -> str:
        name = f"ledger_{next(numbers)}"
        with psycopg.connect(f"host={postgresql_server} user=gateway dbname=postgres") as connection:
            connection.execute(f"CREATE SCHEMA {name}".encode())
        return f"postgresql://gateway@/postgres?host={postgresql_server}&options=-csearch_path%3D{name}"

    return make
