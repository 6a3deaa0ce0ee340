"""Conversions in processes of their own, with progress, a time limit, and results kept for a stated time."""

from __future__ import annotations

import logging
import multiprocessing
import os
import queue
import secrets
import shutil
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

from gateway.errors import GatewayError
from gateway.service.problems import Fault, faults
from gateway.service.tasks import Progress, Wanted, run_conversion

State = Literal["queued", "running", "done", "failed"]
_TELL_EVERY = 0.1
_log = logging.getLogger("gateway.service")


class FailedError(Exception):
    """What a process of its own could not do.

    Attributes:
        faults: what is wrong, each with its place.
        ours: whether the gateway is to blame, and not what was sent.
    """

    def __init__(self, told: list[Fault], *, ours: bool = False) -> None:
        super().__init__(told[0].what if told else "")
        self.faults = told
        self.ours = ours


def apart(
    function: Callable[..., Any],
    *given: Any,
    seconds: float,
    progress: Progress | None = None,
    hide: Path | None = None,
    stop: threading.Event | None = None,
) -> Any:
    """Call a function in a process of its own.

    Args:
        function: of a module, called with `given` and a callback for progress.
        given: its arguments.
        seconds: the process is ended after so long.
        progress: called with what is done and what there is in all.
        hide: a private folder; its path is taken out of errors.
        stop: ends the process when it is set.

    Returns:
        What the function returns.

    Raises:
        FailedError: it raised, took too long, or its process died.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["gateway.service.warm"])
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_child, args=(theirs, function, given), daemon=False)
    process.start()
    theirs.close()
    until = time.monotonic() + seconds
    try:
        while True:
            left = until - time.monotonic()
            if left <= 0:
                what = f"it took longer than the {seconds:g} seconds that are allowed"
                todo = "Send a smaller export, or look for a slow pattern in the mapping"
                raise FailedError([Fault(what=what, todo=todo)])
            if stop is not None and stop.is_set():
                raise FailedError([Fault(what="it was stopped")])
            if not ours.poll(min(left, 0.25)):
                continue
            try:
                kind, content = ours.recv()
            except EOFError:
                raise FailedError(
                    [Fault(what="its process ended unexpectedly", todo="Send a smaller export")], ours=True
                ) from None
            if kind == "progress":
                if progress is not None:
                    progress(*content)
            elif kind == "done":
                return content
            else:
                raise FailedError([_hidden(each, hide) for each in content], ours=kind == "fault")
    finally:
        ours.close()
        _end(process)


def _end(process: Any) -> None:
    """End a process and what it has started."""
    process.join(0.05)
    if process.pid is not None:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    if process.is_alive():
        process.kill()
    process.join()
    process.close()


def _child(pipe: Connection, function: Callable[..., Any], given: tuple[Any, ...]) -> None:
    os.setsid()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    told = 0.0

    def progress(done: int, total: int) -> None:
        nonlocal told
        now = time.monotonic()
        if done >= total or now - told > _TELL_EVERY:
            told = now
            pipe.send(("progress", (done, total)))

    try:
        pipe.send(("done", function(*given, progress)))
    except GatewayError as error:
        pipe.send(("refused", faults(error)))
    except BrokenPipeError:
        return
    except BaseException as error:  # noqa: BLE001 (whatever it is, its text may hold what must not be told)
        what = f"a fault in the gateway itself ({type(error).__name__})"
        pipe.send(("fault", [Fault(what=what, todo="Please report it, without patient data")]))


def _hidden(fault: Fault, folder: Path | None) -> Fault:
    """An error without the paths of our folders: they tell a client nothing."""
    if folder is None:
        return fault
    parts = {
        name: getattr(fault, name).replace(f"{folder}/", "").replace(str(folder), "") for name in Fault.model_fields
    }
    return Fault(**parts)


@dataclass(slots=True)
class Job:
    """One conversion.

    Attributes:
        id: random; it says nothing of the content.
        owner: name of the token that sent it, "" without tokens.
        folder: its private folder; the result is in `result`.
        state: queued, running, done or failed.
        done: bytes converted.
        total: bytes in all.
        outcomes: readings by outcome, when it is done.
        faults: why it failed.
        ours: it failed through a fault of the gateway.
    """

    id: str
    owner: str
    folder: Path
    created: datetime
    wanted: Wanted | None = None
    state: State = "queued"
    done: int = 0
    total: int = 0
    outcomes: dict[str, int] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    ours: bool = False
    finished: datetime | None = None
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def result(self) -> Path:
        """Folder of records and report."""
        return self.folder / "result"

    @property
    def over(self) -> bool:
        """Whether it has come to its end."""
        return self.state in ("done", "failed")


class BusyError(Exception):
    """More conversions wait than are allowed to."""


class Jobs:
    """The conversions of a service.

    Args:
        folder: where their folders are made; nobody else's.
        workers: how many run at the same time.
        waiting: how many may wait.
        seconds: how long one may take.
        keep: how long a result is kept.
        ended: called with each conversion that has come to its end.
    """

    def __init__(
        self,
        folder: Path,
        *,
        workers: int,
        waiting: int,
        seconds: float,
        keep: timedelta,
        ended: Callable[[Job], None] = lambda job: None,
    ) -> None:
        self._folder = folder
        self._seconds = seconds
        self._keep = keep
        self._ended = ended
        self._queue: queue.Queue[Job | None] = queue.Queue(waiting)
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self._threads = [threading.Thread(target=self._work, daemon=True) for _ in range(workers)]
        for thread in self._threads:
            thread.start()

    def begin(self, owner: str) -> Job:
        """A job with a private folder that uploads can be put in; `submit` or `drop` comes next."""
        self.sweep()
        name = secrets.token_urlsafe(16)
        folder = self._folder / name
        folder.mkdir(mode=0o700)
        return Job(name, owner, folder, datetime.now(UTC))

    def submit(self, job: Job, wanted: Wanted) -> None:
        """Convert as soon as there is a free process.

        Raises:
            BusyError: too many are waiting.
        """
        job.wanted = wanted
        with self._lock:
            self._jobs[job.id] = job
        try:
            self._queue.put_nowait(job)
        except queue.Full:
            self.drop(job)
            raise BusyError from None

    def find(self, id_: str) -> Job | None:
        """A job by its id; None when there is none, or no longer."""
        with self._lock:
            return self._jobs.get(id_)

    def listed(self) -> list[Job]:
        """Every job that is kept, the newest first."""
        with self._lock:
            return sorted(self._jobs.values(), key=lambda job: job.created, reverse=True)

    def counts(self) -> dict[str, int]:
        """How many jobs are in each state."""
        counts = dict.fromkeys(("queued", "running", "done", "failed"), 0)
        for job in self.listed():
            counts[job.state] += 1
        return counts

    def drop(self, job: Job) -> None:
        """Stop a job and forget it with all its files."""
        job.stop.set()
        with self._lock:
            self._jobs.pop(job.id, None)
        shutil.rmtree(job.folder, ignore_errors=True)

    def sweep(self) -> None:
        """Forget the results that are older than they are kept."""
        before = datetime.now(UTC) - self._keep
        for job in self.listed():
            if job.finished is not None and job.finished < before:
                self.drop(job)

    def close(self) -> None:
        """Stop everything."""
        self._closed.set()
        for job in self.listed():
            job.stop.set()
        for _ in self._threads:
            with suppress(queue.Full):
                self._queue.put_nowait(None)
        for thread in self._threads:
            thread.join(5)

    def _work(self) -> None:
        while not self._closed.is_set():
            try:
                job = self._queue.get(timeout=60)
            except queue.Empty:
                self.sweep()
                continue
            if job is None:
                return
            if not job.stop.is_set():
                self._convert(job)

    def _convert(self, job: Job) -> None:
        job.state = "running"
        assert job.wanted is not None

        def progress(done: int, total: int) -> None:
            job.done, job.total = done, total

        state: State = "failed"
        try:
            job.outcomes = apart(
                run_conversion, job.wanted, seconds=self._seconds, progress=progress, hide=job.folder, stop=job.stop
            )
            state = "done"
        except FailedError as failed:
            job.faults, job.ours = failed.faults, failed.ours
        except OSError as error:
            job.faults, job.ours = [Fault(what=f"no process could be started: {error.strerror}")], True
        # What was uploaded is needed no longer, and it is what identifies people.
        shutil.rmtree(job.folder / "in", ignore_errors=True)
        if job.stop.is_set():
            shutil.rmtree(job.folder, ignore_errors=True)
        job.finished = datetime.now(UTC)
        job.state = state
        self._ended(job)
        _log.info("conversion %s", state)
