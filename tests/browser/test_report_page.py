"""The report in a real browser: it opens from a file, without a network and without scripts, and prints."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import pytest

from tests.golden import refresh

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), "chromium")
QUIET = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --hide-scrollbars"
)

pytestmark = [pytest.mark.browser, pytest.mark.page]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report") / "out"
    refresh.convert_demo("ward-messy", out)
    return out / "report.html"


def browse(folder: Path, page: Path, *options: str) -> bytes:
    words = [CHROMIUM, *QUIET.split(), f"--user-data-dir={folder / 'profile'}", *options, page.as_uri()]
    done = subprocess.run(words, capture_output=True, timeout=120, check=True, env=os.environ | {"HOME": str(folder)})
    return done.stdout


def pixels(picture: Path) -> tuple[int, int, set[bytes]]:
    """Width, height and the colours along some rows of a PNG of 8-bit RGB or RGBA (PNG specification, W3C)."""
    data = picture.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height, depth, kind = struct.unpack(">IIBB", data[16:26])
    assert depth == 8
    size = {2: 3, 6: 4}[kind]
    packed, at = b"", 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        if data[at + 4 : at + 8] == b"IDAT":
            packed += data[at + 8 : at + 8 + length]
        at += 12 + length
    raw = zlib.decompress(packed)
    stride = width * size + 1
    return width, height, {raw[row * stride : (row + 1) * stride] for row in range(0, height, 7)}


@pytest.mark.parametrize("width", [1200, 390])
def test_it_is_drawn(tmp_path: Path, page: Path, width: int) -> None:
    picture = tmp_path / "page.png"
    browse(tmp_path, page, f"--window-size={width},2000", f"--screenshot={picture}")
    found, height, rows = pixels(picture)
    assert (found, height) == (width, 2000)
    assert len(rows) > 50, "a page with text and tables has many different rows"


def test_it_says_the_same_to_the_browser(tmp_path: Path, page: Path) -> None:
    seen = browse(tmp_path, page, "--dump-dom").decode()
    for words in ("Needs attention", "the sums agree", "Diastolic, mean and systolic pressure", "not a medical device"):
        assert words in seen
    assert seen.count("<svg") >= 8
    assert "<script" not in seen


def test_it_prints(tmp_path: Path, page: Path) -> None:
    printed = tmp_path / "page.pdf"
    browse(tmp_path, page, f"--print-to-pdf={printed}")
    assert printed.read_bytes().startswith(b"%PDF-")
    assert printed.stat().st_size > 30_000
