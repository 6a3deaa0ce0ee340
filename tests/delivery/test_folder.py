"""The folder target: complete files or none, names that sort, nothing overwritten, nothing twice."""

from __future__ import annotations

import ctypes
import errno
import os
import re
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from gateway.delivery import folder as module
from gateway.delivery.base import Receipt, Target, Verdict
from gateway.delivery.folder import FolderSender, SiteFolder

WRITTEN = (Verdict.DELIVERED, "written")
EXISTS = (Verdict.DELIVERED, "exists")


def target(path: Path, **changes: Any) -> SiteFolder:
    values: dict[str, Any] = {
        "kind": "folder",
        "name": "share",
        "owner": "interface team",
        "path": path,
        "takes": "oru",
    }
    return SiteFolder(**(values | changes))


def visible(path: Path) -> list[str]:
    return sorted(name for name in os.listdir(path) if not name.startswith("."))


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[datetime]:
    """The time, to be set by the test."""
    times = [datetime(2026, 3, 1, 2, 15, 0, 123456, UTC)]

    class Clock(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return times[0]

    monkeypatch.setattr(module, "datetime", Clock)
    return times


def test_one_file_byte_for_byte(tmp_path: Path, clock: list[datetime]) -> None:
    data = b"FHS|^~\\&\rBHS|^~\\&\rMSH|^~\\&\rBTS|1\rFTS|1\r\x00\xff"
    sender: Target = FolderSender(target(tmp_path))
    with sender:
        assert sender.send(data)[:2] == WRITTEN
    [name] = os.listdir(tmp_path)
    assert name == f"20260301T021500.123456Z-000000-{sha256(data).hexdigest()[:16]}.hl7"
    assert (tmp_path / name).read_bytes() == data
    assert (tmp_path / name).stat().st_mode & 0o7777 == 0o600
    assert (tmp_path / name).stat().st_nlink == 1
    assert (sender.name, sender.kind) == ("share", "oru")


def test_suffix_and_mode(tmp_path: Path) -> None:
    old = os.umask(0o077)
    try:
        FolderSender(target(tmp_path, takes="fhir", mode="0640", marker=".done")).send(b"{}")
        FolderSender(target(tmp_path, suffix=".bundle.json")).send(b"{}")
    finally:
        os.umask(old)
    names = visible(tmp_path)
    assert [name[40 + 7 :] for name in names] == [".json", ".json.done", ".bundle.json"]
    assert {(tmp_path / name).stat().st_mode & 0o777 for name in names[:2]} == {0o640}


def test_names_sort_by_the_order_of_sending(tmp_path: Path, clock: list[datetime]) -> None:
    contents = [b"MSH|%d\r" % number for number in range(60)]
    for number, content in enumerate(contents):
        # The clock stands still, goes on, and is put back; twice the program starts anew.
        clock[0] += timedelta(microseconds=[0, 1, -5_000_000, 10**6][number % 4])
        if number % 20 == 0:
            sender = FolderSender(target(tmp_path))
        assert sender.send(content)[:2] == WRITTEN
    assert [(tmp_path / name).read_bytes() for name in visible(tmp_path)] == contents


def test_same_content_is_not_written_twice(tmp_path: Path) -> None:
    first, second = FolderSender(target(tmp_path)), FolderSender(target(tmp_path))
    assert first.send(b"one")[:2] == WRITTEN
    assert first.send(b"two")[:2] == WRITTEN
    for sender in (first, second, FolderSender(target(tmp_path))):
        assert sender.send(b"one")[:2] == EXISTS
    time.sleep(0.02)  # some kernels stamp a folder every few milliseconds only
    assert first.send(b"three")[:2] == WRITTEN
    assert second.send(b"three")[:2] == EXISTS  # written by another after this one had looked
    assert len(visible(tmp_path)) == 3
    for name in visible(tmp_path):
        (tmp_path / name).unlink()
    assert first.send(b"one")[:2] == WRITTEN  # what was collected is not there any more


def test_a_file_changed_by_others_is_left_alone(tmp_path: Path) -> None:
    sender = FolderSender(target(tmp_path))
    sender.send(b"one")
    [name] = visible(tmp_path)
    (tmp_path / name).write_bytes(b"two")
    assert sender.send(b"one")[:2] == WRITTEN
    assert [(tmp_path / name).read_bytes() for name in visible(tmp_path)] == [b"two", b"one"]


def test_a_link_in_the_way_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "secret").write_bytes(b"one")
    name = f"20260301T021500.123456Z-000000-{sha256(b'one').hexdigest()[:16]}.hl7"
    (tmp_path / "folder" / name).symlink_to(tmp_path / "secret")
    assert FolderSender(target(tmp_path / "folder")).send(b"one")[:2] == WRITTEN


@pytest.mark.parametrize("links", [True, False])
def test_no_overwrite(tmp_path: Path, clock: list[datetime], monkeypatch: pytest.MonkeyPatch, links: bool) -> None:
    """A file that comes into being between the look and the writing, with and without hard links."""
    if not links:
        _without_links(monkeypatch)
    sender = FolderSender(target(tmp_path))
    taken = tmp_path / f"20260301T021500.123456Z-000000-{sha256(b'one').hexdigest()[:16]}.hl7"
    write = sender._write

    def write_late(folder: int, name: str, data: bytes) -> None:
        write(folder, name, data)
        taken.exists() or taken.write_bytes(b"other")

    monkeypatch.setattr(sender, "_write", write_late)
    assert sender.send(b"one")[:2] == WRITTEN
    assert [(tmp_path / name).read_bytes() for name in sorted(os.listdir(tmp_path))] == [b"other", b"one"]


def test_file_system_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _without_links(monkeypatch)
    sender = FolderSender(target(tmp_path))
    assert sender.check() == []
    assert sender.send(b"one")[:2] == WRITTEN
    assert len(os.listdir(tmp_path)) == 1
    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: object())
    receipt = sender.send(b"two")
    assert (*receipt[:2], receipt.reached) == (Verdict.LATER, "no-link", False)
    assert sender.check() == ["The folder's file system can neither link nor rename without overwriting."]
    assert len(os.listdir(tmp_path)) == 1


def _without_links(monkeypatch: pytest.MonkeyPatch) -> None:
    def link(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(os, "link", link)


@pytest.mark.parametrize(
    ("call", "number", "code"),
    [
        ("write", errno.ENOSPC, "disk-full"),
        ("fsync", errno.ENOSPC, "disk-full"),
        ("fsync", errno.EIO, "failed"),
        ("link", errno.EDQUOT, "disk-full"),
        ("open", errno.EACCES, "no-permission"),
        ("open", errno.EROFS, "no-permission"),
    ],
)
def test_trouble_is_told_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int, code: str
) -> None:
    sender = FolderSender(target(tmp_path))

    def fail(*_: object, **__: object) -> None:
        raise OSError(number, "x")

    with monkeypatch.context() as patch:
        patch.setattr(os, call, fail)
        receipt = sender.send(b"INVENTED-7")
    assert receipt[:2] == (Verdict.LATER, code)
    # A share may refuse the last step and have done it all the same; before that, nobody can have seen the file.
    assert (receipt.reached, receipt.answered) == (call == "link", False)
    assert receipt.message == f"The file cannot be put into the folder: {os.strerror(number).lower()}."
    assert os.listdir(tmp_path) == []
    assert sender.send(b"INVENTED-7")[:2] == WRITTEN


def test_a_file_that_is_there_without_its_marker_may_have_been_collected(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sender = FolderSender(target(tmp_path, marker=".done"))
    assert (sender.park_after, sender.corrections) == (0, "changed")
    opened = os.open

    def no_marker(path: str, *words: int, **more: int) -> int:
        if str(path).endswith(".done"):
            raise OSError(errno.ENOSPC, "x")
        return opened(path, *words, **more)

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", no_marker)
        for _ in range(2):  # just written, and found there
            receipt = sender.send(b"INVENTED-7")
            assert (*receipt[:2], receipt.reached) == (Verdict.LATER, "disk-full", True)
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", lambda *_: no_marker(".done"))
        assert sender.send(b"INVENTED-8").reached is False


def test_a_real_full_disk(tmp_path: Path) -> None:
    """A file size limit stands for the full disk: the operating system itself refuses in the middle of the file."""
    program = """
import resource, signal, sys
from pathlib import Path
from gateway.delivery.folder import FolderSender, SiteFolder
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
sender = FolderSender(SiteFolder(kind="folder", name="share", owner="team", path=Path(sys.argv[1]), takes="oru"))
print([sender.send(b"x" * size).code for size in (4000, 6000, 5000)])
"""
    assert _run(program, str(tmp_path)) == "['written', 'disk-full', 'written']\n"
    assert [(tmp_path / name).stat().st_size for name in sorted(os.listdir(tmp_path))] == [4000, 5000]


def test_content_is_on_the_disk_before_its_name_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[str] = []
    fsync, link = os.fsync, os.link

    def noted_fsync(number: int) -> None:
        calls.append("folder" if os.path.isdir(f"/proc/self/fd/{number}") else "file")
        fsync(number)

    def noted_link(*names: Any, **options: Any) -> None:
        calls.append("link")
        link(*names, **options)

    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(os, "link", noted_link)
    FolderSender(target(tmp_path)).send(b"one")
    assert calls == ["file", "link", "folder"]


def test_missing_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for path in (tmp_path / "nowhere", tmp_path / "file"):
        sender = FolderSender(target(path))
        receipt = sender.send(b"one")
        assert receipt[:2] == (Verdict.LATER, "no-folder")
        assert sender.check() == [receipt.message]
    assert visible(tmp_path) == ["file"]


def test_check_leaves_nothing(tmp_path: Path) -> None:
    assert FolderSender(target(tmp_path)).check() == []
    assert os.listdir(tmp_path) == []


def test_empty(tmp_path: Path) -> None:
    receipt = FolderSender(target(tmp_path)).send(b"")
    assert receipt == Receipt(Verdict.PARKED, "empty", "There is nothing to write.", reached=False)
    assert os.listdir(tmp_path) == []


def test_marker(tmp_path: Path) -> None:
    sender = FolderSender(target(tmp_path, marker=".done"))
    assert sender.send(b"one")[:2] == WRITTEN
    name, mark = visible(tmp_path)
    assert mark == name + ".done"
    assert (tmp_path / mark).read_bytes() == b""
    (tmp_path / mark).unlink()
    assert FolderSender(target(tmp_path, marker=".done")).send(b"one")[:2] == EXISTS
    assert visible(tmp_path) == [name, mark]


def test_leftovers_are_cleared_and_foreign_files_are_not(tmp_path: Path) -> None:
    left = ".20260301T021500.123456Z-000000-0123456789abcdef.part"
    foreign = [".hidden", "notes.txt", "x.part", ".other.part", "20260301T021500.123456Z-000000-0123456789abcdef.txt"]
    for name in [left, *foreign]:
        (tmp_path / name).write_text("half")
    FolderSender(target(tmp_path)).send(b"one")
    assert sorted(os.listdir(tmp_path))[:2] == [".hidden", ".other.part"]
    assert set(foreign) < set(os.listdir(tmp_path))
    assert left not in os.listdir(tmp_path)


@pytest.mark.slow
def test_killed_at_any_moment(tmp_path: Path) -> None:
    """Kill -9 at many moments: every file that can be seen is whole, and the next program clears up."""
    program = """
import os, random, signal, sys, time
from pathlib import Path
from gateway.delivery.folder import FolderSender, SiteFolder
settings = SiteFolder(kind="folder", name="share", owner="team", path=Path(sys.argv[1]), takes="oru")
end = time.monotonic() + 20
write = os.write

def slowly(handle, data):
    time.sleep(0.0003)  # a slow disk, so that many of the kills come in the middle of a file
    return write(handle, data[:4096])

os.write = slowly
kills = 0
while time.monotonic() < end and (kills < 60 or len(os.listdir(sys.argv[1])) < 20):
    kills += 1
    child = os.fork()
    if not child:
        sender = FolderSender(settings)
        number = 0
        while time.monotonic() < end:
            number += 1
            sender.send(os.urandom(16) * random.randrange(1, 4_000))
        os._exit(0)
    time.sleep(random.uniform(0.002, 0.03))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
"""
    _run(program, str(tmp_path))
    names = visible(tmp_path)
    assert len(names) > 10
    for name in names:
        match = re.fullmatch(r"\d{8}T\d{6}\.\d{6}Z-\d{6}-([0-9a-f]{16})\.hl7", name)
        assert match is not None
        assert sha256((tmp_path / name).read_bytes()).hexdigest().startswith(match[1])
    FolderSender(target(tmp_path)).send(b"one")
    assert visible(tmp_path) == sorted(os.listdir(tmp_path))


@pytest.mark.slow
def test_several_programs_at_once(tmp_path: Path) -> None:
    program = """
import os, sys
from pathlib import Path
from gateway.delivery.folder import FolderSender, SiteFolder
settings = SiteFolder(kind="folder", name="share", owner="team", path=Path(sys.argv[1]), takes="oru")
children = []
for number in range(4):
    child = os.fork()
    if not child:
        sender = FolderSender(settings)
        codes = {sender.send(b"MSH|%d-%d" % (number, count)).code for count in range(40)}
        os._exit(codes != {"written"})
    children.append(child)
print([os.waitpid(child, 0)[1] for child in children])
"""
    assert _run(program, str(tmp_path)) == "[0, 0, 0, 0]\n"
    contents = [(tmp_path / name).read_bytes() for name in sorted(os.listdir(tmp_path))]
    assert sorted(contents) == sorted(b"MSH|%d-%d" % (number, count) for number in range(4) for count in range(40))
    for number in range(4):
        mine = [content for content in contents if content.startswith(b"MSH|%d-" % number)]
        assert mine == [b"MSH|%d-%d" % (number, count) for count in range(40)]


def _run(program: str, *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_settings_are_strict(tmp_path: Path) -> None:
    assert SiteFolder.model_validate(target(tmp_path).model_dump() | {"path": str(tmp_path)}).path == tmp_path
    for change in (
        {"takes": "csv"},
        {"suffix": "hl7"},
        {"suffix": "./x"},
        {"marker": ".."},
        {"mode": "0777"},
        {"x": 1},
    ):
        with pytest.raises(ValidationError):
            target(tmp_path, **change)
