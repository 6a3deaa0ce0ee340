"""Places of exports: when a file is complete, that it arrives whole, and that moving it overwrites nothing."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any

import fsspec
import pytest

from gateway.errors import InputError
from gateway.nightly.feeds import Fetched, Seen, Source
from gateway.nightly.site import Feed, Marker, Renamed, Sftp

DAY = date(2026, 3, 14)


@pytest.fixture(params=["local", "memory"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, Any]]:
    if request.param == "local":
        (tmp_path / "in").mkdir()
        yield str(tmp_path / "in"), fsspec.filesystem("file")
        return
    memory = fsspec.filesystem("memory")
    memory.makedirs("/exports/in")
    yield "memory://exports/in", memory
    memory.rm("/exports", recursive=True)


def feed(at: str, **keys: Any) -> Feed:
    return Feed(name="ward", place=at, mapping=Path("m.toml"), **keys)


def put(place: tuple[str, Any], name: str, data: bytes) -> None:
    with place[1].open(f"{place[0].removeprefix('memory:/')}/{name}", "wb") as file:
        file.write(data)


def has(place: tuple[str, Any], name: str) -> bool:
    return bool(place[1].exists(f"{place[0].removeprefix('memory:/')}/{name}"))


def fetched(source: Source, seen: Seen, folder: Path) -> Fetched:
    got = source.fetch(seen, folder)
    assert got.sha256 == sha256(got.path.read_bytes()).hexdigest()
    return got


def test_stable_size(place: tuple[str, Any]) -> None:
    source = Source(feed(place[0], pattern="*.csv"))
    put(place, "a.csv", b"1")
    put(place, "b.csv", b"1")
    put(place, "c.txt", b"1")
    put(place, ".d.csv", b"1")
    before = source.look()
    assert [seen.name for seen in before] == ["a.csv", "b.csv"]
    put(place, "b.csv", b"12")
    assert [seen.name for seen in source.complete(before)] == ["a.csv"]


def test_marker_and_rename(place: tuple[str, Any], tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv", "b.csv.done", "c.csv.part"):
        put(place, name, b"1")
    marked = Source(feed(place[0], complete=Marker(by="marker")))
    assert [seen.name for seen in marked.complete(marked.look())] == ["b.csv"]
    renamed = Source(feed(place[0], pattern="*.csv*", complete=Renamed(by="rename")))
    assert [seen.name for seen in renamed.look()] == ["a.csv", "b.csv", "b.csv.done"]
    (seen,) = marked.look()
    marked.done(fetched(marked, seen, tmp_path), DAY)
    assert not has(place, "b.csv.done")


def test_moving_overwrites_nothing(place: tuple[str, Any], tmp_path: Path) -> None:
    source = Source(feed(place[0]))
    for number in range(3):
        put(place, "a.csv", str(number).encode())
        (seen,) = source.look()
        got = fetched(source, seen, tmp_path)
        got.path.unlink()
        assert source.done(got, DAY) == f"done/2026-03-14/a{f'-{number}' if number else ''}.csv"
    assert source.look() == []
    for number, name in enumerate(("a", "a-1", "a-2")):
        path = f"{place[0].removeprefix('memory:/')}/done/2026-03-14/{name}.csv"
        assert place[1].cat_file(path) == str(number).encode()


def test_aside_leaves_the_reason_beside_it(place: tuple[str, Any], tmp_path: Path) -> None:
    source = Source(feed(place[0]))
    put(place, "a.csv", b"x")
    (seen,) = source.look()
    moved = source.aside(fetched(source, seen, tmp_path), DAY, {"what": "no header"})
    assert has(place, moved)
    assert has(place, f"{moved}.why.json")


def test_a_file_that_changes_while_it_is_fetched_is_left(place: tuple[str, Any], tmp_path: Path) -> None:
    source = Source(feed(place[0]))
    put(place, "a.csv", b"x")
    (seen,) = source.look()
    put(place, "a.csv", b"xyz")
    with pytest.raises(InputError, match="changed while it was fetched"):
        source.fetch(seen, tmp_path)
    assert not (tmp_path / "a.csv").exists()


def test_cleaning_goes_by_the_day(place: tuple[str, Any]) -> None:
    source = Source(feed(place[0]))
    root = place[0].removeprefix("memory:/")
    for day in ("2026-03-01", "2026-03-13", "notes"):
        place[1].makedirs(f"{root}/done/{day}")
        put(place, f"done/{day}/a.csv", b"x")
    assert source.clean(DAY, 5) == 1
    assert not has(place, "done/2026-03-01/a.csv")
    assert has(place, "done/2026-03-13/a.csv")
    assert has(place, "done/notes/a.csv")


def test_a_place_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        Source(feed(str(tmp_path / "gone")))


class _Server:
    """An SFTP server on this machine, for one user, below one folder."""

    def __init__(self, root: Path) -> None:
        import paramiko

        self.key = paramiko.ECDSAKey.generate()
        self._paramiko: Any = paramiko
        self._root = root
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self._transports: list[Any] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        from paramiko import ServerInterface, SFTPHandle, SFTPServerInterface

        paramiko, root = self._paramiko, self._root

        class Login(ServerInterface):
            def check_auth_password(self, username: str, password: str) -> int:
                good = (username, password) == ("gateway", "open sesame")
                return int(paramiko.AUTH_SUCCESSFUL if good else paramiko.AUTH_FAILED)

            def check_channel_request(self, kind: str, chanid: int) -> int:
                return int(paramiko.OPEN_SUCCEEDED)

        class Handle(SFTPHandle):
            def stat(self) -> Any:
                return paramiko.SFTPAttributes.from_stat(os.fstat(self.readfile.fileno()))

        class Files(SFTPServerInterface):
            def _at(self, path: str) -> str:
                return str(root) + self.canonicalize(path)

            def list_folder(self, path: str) -> Any:
                found = []
                for name in os.listdir(self._at(path)):
                    entry = paramiko.SFTPAttributes.from_stat(os.stat(f"{self._at(path)}/{name}"))
                    entry.filename = name
                    found.append(entry)
                return found

            def stat(self, path: str) -> Any:
                try:
                    return paramiko.SFTPAttributes.from_stat(os.stat(self._at(path)))
                except OSError as error:
                    return paramiko.SFTPServer.convert_errno(error.errno)

            lstat = stat

            def open(self, path: str, flags: int, attr: Any) -> Any:
                try:
                    file = os.fdopen(os.open(self._at(path), flags, 0o600), "wb" if flags & os.O_WRONLY else "rb")
                except OSError as error:
                    return paramiko.SFTPServer.convert_errno(error.errno)
                handle = Handle(flags)
                handle.readfile = handle.writefile = file
                return handle

            def mkdir(self, path: str, attr: Any) -> int:
                os.mkdir(self._at(path))
                return int(paramiko.SFTP_OK)

            def rename(self, old: str, new: str) -> int:
                if os.path.exists(self._at(new)):
                    return int(paramiko.SFTP_FAILURE)
                os.rename(self._at(old), self._at(new))
                return int(paramiko.SFTP_OK)

        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            transport = paramiko.Transport(connection)
            transport.add_server_key(self.key)
            transport.set_subsystem_handler("sftp", paramiko.SFTPServer, Files)
            self._transports.append(transport)
            try:
                transport.start_server(server=Login())
            except (paramiko.SSHException, EOFError):
                continue

    def close(self) -> None:
        self._socket.close()
        for transport in self._transports:
            transport.close()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[_Server]:
    pytest.importorskip("paramiko", reason="SFTP needs the library paramiko")
    (tmp_path / "root" / "in").mkdir(parents=True)
    made = _Server(tmp_path / "root")
    yield made
    made.close()


def over_sftp(server: _Server, tmp_path: Path, key: Any) -> Feed:
    known = tmp_path / "known_hosts"
    known.write_text(f"[127.0.0.1]:{server.port} {key.get_name()} {key.get_base64()}\n")
    login = Sftp(user="gateway", known_hosts=known, password_env="WARD_PASSWORD", timeout=10)
    return feed(f"sftp://127.0.0.1:{server.port}/in", sftp=login)


def test_over_sftp(server: _Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WARD_PASSWORD", "open sesame")
    inside = tmp_path / "root" / "in"
    (inside / "a.csv").write_bytes(b"x" * 100_000)
    source = Source(over_sftp(server, tmp_path, server.key))
    (seen,) = source.complete(source.look())
    got = fetched(source, seen, tmp_path)
    assert got.size == 100_000
    assert source.done(got, DAY) == "done/2026-03-14/a.csv"
    assert (inside / "done" / "2026-03-14" / "a.csv").stat().st_size == 100_000
    assert source.look() == []
    source.close()


def test_a_server_with_another_key_is_refused(server: _Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import paramiko

    monkeypatch.setenv("WARD_PASSWORD", "open sesame")
    with pytest.raises(InputError) as caught:
        Source(over_sftp(server, tmp_path, paramiko.ECDSAKey.generate()))
    assert "BadHostKey" in str(caught.value)


def test_a_wrong_password_is_not_shown(server: _Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WARD_PASSWORD", "hunter2")
    with pytest.raises(InputError) as caught:
        Source(over_sftp(server, tmp_path, server.key))
    assert "Authentication" in str(caught.value)
    assert "hunter2" not in str(caught.value)
