"""Files and folders are written whole: what was there before, or what is there now."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway import files
from gateway.errors import OutputError
from tests.disk import largest_file


def _write(path: Path, content: str | bytes = "new") -> None:
    files.write(path, content, what="the letter", todo="Make room")


@pytest.mark.parametrize("content", ["gr\u00fcn\n", b"\x00\r\n\xff"])
def test_writes_what_it_is_given(content: str | bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old and longer than the new one")
    _write(path, content)
    assert path.read_bytes() == (content.encode() if isinstance(content, str) else content)
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_new_file_has_the_mode_of_any_other(tmp_path: Path) -> None:
    (tmp_path / "other").write_text("")
    _write(tmp_path / "a.txt")
    assert (tmp_path / "a.txt").stat().st_mode == (tmp_path / "other").stat().st_mode


def test_content_is_on_the_disk_before_the_name_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[str] = []
    fsync, replace = os.fsync, os.replace

    def noted_fsync(number: int) -> None:
        calls.append("folder" if os.path.isdir(f"/proc/self/fd/{number}") else "file")
        fsync(number)

    def noted_replace(*names: Path) -> None:
        calls.append("replace")
        replace(*names)

    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(os, "replace", noted_replace)
    _write(tmp_path / "a.txt")
    assert calls == ["file", "replace", "folder"]


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_an_error_leaves_the_old_file_and_nothing_else(
    call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")

    def fail(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, call, fail)
        with pytest.raises(OutputError) as caught:
            _write(path)
    assert str(caught.value) == f"{path}: the letter cannot be written: No space left on device. Make room."
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("size", [21, 1 << 20])
def test_a_full_disk_leaves_the_old_file_and_nothing_else(size: int, tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")
    with largest_file(20), pytest.raises(OutputError, match="File too large"):
        _write(path, b"x" * size)
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_of_several_none_is_placed_before_all_are_complete(tmp_path: Path) -> None:
    contents: dict[Path, str | bytes] = {tmp_path / "a": "new", tmp_path / "missing" / "b": "new"}
    (tmp_path / "a").write_text("old")
    with pytest.raises(OutputError, match="missing/b"):
        files.write_all(contents, what="the letters", todo="Make room")
    assert (tmp_path / "a").read_text() == "old"
    assert os.listdir(tmp_path) == ["a"]


def test_the_error_names_another_place_where_one_is_given(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"^a\.txt: the letter"):
        files.write(tmp_path / "no" / "a.txt", "x", what="the letter", todo="Make room", where="a.txt")


@given(parts=st.lists(st.binary(max_size=2000), max_size=8), finished=st.booleans())
def test_a_file_is_there_whole_or_not_at_all(
    parts: list[bytes], finished: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("whole") / "a"
    whole = files.WholeFile(path, durable=False)
    for part in parts:
        whole.file.write(part)
        assert not path.exists()
    if finished:
        whole.finish()
        assert not path.exists()
        whole.place()
    whole.abandon()
    assert [each.name for each in path.parent.iterdir()] == (["a"] if finished else [])
    assert not finished or path.read_bytes() == b"".join(parts)


@pytest.mark.parametrize("number", sorted(files.UNSUPPORTED))
def test_a_folder_that_cannot_be_forced_to_the_disk_is_no_error(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: int) -> None:
        raise OSError(number, "x")

    monkeypatch.setattr(os, "fsync", fail)
    files.sync(tmp_path)
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(errno.EIO, "x")))
    with pytest.raises(OSError, match="x"):
        files.sync(tmp_path)


def test_sync_closes_what_it_opened_and_nothing_else(tmp_path: Path) -> None:
    before = os.listdir("/proc/self/fd")
    number = os.open(tmp_path, os.O_RDONLY)
    files.sync(number)
    files.sync(tmp_path)
    os.close(number)
    assert len(os.listdir("/proc/self/fd")) == len(before)


class TestFolder:
    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        made = tmp_path / ".new"
        made.mkdir()
        (made / "a").write_text("new")
        return made

    @pytest.mark.parametrize("there", [False, True])
    def test_goes_where_there_is_none_or_an_empty_one(self, there: bool, folder: Path, tmp_path: Path) -> None:
        target = tmp_path / "result"
        if there:
            target.mkdir()
        assert files.put_folder(folder, target, replace=False) is None
        assert (target / "a").read_text() == "new"
        assert os.listdir(tmp_path) == ["result"]

    def test_keeps_the_earlier_one_for_the_caller(self, folder: Path, tmp_path: Path) -> None:
        target = tmp_path / "result"
        target.mkdir()
        (target / "a").write_text("old")
        earlier = files.put_folder(folder, target, replace=True)
        assert earlier is not None
        assert (earlier / "result" / "a").read_text() == "old"
        assert (target / "a").read_text() == "new"

    def test_never_touches_another_one_unasked(self, folder: Path, tmp_path: Path) -> None:
        target = tmp_path / "result"
        target.mkdir()
        (target / "a").write_text("old")
        with pytest.raises(OSError, match="not empty"):
            files.put_folder(folder, target, replace=False)
        assert (target / "a").read_text() == "old"
        assert (folder / "a").read_text() == "new"
