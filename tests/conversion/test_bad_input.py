"""Exports, folders and moments nobody wishes for: a clear word, the documented exit status, nothing half written."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gateway.conversion import convert
from gateway.conversion import exports as exports_module
from gateway.errors import InputError, OutputError
from gateway.records.output import Stage
from tests.conversion import conversion_kit as kit
from tests.conversion.conversion_kit import GOOD_ROW, WIDE, WIDE_HEADER, findings, gateway, observations, tree

PATIENT = "P-0007"


@pytest.fixture
def mapping(tmp_path: Path) -> Path:
    path = tmp_path / "kit.toml"
    path.write_text(WIDE)
    return path


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "results" / "out"


def refused(done: subprocess.CompletedProcess[str], *words: str) -> str:
    """A run that was refused: status 2, one paragraph on standard error, with the words, and no identifier."""
    said = done.stderr
    assert done.returncode == 2, said
    assert done.stdout == ""
    assert "Traceback" not in said
    assert "fault in the gateway" not in said
    assert said.startswith("gateway: ")
    assert said.count("\n") == 1
    assert len(said.split(". ")) >= 2, "says what is wrong, but not what to do"
    for word in words:
        assert word in said
    assert PATIENT not in said
    return said


def nothing_left(out: Path) -> None:
    assert not out.exists()
    assert not out.parent.exists() or list(out.parent.iterdir()) == []


def export(tmp_path: Path, text: str | bytes, name: str = "night.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


class TestExportsThatSayLittle:
    def test_empty_file(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        done = gateway("convert", export(tmp_path, b""), "--mapping", mapping, "--out", out)
        assert done.returncode == 0
        assert "Traceback" not in done.stderr
        assert [row["rule"] for row in findings(out)] == ["export-empty"]
        assert kit.written(out) == {}

    def test_header_only(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        done = gateway("convert", export(tmp_path, f"{WIDE_HEADER}\r\n"), "--mapping", mapping, "--out", out)
        assert done.returncode == 0
        assert [row["rule"] for row in findings(out)] == ["export-header-only"]
        assert kit.written(out) == {}
        assert "1 line" in done.stdout

    def test_an_empty_export_does_not_stop_the_others(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        empty = export(tmp_path, b"", "a.csv")
        good = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n", "b.csv")
        batch = convert([empty, good], mapping, out)
        assert batch.status == 0
        assert len(observations(out)) == 5


class TestExportsOfAnotherKind:
    def test_mapping_of_another_export(self, mapping: Path, out: Path) -> None:
        other = kit.DEMO / "clinic-wide" / "clinic-2026-03-14.csv"
        done = gateway("convert", other, "--mapping", mapping, "--out", out)
        refused(done, other.name, "line 4", "header", "'When'")
        nothing_left(out)

    def test_header_words_of_a_patient_list_are_not_quoted(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        body = "\n".join(f"{PATIENT},Ada Sample,1941-02-03" for _ in range(80))
        refused(gateway("convert", export(tmp_path, body), "--mapping", mapping, "--out", out), "night.csv", "header")
        nothing_left(out)

    def test_the_first_of_two_exports_is_not_kept_when_the_second_is_unusable(
        self, tmp_path: Path, mapping: Path, out: Path
    ) -> None:
        good = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n", "a.csv")
        wrong = export(tmp_path, "Something,Else\n1,2\n", "b.csv")
        refused(gateway("convert", good, wrong, "--mapping", mapping, "--out", out, "--workers", "2"), "b.csv")
        nothing_left(out)

    @pytest.mark.parametrize(
        ("junk", "what"),
        [
            (bytes(range(256)) * 400, "header"),
            (b"\x7fELF\x02\x01\x01" + b"\0" * 5000, "header"),
            (b"\xff\xfe" + b"\xd8\x00" * 999, "header"),
            (b"PK\3\4" * 99, "no spreadsheet"),
            (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" * 99, "no spreadsheet"),
            (b"\x1f\x8b" + b"x" * 999, "cannot be unpacked"),
        ],
        ids=["all bytes", "a program", "broken UTF-16", "a zip", "a compound file", "half a gzip"],
    )
    def test_binary_junk(self, tmp_path: Path, mapping: Path, out: Path, junk: bytes, what: str) -> None:
        refused(gateway("convert", export(tmp_path, junk), "--mapping", mapping, "--out", out), "night.csv", what)
        nothing_left(out)

    def test_binary_junk_between_good_rows(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        junk = bytes(set(range(256)) - set(b"\r\n")) * 3
        later = GOOD_ROW.replace("09:30", "09:40")
        data = f"{WIDE_HEADER}\n{GOOD_ROW}\n".encode() + junk + f"\n{later}\n".encode()
        done = gateway("convert", export(tmp_path, data), "--mapping", mapping, "--out", out)
        assert done.returncode == 1
        assert [(row["rule"], row["line"]) for row in findings(out)] == [("line-undecodable", "3")]
        assert len(observations(out)) == 10


class TestNamesOfExports:
    def test_missing_file(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        refused(gateway("convert", tmp_path / "gone.csv", "--mapping", mapping, "--out", out), "gone.csv", "no such")
        nothing_left(out)

    def test_folder(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        folder = tmp_path / "nights"
        (folder / "below").mkdir(parents=True)
        for name in ("2.csv", "1.csv", ".hidden", "below/3.csv"):
            row = GOOD_ROW.replace("09:30", f"09:3{name[0] if name[0].isdigit() else 9}")
            (folder / name).write_text(f"{WIDE_HEADER}\n{row}\n")
        batch = convert([folder], mapping, out)
        assert [each.name for each in batch.report.exports] == ["1.csv", "2.csv"]
        assert len(observations(out)) == 10

    def test_empty_folder(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        (tmp_path / "nights").mkdir()
        refused(gateway("convert", tmp_path / "nights", "--mapping", mapping, "--out", out), "nights", "no files")
        nothing_left(out)

    def test_glob_without_matches(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        pattern = tmp_path / "night-*.csv"
        refused(gateway("convert", pattern, "--mapping", mapping, "--out", out), "night-*.csv", "No file fits")
        nothing_left(out)

    def test_glob(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n", "night-1.csv")
        batch = convert([str(tmp_path / "night-*.csv")], mapping, out)
        assert [each.name for each in batch.report.exports] == ["night-1.csv"]

    def test_a_file_whose_name_looks_like_a_pattern(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        odd = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n", "night[1].csv")
        assert convert([odd], mapping, out).status == 0

    def test_standard_input(self, mapping: Path, out: Path) -> None:
        given = f"{WIDE_HEADER}\n{GOOD_ROW}\n".encode()
        done = gateway("convert", "-", "--mapping", mapping, "--out", out, given=given)
        assert done.returncode == 0, done.stderr
        assert len(observations(out)) == 5
        assert not list(out.rglob("index-*"))

    def test_empty_standard_input(self, mapping: Path, out: Path) -> None:
        assert gateway("convert", "-", "--mapping", mapping, "--out", out).returncode == 0
        assert [row["rule"] for row in findings(out)] == ["export-empty"]

    def test_named_pipe(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        pipe = tmp_path / "pipe"
        os.mkfifo(pipe)
        writer = subprocess.Popen(
            [sys.executable, "-c", "import sys; open(sys.argv[1], 'w').write(sys.argv[2])", str(pipe),
             f"{WIDE_HEADER}\n{GOOD_ROW}\n"]
        )  # fmt: skip
        try:
            done = gateway("convert", pipe, "--mapping", mapping, "--out", out)
        finally:
            writer.wait(timeout=30)
        assert done.returncode == 0, done.stderr
        assert len(observations(out)) == 5

    def test_a_device_is_no_export(self, mapping: Path, out: Path) -> None:
        refused(gateway("convert", "/dev/zero", "--mapping", mapping, "--out", out), "/dev/zero")
        nothing_left(out)

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything; the mocked test below stands in")
    def test_no_permission(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        path.chmod(0)
        refused(gateway("convert", path, "--mapping", mapping, "--out", out), "night.csv", "Permission denied")
        nothing_left(out)

    def test_no_permission_by_a_mocked_open(
        self, tmp_path: Path, mapping: Path, out: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        real = Path.open

        def guarded(self: Path, *arguments: object, **options: object) -> object:
            if self == path:
                raise PermissionError(13, "Permission denied", str(self))
            return real(self, *arguments, **options)  # type: ignore[call-overload]

        monkeypatch.setattr(Path, "open", guarded)
        with pytest.raises(InputError, match="Permission denied") as caught:
            convert([path], mapping, out)
        assert caught.value.where == str(path)
        assert caught.value.todo
        nothing_left(out)

    def test_a_folder_that_may_not_be_listed(
        self, tmp_path: Path, mapping: Path, out: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        folder = tmp_path / "nights"
        folder.mkdir()
        real = Path.iterdir

        def guarded(self: Path) -> object:
            if self == folder:
                raise PermissionError(13, "Permission denied", str(self))
            return real(self)

        monkeypatch.setattr(Path, "iterdir", guarded)
        with pytest.raises(InputError, match="Permission denied") as caught:
            convert([folder], mapping, out)
        assert caught.value.where == str(folder)


class TestExportsThatChange:
    @pytest.mark.parametrize("workers", [1, 2])
    def test_appended_while_it_is_read(
        self, tmp_path: Path, mapping: Path, out: Path, monkeypatch: pytest.MonkeyPatch, workers: int
    ) -> None:
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        real = exports_module._measure

        def measured_then_changed(*arguments: object) -> object:
            found = real(*arguments)  # type: ignore[arg-type]
            with path.open("a") as file:
                file.write(GOOD_ROW.replace("09:30", "09:45") + "\n")
            return found

        monkeypatch.setattr(exports_module, "_measure", measured_then_changed)
        with pytest.raises(InputError, match="changed while it was read") as caught:
            convert([path], mapping, out, workers=workers)
        assert caught.value.where == str(path)
        nothing_left(out)

    def test_removed_after_it_was_found(
        self, tmp_path: Path, mapping: Path, out: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        real = exports_module._measure

        def measured_then_removed(*arguments: object) -> object:
            found = real(*arguments)  # type: ignore[arg-type]
            path.unlink()
            return found

        monkeypatch.setattr(exports_module, "_measure", measured_then_removed)
        with pytest.raises(InputError, match="No such file"):
            convert([path], mapping, out)
        nothing_left(out)


class TestMappingsThatCannotBeUsed:
    def test_missing(self, tmp_path: Path, out: Path) -> None:
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        refused(gateway("convert", path, "--mapping", tmp_path / "gone.toml", "--out", out), "gone.toml")
        nothing_left(out)

    @pytest.mark.parametrize(
        ("wrong", "word"),
        [
            (WIDE.replace('zone = "America/Chicago"', 'zone = "America/Chigaco"'), "zone"),
            (WIDE + "\n[vitals.pulse\n", "line"),
            (WIDE + '\n[vitals.pulses]\ncolumn = "P"\nunit = "/min"\n', "pulses"),
        ],
        ids=["unknown zone", "no TOML", "unknown vital"],
    )
    def test_unusable(self, tmp_path: Path, mapping: Path, out: Path, wrong: str, word: str) -> None:
        mapping.write_text(wrong)
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        done = gateway("convert", path, "--mapping", mapping, "--out", out)
        assert "kit.toml, line " in refused(done, word)
        nothing_left(out)

    def test_no_patient_anywhere(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        mapping.write_text(WIDE.replace('column = "Who"\n', ""))
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        refused(gateway("convert", path, "--mapping", mapping, "--out", out), "kit.toml", "--associations")
        nothing_left(out)

    def test_unusable_associations(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        listed = export(tmp_path, f"device,patient,from,to,established,by\nM1,{PATIENT},yesterday,,,\n", "who.csv")
        done = gateway("convert", path, "--mapping", mapping, "--out", out, "--associations", listed)
        refused(done, "who.csv", "line 2")
        nothing_left(out)


class TestFoldersForTheResult:
    @pytest.fixture
    def good(self, tmp_path: Path) -> Path:
        return export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")

    def test_a_file(self, tmp_path: Path, good: Path, mapping: Path) -> None:
        target = export(tmp_path, "precious", "taken")
        refused(gateway("convert", good, "--mapping", mapping, "--out", target), "taken", "file, not a folder", "--out")
        assert target.read_text() == "precious"

    def test_below_a_file(self, tmp_path: Path, good: Path, mapping: Path) -> None:
        target = export(tmp_path, "precious", "taken") / "out"
        refused(gateway("convert", good, "--mapping", mapping, "--out", target), "taken", "--out")

    def test_a_folder_of_something_else(self, good: Path, mapping: Path, out: Path) -> None:
        out.mkdir(parents=True)
        (out / "thesis.txt").write_text("precious")
        for words in ([], ["--replace"]):
            refused(gateway("convert", good, "--mapping", mapping, "--out", out, *words), str(out), "not empty")
        assert tree(out) == {"thesis.txt": b"precious"}
        assert list(out.parent.iterdir()) == [out]

    def test_an_earlier_result(self, tmp_path: Path, good: Path, mapping: Path, out: Path) -> None:
        convert([good], mapping, out)
        before = tree(out)
        refused(gateway("convert", good, "--mapping", mapping, "--out", out), "earlier result", "--replace")
        assert tree(out) == before
        wrong = export(tmp_path, "Other,Columns\n", "wrong.csv")
        refused(gateway("convert", wrong, "--mapping", mapping, "--out", out, "--replace"), "wrong.csv")
        assert tree(out) == before
        assert list(out.parent.iterdir()) == [out]
        good.write_text(f"{WIDE_HEADER}\n{GOOD_ROW.replace('36.8', '36.9')}\n")
        assert gateway("convert", good, "--mapping", mapping, "--out", out, "--replace").returncode == 0
        assert tree(out) != before
        assert list(out.parent.iterdir()) == [out]

    def test_an_empty_folder(self, good: Path, mapping: Path, out: Path) -> None:
        out.mkdir(parents=True)
        assert convert([good], mapping, out).status == 0
        assert list(out.parent.iterdir()) == [out]


def rows(count: int, start: int = 0) -> str:
    """A wide export of `count` different sets."""
    lines = [WIDE_HEADER]
    for number in range(start, start + count):
        day, minute = divmod(number, 1440)
        when = f"2025-{1 + day // 28 % 12:02d}-{1 + day % 28:02d} {minute // 60:02d}:{minute % 60:02d}"
        lines.append(f"{when},P-{day // 336:04d},M1,121,79,64,97,36.8,71.4")
    return "\n".join([*lines, ""])


def _small_files() -> None:
    """No file may grow over 64 KiB; Python sees an error, as it would on a full disk."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))


class TestDiskFull:
    @pytest.mark.parametrize("workers", ["1", "2"])
    @pytest.mark.parametrize(
        "words", [["--bundle", "ndjson"], ["--as", "oru"], []], ids=["ndjson", "messages", "bundles"]
    )
    def test_files_that_may_not_grow(
        self, tmp_path: Path, mapping: Path, out: Path, words: list[str], workers: str
    ) -> None:
        path = export(tmp_path, rows(400))
        done = gateway(
            "convert", path, "--mapping", mapping, "--out", out, *words, "--workers", workers, prepare=_small_files
        )
        refused(done, str(out), "File too large", "--out")
        nothing_left(out)

    def test_a_disk_that_is_full(self, tmp_path: Path, mapping: Path) -> None:
        disk = tmp_path / "disk"
        disk.mkdir()
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=256k", "none", str(disk)], capture_output=True, check=False
        )
        if made.returncode:
            pytest.skip("no disk of its own can be made here: mounting is not allowed")
        try:
            # So many sizes that each writer (index, records, findings, report) is the one that meets the end.
            for count in (10, 100, 300, 2000):
                path = export(tmp_path, rows(count))
                for words in (["--bundle", "ndjson"], ["--as", "both"]):
                    done = gateway("convert", path, "--mapping", mapping, "--out", disk / "out", *words)
                    if done.returncode == 0:
                        (done_files,) = disk.iterdir()
                        subprocess.run(["rm", "-r", str(done_files)], check=True)
                        continue
                    refused(done, str(disk / "out"), "No space left on device")
                    nothing_left(disk / "out")
        finally:
            subprocess.run(["umount", str(disk)], check=True)

    def test_full_for_the_index_of_repeats(
        self, tmp_path: Path, mapping: Path, out: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import sqlite3

        from gateway.once import batch as repeats

        def full(self: object, keys: object) -> object:
            raise sqlite3.OperationalError("database or disk is full")

        monkeypatch.setattr(repeats.Repeats, "admit", full)
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n")
        with pytest.raises(OutputError, match="full") as caught:
            convert([path], mapping, out)
        assert caught.value.where == str(out)
        nothing_left(out)


def _wait_for(path: Path, process: subprocess.Popen[bytes]) -> None:
    """Until the run has begun to write records."""
    limit = time.monotonic() + 60
    while time.monotonic() < limit and process.poll() is None:
        if any(file.stat().st_size for file in path.glob(".*/fhir/*")):
            return
        time.sleep(0.005)
    raise AssertionError("the run was over before it could be stopped")


def _children(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(stat.read_text().rsplit(")", 1)[1].split()[1]) == pid:
                found.append(int(stat.parent.name))
        except (OSError, IndexError):
            continue
    return found


@pytest.mark.slow
class TestStopped:
    @pytest.mark.parametrize("workers", [1, 2])
    def test_killed_in_mid_run(self, tmp_path: Path, mapping: Path, out: Path, workers: int) -> None:
        path = export(tmp_path, rows(150_000))
        out.parent.mkdir()
        words = ["convert", path, "--mapping", mapping, "--out", out, "--bundle", "ndjson", "--workers", workers]
        process = subprocess.Popen([sys.executable, "-m", "gateway", *map(str, words)], cwd=kit.REPOSITORY)
        _wait_for(out.parent, process)
        children = _children(process.pid)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        assert not out.exists()
        (left,) = out.parent.iterdir()
        assert left.name.startswith(".out.unfinished-")
        limit = time.monotonic() + 20
        while time.monotonic() < limit and any(Path(f"/proc/{child}").exists() for child in children):
            time.sleep(0.05)
        assert not [child for child in children if Path(f"/proc/{child}").exists()], "workers outlive their parent"
        small = export(tmp_path, rows(3), "small.csv")
        assert gateway("convert", small, "--mapping", mapping, "--out", out).returncode == 0

    def test_interrupted(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        path = export(tmp_path, rows(150_000))
        out.parent.mkdir()
        words = ["convert", path, "--mapping", mapping, "--out", out, "--bundle", "ndjson", "--workers", "2"]
        process = subprocess.Popen(
            [sys.executable, "-m", "gateway", *map(str, words)], cwd=kit.REPOSITORY, stderr=subprocess.PIPE
        )
        _wait_for(out.parent, process)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
        assert process.returncode == 130
        assert said.decode().startswith("gateway: stopped from the keyboard")
        assert b"Traceback" not in said
        nothing_left(out)

    def test_a_worker_is_killed(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        path = export(tmp_path, rows(150_000))
        out.parent.mkdir()
        words = ["convert", path, "--mapping", mapping, "--out", out, "--bundle", "ndjson", "--workers", "2"]
        process = subprocess.Popen(
            [sys.executable, "-m", "gateway", *map(str, words)],
            cwd=kit.REPOSITORY, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        _wait_for(out.parent, process)
        workers = [pid for pid in _children(process.pid) if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]
        os.kill(workers[-1], signal.SIGKILL)
        output, said = process.communicate(timeout=60)
        done = subprocess.CompletedProcess("gateway", process.returncode, output.decode(), said.decode())
        refused(done, "--workers", "worker")
        nothing_left(out)


_MEASURED = """
import re, sys
from pathlib import Path
from gateway.conversion import convert
batch = convert([sys.argv[1]], sys.argv[2], sys.argv[3])
# Not ru_maxrss, in which Linux counts what the process was before it became this program.
print(batch.status, re.search(r"VmHWM:\\s+([0-9]+) kB", Path("/proc/self/status").read_text())[1])
"""


@pytest.mark.slow
class TestOneEndlessLine:
    def test_one_gibibyte(self, tmp_path: Path, mapping: Path, out: Path) -> None:
        """1 GiB of NUL bytes in one line, as a card with a hole in it gives: a sparse file, which needs no space."""
        path = export(tmp_path, f"{WIDE_HEADER}\n{GOOD_ROW}\n".encode())
        with path.open("r+b") as file:
            file.seek(0, os.SEEK_END)
            file.seek(1 << 30, os.SEEK_CUR)
            file.write(f"\n{GOOD_ROW.replace('09:30', '09:40')}\n".encode())
        done = subprocess.run(
            [sys.executable, "-c", _MEASURED, str(path), str(mapping), str(out)],
            cwd=kit.REPOSITORY, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        status, kibibytes = map(int, done.stdout.split())
        assert status == 1
        assert kibibytes < 200 * 1024
        assert [(row["rule"], row["line"]) for row in findings(out)] == [("line-too-long", "3")]
        assert len(observations(out)) == 10


class TestAbandonedRuns:
    def test_the_next_run_clears_what_a_killed_one_left(self, tmp_path: Path) -> None:
        left = tmp_path / ".out.unfinished-abc"
        left.mkdir()
        (left / ".lock").touch()
        (left / "half").write_text("x")
        stage = Stage(tmp_path / "out")
        assert not left.exists()
        stage.discard()

    @pytest.mark.parametrize(("age", "stays"), [(0, True), (3600, False)])
    def test_one_killed_before_its_lock_is_cleared_in_time(self, tmp_path: Path, age: int, stays: bool) -> None:
        left = tmp_path / ".out.unfinished-abc"
        left.mkdir()
        (left / "half").write_text("x")
        os.utime(left, (time.time() - age, time.time() - age))
        stage = Stage(tmp_path / "out")
        assert left.exists() == stays
        stage.discard()

    def test_a_run_that_goes_on_is_left_alone(self, tmp_path: Path) -> None:
        first = Stage(tmp_path / "out")
        second = Stage(tmp_path / "out")
        assert first.folder.exists()
        (first.folder / "report.json").write_text("{}")
        first.commit()
        assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["report.json"]
        second.discard()
        assert not list(tmp_path.glob(".out.unfinished-*"))
