"""Blocks are converted in this process or in several; the results come in the same order either way."""

from __future__ import annotations

import signal
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import cast

from gateway.checks import rules
from gateway.conversion.blocks import BlockConverter, BlockResult
from gateway.conversion.exports import Export, blocks_of
from gateway.conversion.options import Options
from gateway.identity.associations import Associations, load_associations
from gateway.mapping import LoadedMapping, load
from gateway.model import (
    Block,
)
from gateway.records.repeats import Key, Repeats, Seen


class Inline:
    """Converts blocks in this process."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __enter__(self) -> Inline:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def results(
        self,
        number: int,
        export: Export,
        loaded: LoadedMapping,
        options: Options,
        associations: Associations | None,
        repeats: Repeats,
    ) -> Iterator[tuple[BlockResult, int]]:
        converter = BlockConverter(loaded, options, associations, export.sha256, self._folder)
        for block in blocks_of(export, number, loaded):
            yield converter.convert(block, repeats.admit), len(block.text)


class Pool:
    """Converts blocks in worker processes; results come in the order of the blocks.

    A worker settles repeats inside its block. When a set turns out to repeat one of an earlier block, the block is
    converted again with that known: repeats across blocks are rare, and the common case stays free of waiting.
    """

    def __init__(self, workers: int, setup: tuple[str, str | None, Options, Path, Sequence[str]]) -> None:
        self._workers = workers
        self._executor = ProcessPoolExecutor(
            workers, mp_context=get_context("spawn"), initializer=_set_up_worker, initargs=setup
        )

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        self._executor.shutdown(wait=True, cancel_futures=kind is not None)

    def results(
        self,
        number: int,
        export: Export,
        loaded: LoadedMapping,
        options: Options,
        associations: Associations | None,
        repeats: Repeats,
    ) -> Iterator[tuple[BlockResult, int]]:
        waiting: deque[tuple[Block, Future[BlockResult]]] = deque()
        for block in blocks_of(export, number, loaded):
            waiting.append((block, self._executor.submit(_work, block, {})))
            if len(waiting) > self._workers + 1:
                yield self._next(waiting, repeats)
        while waiting:
            yield self._next(waiting, repeats)

    def _next(self, waiting: deque[tuple[Block, Future[BlockResult]]], repeats: Repeats) -> tuple[BlockResult, int]:
        block, future = waiting.popleft()
        result = future.result()
        known = repeats.admit(result.keys)
        # A repeat inside the block was settled by the worker; only those of earlier blocks are news to it.
        news = {
            position: seen
            for position, seen in known.items()
            if (seen.export, seen.line) not in _own_places(result.keys)
        }
        if news:
            result = self._executor.submit(_work, block, known).result()
        return result, len(block.text)


def _own_places(keys: Sequence[Key]) -> set[tuple[int, int]]:
    return {(key.export, key.line) for key in keys}


_worker: dict[str, object] = {}


def _set_up_worker(
    mapping: str, associations: str | None, options: Options, folder: Path, hashes: Sequence[str]
) -> None:
    """Prepare a worker process: compile the mapping once."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    loaded = load(mapping, known_rules=tuple(rules()))
    known = load_associations(associations) if associations is not None else None
    _worker.update(loaded=loaded, associations=known, options=options, folder=folder, hashes=hashes, converters={})


def _work(block: Block, known: Mapping[int, Seen]) -> BlockResult:
    """Convert one block in a worker process."""
    converters = cast(dict[int, BlockConverter], _worker["converters"])
    if block.export not in converters:
        converters.clear()
        converters[block.export] = BlockConverter(
            cast(LoadedMapping, _worker["loaded"]),
            cast(Options, _worker["options"]),
            cast("Associations | None", _worker["associations"]),
            cast(Sequence[str], _worker["hashes"])[block.export - 1],
            cast(Path, _worker["folder"]),
        )
    if known:
        return converters[block.export].convert(block, lambda _: known)
    local = Repeats()
    try:
        return converters[block.export].convert(block, local.admit)
    finally:
        local.close()


def converters_for(
    workers: int,
    loaded: LoadedMapping,
    associations: str | Path | None,
    options: Options,
    folder: Path,
    exports: Sequence[Export],
) -> Inline | Pool:
    if workers == 1:
        return Inline(folder)
    hashes = [export.sha256 for export in exports]
    return Pool(workers, (loaded.path, None if associations is None else str(associations), options, folder, hashes))
