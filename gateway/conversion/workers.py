"""Blocks are converted in this process or in several; the results come in the same order either way."""

from __future__ import annotations

import gc
import os
import signal
import threading
from array import array
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from struct import iter_unpack
from types import TracebackType
from typing import NamedTuple, Protocol

from gateway.conversion.blocks import BlockConverter, BlockResult
from gateway.conversion.exports import Export, blocks_of
from gateway.conversion.options import Job
from gateway.conversion.seen import Admit
from gateway.errors import UsageError
from gateway.model import Block
from gateway.once import BlockRepeats, Key, Seen

_RELAXED = (20_000, 20, 50)
"""Thresholds of the cyclic garbage collector while converting: nearly all objects are freed without it."""


class Converters(Protocol):
    """Converts the blocks of exports, in a `with` statement."""

    def __enter__(self) -> Converters: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def results(self, number: int, export: Export, admit: Admit) -> Iterator[tuple[BlockResult, Block]]:
        """The results of an export's blocks, in order, each with its block.

        Args:
            number: position of the export in the batch, from 1.
            export: the export.
            admit: asked about the sets, in order: which were seen before?
        """


def converters_for(workers: int, job: Job, exports: Sequence[Export]) -> Converters:
    """Converters for a run: in this process for one worker, else in processes of their own."""
    # Lists whose entries carry ages are short and must be compared in order, one whole list after the other.
    alone = workers == 1 or job.loaded.mapping.time.age is not None
    return Inline(job) if alone else Pool(workers, job, exports)


class Inline:
    """Converts blocks in this process, one after the other."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._threshold = gc.get_threshold()

    def __enter__(self) -> Inline:
        gc.set_threshold(*_RELAXED)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        gc.set_threshold(*self._threshold)

    def results(self, number: int, export: Export, admit: Admit) -> Iterator[tuple[BlockResult, Block]]:
        """See `Converters.results`."""
        converter = BlockConverter(self._job, export.sha256)
        for block in blocks_of(export, number, self._job.loaded.mapping, self._job.options.seconds):
            yield converter.convert(block, admit), block


class Pool:
    """Converts blocks in worker processes.

    A worker settles repeats inside its block. When a set turns out to repeat one of an earlier block, the block is
    converted again with that known: repeats across blocks are rare, and the common case stays free of waiting.
    """

    def __init__(self, workers: int, job: Job, exports: Sequence[Export]) -> None:
        self._workers = workers
        self._job = job
        hashes = tuple(export.sha256 for export in exports)
        self._executor = ProcessPoolExecutor(
            workers, mp_context=get_context("spawn"), initializer=_set_up, initargs=(job, hashes)
        )

    def __enter__(self) -> Pool:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._executor.shutdown(wait=True, cancel_futures=kind is not None)

    def results(self, number: int, export: Export, admit: Admit) -> Iterator[tuple[BlockResult, Block]]:
        """See `Converters.results`."""
        waiting: deque[tuple[Block, Future[tuple[BlockResult, _Keys]]]] = deque()
        try:
            for block in blocks_of(export, number, self._job.loaded.mapping, self._job.options.seconds):
                waiting.append((block, self._executor.submit(_work, block, {})))
                if len(waiting) > self._workers + 1:
                    yield self._next(waiting, admit)
            while waiting:
                yield self._next(waiting, admit)
        except BrokenProcessPool as error:
            raise UsageError(
                "A worker process was ended from outside; the usual cause is too little memory",
                where="--workers",
                todo="Use fewer workers, and run again; nothing was left half written",
            ) from error

    def _next(
        self, waiting: deque[tuple[Block, Future[tuple[BlockResult, _Keys]]]], admit: Admit
    ) -> tuple[BlockResult, Block]:
        block, future = waiting.popleft()
        result, packed = future.result()
        keys = packed.unpacked(block.export)
        known = admit(keys)
        if known:
            # What sets of the block are to each other was settled by the worker; only what is about others is news.
            own = {(key.export, key.line) for key in keys}
            if not all(seen.within(own) for seen in known.values()):
                # The second time may write fewer files than the first, which knew of no repeats.
                for name in result.files:
                    (self._job.folder / name).unlink()
                result, _ = self._executor.submit(_work, block, known).result()
        return result, block


_job: Job | None = None
_hashes: tuple[str, ...] = ()
_converter: tuple[int, BlockConverter] | None = None


def _set_up(job: Job, hashes: tuple[str, ...]) -> None:
    """Prepare a worker process; an interrupt is for the parent to act on, and its end is the worker's end."""
    global _job, _hashes
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.set_threshold(*_RELAXED)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _job, _hashes = job, hashes


def _end_with_parent() -> None:
    """A parent that was killed cannot dismiss its workers: each sees to its own end."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _work(block: Block, known: Mapping[int, Seen]) -> tuple[BlockResult, _Keys]:
    """Convert one block in a worker process; `known` are repeats already found, by position. The keys come apart."""
    global _converter
    assert _job is not None
    if _converter is None or _converter[0] != block.export:
        _converter = (block.export, BlockConverter(_job, _hashes[block.export - 1]))
    admit: Admit = _Known(known) if known else BlockRepeats(_job.change).admit
    result = _converter[1].convert(block, admit)
    keys, result.keys = result.keys, []
    return result, _Keys(
        array("q", [key.wall for key in keys]),
        b"".join([key.identity for key in keys]),
        b"".join([key.content for key in keys]),
        array("q", [key.line for key in keys]),
        [key.device for key in keys],
        [key.sequence for key in keys],
        b"".join([key.patient for key in keys]),
        [key.how for key in keys],
        [key.said for key in keys],
        array("q", [key.step for key in keys]),
        bytes([key.telling for key in keys]),
    )


class _Keys(NamedTuple):
    """Keys of a block in columns, which travel between processes faster than one by one."""

    walls: array[int]
    identities: bytes
    contents: bytes
    lines: array[int]
    devices: list[str]
    sequences: list[str]
    patients: bytes
    hows: list[str]
    saids: list[bytes]
    steps: array[int]
    telling: bytes

    def unpacked(self, export: int) -> list[Key]:
        return [
            Key(wall, identity, content, export, line, device, sequence, patient, how, said, step, bool(telling))
            for wall, (identity,), (content,), line, device, sequence, (patient,), how, said, step, telling in zip(
                self.walls, iter_unpack("16s", self.identities), iter_unpack("8s", self.contents), self.lines,
                self.devices, self.sequences, iter_unpack("8s", self.patients), self.hows, self.saids, self.steps,
                self.telling, strict=True,
            )
        ]  # fmt: skip


class _Known:
    """Answers for the slices of a block in turn from repeats that are known by position in the block."""

    def __init__(self, known: Mapping[int, Seen]) -> None:
        self._known = known
        self._start = 0

    def __call__(self, keys: Sequence[Key]) -> Mapping[int, Seen]:
        start, self._start = self._start, self._start + len(keys)
        known = self._known
        return {position: known[start + position] for position in range(len(keys)) if start + position in known}
