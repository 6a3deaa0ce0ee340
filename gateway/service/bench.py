"""The mapping bench: a sample and a mapping in, entry by entry what becomes of it; edit, save, sign off."""

from __future__ import annotations

import difflib
import re
import secrets
import shutil
import threading
import time
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Annotated, NamedTuple

from fastapi import APIRouter, File, Form, Request, Response, UploadFile
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool

from gateway import files
from gateway.inspection.samples import Look, LookedSet
from gateway.mapping import signing
from gateway.service import pages
from gateway.service.access import Submitter
from gateway.service.api.shared import LARGEST_MAPPING, mappings, settings_of, store
from gateway.service.jobs import FailedError, apart
from gateway.service.problems import Fault, Refused
from gateway.service.settings import Settings
from gateway.service.tasks import run_look

router = APIRouter(prefix="/bench", include_in_schema=False)
_LINE = re.compile(r"\bline (\d+)\b")
_BENCHES = 200


class Tried(NamedTuple):
    """What a mapping made of the sample: a look, or what is wrong with it."""

    text: str
    look: Look | None
    faults: tuple[Fault, ...]


@dataclass(slots=True)
class Bench:
    """One sample and the mapping that is tried on it.

    Attributes:
        id: random.
        owner: name of the token it belongs to.
        folder: with the sample.
        name: proposed for saving the mapping.
        associations: the uploaded associations, or None.
        now: the mapping as it is.
        before: the mapping it is compared with, or None.
        tried: the mapping that was last tried by its button, and not while typing.
    """

    id: str
    owner: str
    folder: Path
    name: str
    associations: Path | None = None
    now: Tried = field(default_factory=lambda: Tried("", None, ()))
    before: Tried | None = None
    tried: Tried | None = None
    touched: float = field(default_factory=time.monotonic)
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def sample(self) -> Path:
        """The file of the sample."""
        return self.folder / "sample"


class Benches:
    """The benches of a service, each with a private folder that is removed when nobody has used it for long.

    Args:
        folder: where their folders are made.
        keep: how long an unused one is kept.
    """

    def __init__(self, folder: Path, keep: timedelta) -> None:
        self._folder = folder
        self._keep = keep.total_seconds()
        self._benches: dict[str, Bench] = {}
        self._lock = threading.Lock()

    def begin(self, owner: str, name: str) -> Bench:
        """A new bench."""
        id_ = secrets.token_urlsafe(16)
        folder = self._folder / id_
        folder.mkdir(mode=0o700)
        made = Bench(id_, owner, folder, name)
        before = time.monotonic() - self._keep
        with self._lock:
            self._benches[id_] = made
            old = [each for each in self._benches.values() if each.touched < before]
            old += sorted(self._benches.values(), key=lambda each: each.touched)[
                : max(0, len(self._benches) - _BENCHES)
            ]
        for each in old:
            self.drop(each)
        return made

    def find(self, id_: str, owner: str) -> Bench:
        """A bench of somebody.

        Raises:
            Refused: 404, there is none.
        """
        with self._lock:
            found = self._benches.get(id_)
        if found is None or found.owner != owner:
            raise Refused(404, "there is no such bench, or it is kept no longer", "Begin a new one")
        found.touched = time.monotonic()
        return found

    def drop(self, bench: Bench) -> None:
        """Forget a bench and its sample."""
        with self._lock:
            self._benches.pop(bench.id, None)
        shutil.rmtree(bench.folder, ignore_errors=True)


def _bench(request: Request, id_: str, owner: str) -> Bench:
    benches: Benches = request.app.state.benches
    return benches.find(id_, owner)


def _here(bench: Bench, part: str = "") -> RedirectResponse:
    return RedirectResponse(f"/bench/{bench.id}{part}", 303)


def _look(bench: Bench, text: str, settings: Settings) -> Tried:
    """Look at the sample through a mapping."""
    file = bench.folder / f"{secrets.token_hex(8)}.toml"
    file.write_text(text, encoding="utf-8", newline="\n")
    # Errors name the file; what the user knows is the mapping.
    shown = file.name
    try:
        found = apart(
            run_look, file, bench.sample, bench.associations, settings.bench_entries,
            seconds=settings.look_seconds, hide=bench.folder,
        )  # fmt: skip
    except FailedError as failed:
        told = [
            each.model_copy(
                update={"where": each.where.replace(shown, "mapping"), "what": each.what.replace(shown, "it")}
            )
            for each in failed.faults
        ]
        return Tried(text, None, tuple(told))
    finally:
        file.unlink(missing_ok=True)
    return Tried(text, found, ())


@router.get("")
def start(request: Request, who: Submitter) -> Response:
    """The page on which a bench is begun."""
    return pages.page(request, "bench_start.html.j2", who, mappings=list(mappings(settings_of(request))))


@router.post("")
async def begin(
    request: Request,
    who: Submitter,
    sample: Annotated[UploadFile, File()],
    mapping: Annotated[UploadFile | None, File()] = None,
    mapping_name: Annotated[str, Form(max_length=64)] = "",
    associations: Annotated[UploadFile | None, File()] = None,
) -> Response:
    """Begin a bench with a sample and a mapping to start from."""
    settings = settings_of(request)
    known = mappings(settings)
    own = mapping is not None and bool(mapping.filename)
    if not sample.filename or (not own and mapping_name not in known):
        raise Refused(422, "a sample and a mapping to start from are needed", "Choose a file and a mapping")
    benches: Benches = request.app.state.benches
    name = mapping_name if not own and not mapping_name.endswith("-example") else "my-mapping"
    bench = benches.begin(who.name, name)
    try:
        await run_in_threadpool(store, sample, bench.sample)
        if own and mapping is not None:
            text = (await mapping.read(LARGEST_MAPPING + 1)).decode("utf-8-sig", "replace")
        else:
            text = known[mapping_name].read_text(encoding="utf-8")
        if len(text) > LARGEST_MAPPING:
            raise Refused(413, "the mapping is larger than a mapping can be (1 MiB)", "Send the mapping file")
        if associations is not None and associations.filename:
            bench.associations = bench.folder / f"associations{pages.ending_of(associations)}"
            await run_in_threadpool(store, associations, bench.associations)
        bench.now = bench.tried = await run_in_threadpool(_look, bench, _unix(text), settings)
    except BaseException:
        benches.drop(bench)
        raise
    return _here(bench)


@router.get("/{id}")
def show(request: Request, who: Submitter, id: str) -> Response:
    """The bench: mapping, mistakes, entries."""
    return _page(request, who, _bench(request, id, who.name))


def _page(request: Request, who: Submitter, bench: Bench, status: int = 200, said: str = "") -> Response:
    settings = settings_of(request)
    now, before = bench.now, bench.before
    changed = _changed(before.look if before else None, now.look)
    file = _file(settings, bench.name) if settings.mappings is not None else None
    signature = None
    if file is not None and file.is_file():
        from gateway.errors import MappingError

        try:
            signature = signing.signed(file)
        except MappingError:
            signature = None
        if signature is not None and now.look is not None and signature.mapping_sha256 != now.look.mapping_sha256:
            signature = None
    lines = now.text.split("\n")
    return pages.page(
        request,
        "bench.html.j2",
        who,
        status=status,
        bench=bench,
        now=now,
        lines=lines,
        faults=[(each, _line_of(each, lines)) for each in now.faults],
        changed=changed,
        difference=_difference(before.text, now.text) if before is not None else [],
        compared=before is not None,
        can_save=settings.mappings is not None,
        statement=signing.STATEMENT,
        signature=signature,
        said=said,
    )


def _line_of(fault: Fault, lines: list[str]) -> int:
    """The line of the mapping that a mistake is in, 0 for none."""
    found = _LINE.search(fault.where) if fault.where.startswith("mapping") else None
    line = int(found[1]) if found else 0
    return line if line <= len(lines) else 0


def _difference(before: str, now: str) -> list[tuple[str, str]]:
    """Lines that went ("-") and came ("+")."""
    found = difflib.unified_diff(before.split("\n"), now.split("\n"), n=0, lineterm="")
    return [(line[0], line[1:]) for line in found if line[:1] in "+-" and line[:3] not in ("+++", "---")]


def _changed(before: Look | None, now: Look | None) -> dict[str, str]:
    """What differs between two looks: "LINE/vital" -> what it was; "LINE" -> "new" or what else differs."""
    if before is None or now is None:
        return {}
    earlier = {each.line: each for each in before.sets}
    found: dict[str, str] = {}
    for each in now.sets:
        was = earlier.get(each.line)
        if was is None:
            found[str(each.line)] = "not a set of its own before"
            continue
        old = _meanings(was)
        new = _meanings(each)
        for vital in new:
            if old.get(vital) != new[vital]:
                found[f"{each.line}/{vital}"] = old.get(vital, "not read")
        gone = [title for vital, title in _titles(was).items() if vital not in new]
        heads = [
            f"{name} was {one or 'none'}"
            for name, one, other in (
                ("time", was.time, each.time),
                ("patient", was.patient, each.patient),
                ("device", was.device, each.device),
            )
            if one != other
        ]
        if gone or heads:
            found[str(each.line)] = "; ".join([*heads, *(f"{title} is no longer read" for title in gone)])
    return found


def _meanings(looked: LookedSet) -> dict[str, str]:
    return {
        each.vital: " ".join(
            filter(None, (each.value or "no value", each.unit, f"({each.outcome.value})", each.remark))
        )
        for each in reversed(looked.readings)
    }


def _titles(looked: LookedSet) -> dict[str, str]:
    return {each.vital: each.title for each in looked.readings}


@router.post("/{id}")
def edit(
    request: Request,
    who: Submitter,
    id: str,
    mapping: Annotated[str, Form(max_length=LARGEST_MAPPING)],
    typing: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Try another text of the mapping; while typing, it goes on being compared with what was last tried."""
    bench = _bench(request, id, who.name)
    text = _unix(mapping)
    with bench.lock:
        if text != bench.now.text:
            bench.now = _look(bench, text, settings_of(request))
        if typing:
            bench.before = bench.tried
        elif bench.tried is None or bench.tried.text != text:
            bench.before, bench.tried = bench.tried, bench.now
    return _here(bench, "#result")


@router.post("/{id}/drop")
def drop(request: Request, who: Submitter, id: str) -> Response:
    """Remove a bench with its sample."""
    benches: Benches = request.app.state.benches
    benches.drop(_bench(request, id, who.name))
    return RedirectResponse("/bench", 303)


@router.get("/{id}/mapping.toml")
def export(request: Request, who: Submitter, id: str) -> Response:
    """The mapping, to be saved elsewhere."""
    bench = _bench(request, id, who.name)
    headers = {"Content-Disposition": f'attachment; filename="{bench.name}.toml"'}
    return Response(bench.now.text.encode(), media_type="application/toml", headers=headers)


@router.post("/{id}/save")
def save(
    request: Request,
    who: Submitter,
    id: str,
    name: Annotated[str, Form(max_length=64)],
    replace: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Save the mapping among those of this site."""
    bench = _bench(request, id, who.name)
    with bench.lock:
        path = _save(request, bench, name, replace=bool(replace))
        bench.name = path.stem
    return _page(request, who, bench, said=f"Saved as {path.name}.")


@router.post("/{id}/sign")
def sign(
    request: Request,
    who: Submitter,
    id: str,
    name: Annotated[str, Form(max_length=64)],
    signer: Annotated[str, Form(max_length=200)],
    role: Annotated[str, Form(max_length=200)],
    mapping_sha256: Annotated[str, Form(max_length=64)],
    agreed: Annotated[str, Form(max_length=3)] = "",
    replace: Annotated[str, Form(max_length=3)] = "",
) -> Response:
    """Save the mapping and sign it off, as it was shown."""
    bench = _bench(request, id, who.name)
    with bench.lock:
        look = bench.now.look
        if look is None:
            raise Refused(409, "a mapping with mistakes cannot be signed off", "Mend it, and try it again")
        if mapping_sha256 != look.mapping_sha256:
            raise Refused(
                409, "the mapping has changed since this page was shown", "Look at it again, then sign it off"
            )
        if not look.sets:
            raise Refused(409, "the sample holds nothing to look at", "Try the mapping on another sample")
        if not agreed or not signer.strip() or not role.strip():
            raise Refused(422, "name, role and the statement are needed", "Go back, and fill in all three")
        path = _save(request, bench, name, replace=bool(replace))
        bench.name = path.stem
        signing.sign(path, look.sample_sha256, signer, role, account=who.name)
    return _page(request, who, bench, said=f"Signed off as {path.name}.")


@router.get("/{id}/signed.json")
def signed(request: Request, who: Submitter, id: str) -> Response:
    """The sign-off of the mapping."""
    settings, bench = settings_of(request), _bench(request, id, who.name)
    record = signing.signed(_file(settings, bench.name)) if settings.mappings is not None else None
    if record is None:
        raise Refused(404, "the service has no folder for mappings", "Name one in its settings")
    return Response(
        record.model_dump_json(indent=2) + "\n",
        media_type="application/json",
        headers={"Content-Disposition": f'attachment; filename="{bench.name}.signed.json"'},
    )


def _file(settings: Settings, name: str) -> Path:
    assert settings.mappings is not None
    return settings.mappings / f"{signing.named(name)}.toml"


def _save(request: Request, bench: Bench, name: str, *, replace: bool) -> Path:
    """Write the mapping, complete or not at all."""
    settings = settings_of(request)
    if settings.mappings is None:
        raise Refused(
            409, "the service has no folder for mappings", "Name one in its settings, or download the mapping"
        )
    path = _file(settings, name)
    data = bench.now.text.encode()
    if path.exists() and path.read_bytes() != data and not replace:
        raise Refused(409, "there is another mapping of this name", "Choose another name, or tick that it is replaced")
    settings.mappings.mkdir(parents=True, exist_ok=True)
    files.write(path, data, what="the mapping", where=path.name, todo="Check the service's folder for mappings")
    return path


def _unix(text: str) -> str:
    # A form sends its lines with CR LF; the hash is of what is saved.
    return text.replace("\r\n", "\n").replace("\r", "\n")
