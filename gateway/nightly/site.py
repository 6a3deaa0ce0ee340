"""Reads the file of the nightly run: feeds, targets, ledger, or every mistake in it, each with its line.

Secrets never stand in the file: it names environment variables, or files, that hold them. No error shows what was
written at a wrong key, because that may be a secret in the wrong place.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self, Union, get_args, get_origin
from urllib.parse import quote, urlsplit

from pydantic import BaseModel, Field, StringConstraints, ValidationError, model_validator
from pydantic_core import ErrorDetails

from gateway.delivery.base import Name, Settings, Target, Words, kinds
from gateway.delivery.settings import EnvName, FilePath, SettingsError, Table, read_secret
from gateway.errors import GatewayError, MappingError, SiteError
from gateway.mapping import signing
from gateway.mapping.explain import by_key, in_words
from gateway.mapping.loader import LARGEST, decode, parse
from gateway.mapping.places import Path as KeyPath
from gateway.mapping.places import Places, places
from gateway.mapping.problems import Problems, key_text, listed, meant, nearest

FolderName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_][A-Za-z0-9._-]{0,47}$")]
Suffix = Annotated[str, StringConstraints(pattern=r"^\.[A-Za-z0-9][A-Za-z0-9._-]{0,15}$")]

_SCHEMES = ("sftp", "s3", "memory")
_SHAPES = {
    "name": "lower-case letters, digits, dots, hyphens and underscores, at most 48",
    "targets": "names of targets, as they stand at [[targets]]",
    "suffix": "the end of a name with its dot, such as .done",
    "marker": "the end of a name with its dot, such as .done",
}


class Stable(Table):
    """A file is complete when its size has not changed for some seconds."""

    by: Literal["stable"] = "stable"
    seconds: float = Field(default=10.0, ge=0, le=600, description="how long its size and time must stay as they are")


class Marker(Table):
    """A file is complete when there is another of the same name and a suffix behind it."""

    by: Literal["marker"]
    suffix: Suffix = Field(default=".done", description="what stands behind the name of the marker file")


class Renamed(Table):
    """A file is complete when it has lost the suffix under which it was written."""

    by: Literal["rename"]
    suffix: Suffix = Field(default=".part", description="end of the names of files that are still being written")


class Sftp(Table):
    """How to log in to an SFTP server."""

    user: Words
    known_hosts: FilePath = Field(description="file with the server's key, as of OpenSSH; no other key is accepted")
    key_file: FilePath | None = Field(default=None, description="our private key")
    password_env: EnvName = Field(default="", description="environment variable that holds password or passphrase")
    password_file: FilePath | None = Field(default=None, description="file that holds password or passphrase")
    timeout: float = Field(default=30.0, gt=0, le=600, description="seconds to wait for the server")

    @model_validator(mode="after")
    def _one(self) -> Self:
        if self.password_env and self.password_file:
            raise ValueError("name either password_env or password_file")
        if not (self.key_file or self.password_env or self.password_file):
            raise ValueError("name key_file, password_env or password_file")
        return self

    def password(self) -> str | None:
        """The password, None when there is none.

        Raises:
            SettingsError: it is not where it should be.
        """
        if self.password_env or self.password_file:
            return read_secret(self.password_env, self.password_file, "password")
        return None


class S3(Table):
    """How to reach a store that speaks S3."""

    endpoint: str = Field(default="", pattern=r"^(https://[^\s@?#]+|http://(localhost|127\.0\.0\.1)(:\d+)?/?)?$",
                          description="address of the store; empty for Amazon's own")  # fmt: skip
    key: Words = Field(description="access key id")
    secret_env: EnvName = Field(default="", description="environment variable that holds the secret key")
    secret_file: FilePath | None = Field(default=None, description="file that holds the secret key")

    @model_validator(mode="after")
    def _one(self) -> Self:
        if bool(self.secret_env) == (self.secret_file is not None):
            raise ValueError("name either secret_env or secret_file")
        return self

    def secret(self) -> str:
        """The secret key.

        Raises:
            SettingsError: it is not where it should be.
        """
        return read_secret(self.secret_env, self.secret_file, "secret")


class Feed(Table):
    """Where exports of one kind appear, and what is made of them."""

    name: Name = Field(description="how the feed is called in reports, logs and folders")
    place: str = Field(
        min_length=1, description="where exports appear: a folder, sftp://host/folder, s3://bucket/prefix"
    )
    pattern: str = Field(default="*", min_length=1, pattern=r"^[^/\x00-\x1f]+$", description="which names are exports")
    complete: Annotated[Stable | Marker | Renamed, Field(discriminator="by")] = Stable()
    done: FolderName = Field(default="done", description="folder below, for what was converted")
    aside: FolderName = Field(default="aside", description="folder below, for what cannot be read, with the reason")
    mapping: FilePath = Field(description="mapping file")
    associations: FilePath | None = Field(default=None, description="file of who was on which device")
    records: Literal["fhir", "oru", "both"] = Field(default="fhir", description="what is written")
    bundle: Literal["transaction", "collection", "ndjson"] = Field(default="transaction", description="form of FHIR")
    workers: int = Field(default=1, ge=1, le=64, description="processes that convert at the same time")
    export_seconds: float = Field(
        default=1800.0, ge=1, le=86_400, description="an export that takes longer to convert is set aside"
    )
    targets: list[Name] = Field(default=[], description="where the records are sent")
    signed: bool = Field(
        default=False, description="take only a mapping that was signed off (gateway serve) and has not changed since"
    )
    silent_hours: float = Field(
        default=26.0, gt=0, le=8760, description="hours without a new export after which the feed counts as silent"
    )
    sftp: Sftp | None = Field(default=None, description="login, where the place is sftp://")
    s3: S3 | None = Field(default=None, description="login, where the place is s3://")


if TYPE_CHECKING:
    AnyTarget = Settings
else:
    # The kinds of target that there are, told apart by their own word.
    AnyTarget = Annotated[Union[tuple(kinds().values())], Field(discriminator="kind")]  # noqa: UP007


class Site(Table):
    """The nightly run of one site."""

    name: Words = Field(description="name of the site, shown in the run report")
    ledger: str = Field(min_length=1, description="file, or postgresql://role@host/database without a password")
    ledger_password_env: EnvName = Field(default="", description="environment variable that holds the role's password")
    ledger_password_file: FilePath | None = Field(default=None, description="file that holds the role's password")
    results: FilePath = Field(description="folder for results and run reports")
    metrics: FilePath | None = Field(default=None, description="file for Prometheus' textfile collector (.prom)")
    keep_days: int = Field(default=30, ge=1, le=3660, description="days for which results and moved exports are kept")
    wait_seconds: float = Field(default=60.0, ge=0, le=3600, description="seconds to wait for the ledger")
    hold_days: int = Field(default=3, ge=0, le=365, description="days after which an open hold is told as aged")
    clock_seconds: int = Field(
        default=60, ge=1, le=86400, description="seconds by which a clock's offset must grow to be told"
    )
    feeds: list[Feed] = Field(min_length=1)
    targets: list[AnyTarget] = Field(default=[])


@dataclass(frozen=True)
class LoadedSite:
    """A site file whose keys agree, with every path made absolute from the folder of the file.

    Attributes:
        site: what it says.
        path: the file.
        places: where each key stands.
    """

    site: Site
    path: Path
    places: Places = field(repr=False, default_factory=Places)

    def where(self, path: KeyPath) -> str:
        """A key as errors name it."""
        return f"{self.path.name}, line {self.places.line_of(path)}, key {key_text(path)}"

    def ledger(self) -> str:
        """File or address of the ledger, with its password: not for printing.

        Raises:
            SiteError: the password is not where it should be.
        """
        site = self.site
        if not (site.ledger_password_env or site.ledger_password_file):
            return site.ledger
        try:
            password = read_secret(site.ledger_password_env, site.ledger_password_file, "ledger_password")
        except SettingsError as error:
            raise SiteError(error.message, where=self.where(("ledger",)), todo="Set it, and run again") from None
        head, at, tail = site.ledger.partition("@")
        return f"{head}:{quote(password, safe='')}{at}{tail}"

    def targets_of(self, feed: Feed) -> list[tuple[str, str]]:
        """Name and kind of each target of a feed, as the conversion asks for them."""
        known = {target.name: target.takes for target in self.site.targets}
        return [(name, known[name]) for name in feed.targets]

    def senders(self, only: Sequence[str] = ()) -> list[Target]:
        """The targets, in order; those named by `only` when it is not empty. Nothing is sent or opened yet."""
        return [target.target() for target in self.site.targets if not only or target.name in only]

    def owners(self) -> dict[str, str]:
        """Who looks after which target."""
        return {target.name: target.owner for target in self.site.targets}


def load_site(path: Path | str) -> LoadedSite:
    """Read a site file, and check that its keys agree with each other. Other files are not looked at.

    Raises:
        SiteError: it cannot be read, or holds mistakes; `problems` has one for each, by line.
    """
    file = Path(path)
    name = file.name
    try:
        text = decode(_read(file), name)
        raw = _with_floats(parse(text, name))
    except SiteError:
        raise
    except MappingError as error:
        problem = (error.problems or [error])[0]
        raise SiteError(problem.what, where=problem.where, todo=problem.todo) from None
    problems = Problems(name, places(text))
    _resolve(raw, file.resolve().parent)
    site: Site | None = None
    try:
        site = Site.model_validate(raw)
    except ValidationError as error:
        found = by_key(error, raw)
        for key, details in found:
            if details["type"] == "extra_forbidden" and (misspelt := nearest(str(key[-1]), _fields(key[:-1], raw))):
                problems.spoil((*key[:-1], misspelt))
        for key, details in found:
            what, todo = _explain(key, details, raw)
            problems.add(key, what, todo)
    if site is not None:
        _agreements(site, problems)
    if problems or site is None:
        raise _error(problems)
    return LoadedSite(site, file.resolve(), problems.places)


def check_site(loaded: LoadedSite) -> None:
    """Look at everything the file names, without using the network: mappings, associations, folders, secrets.

    Raises:
        SiteError: with every fault at its line.
    """
    from gateway.conversion.options import load_mapping
    from gateway.identity import load_associations

    site = loaded.site
    problems = Problems(loaded.path.name, loaded.places)
    try:
        loaded.ledger()
    except SiteError as error:
        problems.add(("ledger",), error.what, error.todo)
    for number, feed in enumerate(site.feeds):
        at: KeyPath = ("feeds", number)
        try:
            mapping = load_mapping(feed.mapping).mapping
            if feed.signed:
                signing.signed(feed.mapping)
        except GatewayError as error:
            for each in getattr(error, "problems", ()) or [error]:
                problems.add((*at, "mapping"), f"{each.where}: {each.what}", each.todo or "Mend the mapping")
            continue
        if mapping.patient.column is None and feed.associations is None:
            problems.add((*at, "mapping"), "the mapping reads no patient, and the feed has no associations",
                         "Name the file of associations at this feed")  # fmt: skip
        age = mapping.time.age
        if age is not None and age.anchor == "given":
            problems.add((*at, "mapping"), "its ages count from a time that somebody has to give (anchor = given)",
                         "Convert such exports by hand with --sent")  # fmt: skip
        if feed.associations is not None:
            try:
                load_associations(feed.associations, mapping)
            except GatewayError as error:
                problems.add((*at, "associations"), error.what, error.todo or "Mend the file")
        if "://" not in feed.place and not Path(feed.place).is_dir():
            problems.add((*at, "place"), "there is no such folder", "Make it, or mount it")
        try:
            if feed.sftp is not None:
                feed.sftp.password()
            if feed.s3 is not None:
                feed.s3.secret()
        except SettingsError as fault:
            problems.add((*at, "sftp" if feed.sftp is not None else "s3"), fault.message, "Set it, and check again")
        if feed.sftp is not None:
            for key, path in (("known_hosts", feed.sftp.known_hosts), ("key_file", feed.sftp.key_file)):
                if path is not None and not path.is_file():
                    problems.add((*at, "sftp", key), "there is no such file", "Check the path")
    for number, target in enumerate(site.targets):
        with target.target() as made:
            for words in made.check():
                problems.add(("targets", number), words.rstrip("."), "Mend it, and check again")
    if problems:
        raise _error(problems)


def _agreements(site: Site, problems: Problems) -> None:
    """What keys say together."""
    for kind, names in (
        ("feeds", [feed.name for feed in site.feeds]),
        ("targets", [each.name for each in site.targets]),
    ):
        for number, name in enumerate(names):
            if name in names[:number]:
                problems.add((kind, number, "name"), "this name stands there twice", "Give each a name of its own")
    targets = {target.name: target for target in site.targets}
    used: dict[str, str] = {}
    for number, feed in enumerate(site.feeds):
        at: KeyPath = ("feeds", number)
        for position, name in enumerate(feed.targets):
            if name not in targets:
                problems.add((*at, "targets", position), "there is no such target", meant(name, targets))
                continue
            made = "fhir" if targets[name].takes == "fhir" else "oru"
            if feed.records not in (made, "both"):
                words = "FHIR" if made == "fhir" else "HL7 v2"
                problems.add((*at, "targets", position), f"it takes {words}, and the feed makes no such records",
                             f'Write records = "{made}" or "both", or take the target out')  # fmt: skip
            elif made == "fhir" and feed.bundle != "transaction":
                problems.add((*at, "bundle"), "a FHIR server takes transactions", 'Write bundle = "transaction"')
        if len(set(feed.targets)) != len(feed.targets):
            problems.add((*at, "targets"), "a target stands there twice", "Name each once")
        if feed.done == feed.aside:
            problems.add((*at, "aside"), "done and aside are the same folder", "Give them different names")
        scheme = urlsplit(feed.place).scheme if "://" in feed.place else ""
        for needed, table in (("sftp", feed.sftp), ("s3", feed.s3)):
            if scheme == needed and table is None:
                problems.add((*at, "place"), "the login is missing", f"Add [feeds.{needed}] below this feed")
            elif scheme != needed and table is not None:
                problems.add((*at, needed), f"the place is not {needed}://", "Take the table out, or correct the place")
        if scheme and scheme not in _SCHEMES:
            problems.add((*at, "place"), "exports cannot be taken from there", "Use a folder, sftp:// or s3://")
        elif scheme:
            parts = urlsplit(feed.place)
            if "@" in parts.netloc:
                problems.add((*at, "place"), "an address must not hold a user name or password",
                             f"Write them in [feeds.{scheme}]")  # fmt: skip
        where = feed.place.rstrip("/")
        if where in used:
            problems.add((*at, "place"), f"feed {used[where]} takes its exports from there, too",
                         "Give each feed a place of its own")  # fmt: skip
        used.setdefault(where, feed.name)
    password = bool(site.ledger_password_env) or site.ledger_password_file is not None
    if "://" in site.ledger:
        netloc = urlsplit(site.ledger).netloc
        if ":" in netloc.rpartition("@")[0] or "password=" in site.ledger:
            problems.add(("ledger",), "an address must not hold a password",
                         "Name it with ledger_password_env or ledger_password_file")  # fmt: skip
        elif password and "@" not in netloc:
            problems.add(("ledger",), "there is a password and no role", "Write postgresql://role@host/database")
    elif password:
        problems.add(("ledger",), "a file has no password", "Take ledger_password_env and ledger_password_file out")
    if site.ledger_password_env and site.ledger_password_file:
        problems.add(("ledger_password_file",), "the password has two places", "Name one of them")
    if site.metrics is not None and site.metrics.suffix != ".prom":
        problems.add(("metrics",), "the collector reads only names that end with .prom", "Give it such a name")


def _read(path: Path) -> bytes:
    where = str(path)
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise SiteError("there is no such file", where=where, todo="Check the path") from None
    except IsADirectoryError:
        raise SiteError("this is a folder", where=where, todo="Name the site file in it") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the path cannot be used"
        raise SiteError(f"the file cannot be read: {reason}", where=where, todo="Check path and permissions") from None
    if len(data) > LARGEST:
        raise SiteError("the file is larger than a site file can be (1 MiB)", where=where, todo="Name the site file")
    return data


def _with_floats(raw: Any) -> Any:
    """The values with numbers as the models take them."""
    if isinstance(raw, dict):
        return {name: _with_floats(value) for name, value in raw.items()}
    if isinstance(raw, list):
        return [_with_floats(value) for value in raw]
    return float(raw) if isinstance(raw, Decimal) else raw


_ADDRESSES = frozenset({"ledger", "place"})


@cache
def _paths() -> frozenset[str]:
    """The keys that name files or folders, in every table that a site file can have."""
    found: set[str] = set()
    models: list[type[BaseModel]] = [Site]
    for model in models:
        for name, field_ in model.model_fields.items():
            if _holds_path(field_.annotation):
                found.add(name)
            models += [each for each in _inside(field_.annotation) if each not in models]
    return frozenset(found)


def _holds_path(annotation: Any) -> bool:
    return annotation is Path or any(map(_holds_path, get_args(annotation)))


def _resolve(raw: Any, folder: Path) -> None:
    """Make paths absolute: what they are relative to is the file, not where the program was started."""
    if isinstance(raw, list):
        for item in raw:
            _resolve(item, folder)
    elif isinstance(raw, dict):
        for name, value in raw.items():
            if isinstance(value, str) and value:
                if name in _paths() or (name in _ADDRESSES and "://" not in value):
                    raw[name] = str(folder / value)
            else:
                _resolve(value, folder)


def _error(problems: Problems) -> SiteError:
    found = problems.error()
    count = f"{len(found.problems)} mistake{'s' if len(found.problems) != 1 else ''}"
    return SiteError(
        f"the site file cannot be used: {count}", where=problems.name, todo="Mend them and check again",
        problems=[SiteError(each.what, where=each.where, todo=each.todo) for each in found.problems],
    )  # fmt: skip


def _explain(path: KeyPath, details: ErrorDetails, raw: Any) -> tuple[str, str]:
    """What is wrong and what to do, without what was written."""
    kind, context = details["type"], details.get("ctx", {})
    name = str(path[-1]) if path and isinstance(path[-1], str) else ""
    if kind == "missing":
        return f"the key {name} is missing", _hint(path, raw)
    if kind == "extra_forbidden":
        known = _fields(path[:-1], raw)
        close = nearest(name, known)
        todo = f"Write {close}, if that is what was meant; known here: {listed(known, 24)}"
        return "there is no such key", todo if close else f"Take it out or move it; known here: {listed(known, 24)}"
    if kind == "union_tag_not_found":
        tag = str(context.get("discriminator", "")).strip("'")
        return f"the key {tag} is missing", f"Add {tag} = one of {listed(_tags(path))}"
    if kind in ("union_tag_invalid", "literal_error"):
        choices = re.findall(r"'([^']*)'", str(context.get("expected_tags") or context.get("expected", "")))
        return "this is not known here", f"Known: {listed(choice for choice in choices if choice)}"
    if kind == "value_error":
        return str(context.get("error", "it cannot be used")), "Correct it"
    if kind == "string_pattern_mismatch":
        shape = _SHAPES.get(name, "it as gateway help site-file shows it")
        return "the text has another form than it must have", f"Write {shape}"
    if kind in ("string_too_short", "too_short"):
        return "there is nothing in it", _hint(path, raw)
    return in_words(details), _hint(path, raw)


def _hint(path: KeyPath, raw: Any) -> str:
    name = str(path[-1]) if path else ""
    for model in _models(path[:-1], raw):
        found = model.model_fields.get(name)
        if found is not None and found.description:
            return f"{name} is: {found.description}"
    return f"Add {name} = ..." if name else "See gateway help site-file"


def _tags(path: KeyPath) -> list[str]:
    if path[:1] == ("targets",):
        return list(kinds())
    return ["stable", "marker", "rename"]


def _fields(path: KeyPath, raw: Any) -> list[str]:
    return list(dict.fromkeys(name for model in _models(path, raw) for name in model.model_fields))


def _models(path: KeyPath, raw: Any) -> list[type[BaseModel]]:
    """The models that can stand at a path; where a table says which of several it is, that one."""
    found: list[type[BaseModel]] = [Site]
    for part in path:
        try:
            raw = raw[part]
        except (KeyError, IndexError, TypeError):
            raw = None
        if isinstance(part, str):
            following: list[type[BaseModel]] = []
            for model in found:
                if part in model.model_fields:
                    following += _inside(model.model_fields[part].annotation)
            found = following
        if isinstance(raw, dict):
            found = [model for model in found if _is(model, raw)] or found
    return found


def _is(model: type[BaseModel], raw: dict[str, Any]) -> bool:
    """Whether a table says of itself that it is of this model, as far as it says anything."""
    return all(
        raw.get(tag, model.model_fields[tag].default) in get_args(model.model_fields[tag].annotation)
        for tag in ("kind", "by", "method")
        if tag in model.model_fields
    )


def _inside(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if get_origin(annotation) is None:
        return []
    return [model for each in get_args(annotation) for model in _inside(each)]


__all__ = [
    "S3",
    "Feed",
    "LoadedSite",
    "Marker",
    "Renamed",
    "Sftp",
    "Site",
    "Stable",
    "check_site",
    "load_site",
]  # fmt: skip
