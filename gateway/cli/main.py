"""The command line: `gateway` and `python -m gateway`.

Thin on purpose: it reads arguments, calls `gateway.conversion`, `gateway.mapping`, `gateway.vocabulary` or
`gateway.checks`, and prints. They are imported inside the commands, so that `gateway --help` answers at once.
"""

from __future__ import annotations

import os
import re
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple, TypeVar

import typer

from gateway.cli import authoring, delivery, holding, nightly, pages, serve
from gateway.cli.terminal import (
    Commands,
    ReaderGone,
    instant,
    look_up,
    mapping_file,
    on_terminal,
    progress_bar,
    reader_gone,
    reason,
    say,
    say_details,
    say_table,
)
from gateway.errors import GatewayError, MappingError, OutputError, UsageError

if TYPE_CHECKING:
    from gateway.checks import Rule
    from gateway.conversion import Batch
    from gateway.mapping.loader import LoadedMapping
    from gateway.vocabulary import Vital

T = TypeVar("T")

UNUSABLE = 2
STOPPED = 130
CLOSED = 141
"""What a shell says of a program whose output nobody reads any more: 128 and the number of SIGPIPE."""

# In help texts \b keeps the lines of a paragraph as they are written.
EXIT_STATUS = """\b
Exit status:
  0    every reading was recorded, a repeat, or declared absent
  1    some readings were held or unreadable; the report says which and why
  2    command, mapping or export unusable, or the result cannot be written
  130  stopped from the keyboard"""

CAPTURE_STATUS = """\b
Exit status:
  0    stopped as asked; every byte that came is in the file
  2    port, mapping or file unusable, or the line dropped; what came before
       is in the file"""

# The words are those of the report (gateway.report.model.CAUTIONS), which is too slow to load for a help text.
CAUTIONS = """\b
Cautions:
  This software is not a medical device. Do not use it for alarms, for
  continuous surveillance or for decisions about treatment: times and
  delivery may be late.
  Before a mapping or a plausibility limit is used on real patients, a
  qualified person signs it off and compares a sample of the records with
  the monitor's own display.
  Which readings belong to which patient follows the identification policy
  of the site.
  Local codes, the law and licensed practice come before anything this
  software does."""

app = Commands(
    name="gateway",
    help="Spot-check vital signs from portable monitors into FHIR R4 Observations and HL7 v2 ORU messages.",
    epilog=f"{EXIT_STATUS}\n\n{CAUTIONS}",
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Form(StrEnum):
    """What records are written."""

    FHIR = "fhir"
    ORU = "oru"
    BOTH = "both"


class BundleKind(StrEnum):
    """How FHIR resources are put into files."""

    TRANSACTION = "transaction"
    COLLECTION = "collection"
    NDJSON = "ndjson"


class Depth(StrEnum):
    """How many records go through the reference libraries as well."""

    SAMPLE = "sample"
    FULL = "full"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Args:
        arguments: the words after the program's name; None takes them from the process.

    Returns:
        The exit status (see `EXIT_STATUS`). Every error has been told on standard error as one paragraph.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    words = list(sys.argv[1:] if arguments is None else arguments)
    command = typer.main.get_command(app)
    if "_GATEWAY_COMPLETE" in os.environ:  # a shell asks for completions: typer answers, and ends the process
        command.main(args=words, prog_name="gateway")
    try:
        # Not `command()`: that wrapper turns interrupts and closed pipes into exits of its own.
        with command.make_context("gateway", list(words) or ["--help"]) as context:
            status = command.invoke(context)
        return int(status or 0)
    except typer.Exit as request:
        return UNUSABLE if not words else int(request.exit_code)
    except KeyboardInterrupt as error:
        _complain(error)
        return STOPPED
    except ReaderGone:
        return CLOSED
    except Exception as error:  # noqa: BLE001 - the last stop: no user should ever meet a traceback
        if isinstance(error, BrokenPipeError) and reader_gone():
            return CLOSED
        _complain(error)
        return UNUSABLE


def _show_version(wanted: bool) -> None:
    if wanted:
        from gateway.version import VERSION

        say(f"gateway {VERSION}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and exit.", is_eager=True, callback=_show_version)
    ] = False,
) -> None: ...


@app.command(epilog=f"{EXIT_STATUS}\n\n{CAUTIONS}")
def convert(
    mapping: Annotated[
        str, typer.Option("--mapping", metavar="FILE", help="Mapping file, or the name of a mapping that is shipped.")
    ],
    out: Annotated[str, typer.Option("--out", metavar="DIR", help="Folder for records and report.")],
    exports: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="EXPORT",
            help="Files, folders, globs, or - for standard input. With --ledger none are needed: then only what is "
            "held is taken up again.",
        ),
    ] = None,
    as_: Annotated[Form, typer.Option("--as", help="What records to write.")] = Form.FHIR,
    bundle: Annotated[
        BundleKind, typer.Option("--bundle", help="How FHIR resources are put into files.")
    ] = BundleKind.TRANSACTION,
    associations: Annotated[
        str | None,
        typer.Option(
            "--associations", metavar="FILE", help="Who was on which device, and when; in CSV, FHIR or HL7 v2."
        ),
    ] = None,
    workers: Annotated[int, typer.Option("--workers", metavar="N", min=1, help="Processes that share the work.")] = 1,
    verify: Annotated[
        Depth,
        typer.Option(
            "--verify",
            help="Every record is verified. 'sample' also sends one of each shape through the reference libraries, "
            "'full' sends all (slow).",
        ),
    ] = Depth.SAMPLE,
    received: Annotated[
        str | None,
        typer.Option(
            "--received",
            metavar="TIME",
            help="When the exports were received, ISO 8601 with offset: readings from after it, or from "
            "long before, are held, and MSH-7 and Provenance state it. Without it, it is now.",
        ),
    ] = None,
    sent: Annotated[
        str | None,
        typer.Option(
            "--sent",
            metavar="TIME",
            help="When the monitors sent their lists, ISO 8601 with offset: for ages whose anchor is given "
            "and clocks whose reference is.",
        ),
    ] = None,
    identifiers: Annotated[
        bool,
        typer.Option("--identifiers", help="Let the report name the paths of the exports, which may identify people."),
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace the result of an earlier run in DIR.")] = False,
    ledger: Annotated[
        str | None,
        typer.Option(
            "--ledger",
            metavar="FILE|URL",
            help="Ledger of what earlier runs recorded (SQLite file or postgresql:// URL; made when it is not there): "
            "nothing is recorded twice, and held sets are taken up again.",
        ),
    ] = None,
    wait: Annotated[
        float, typer.Option("--wait", metavar="SECONDS", min=0, help="Wait so long for another run on the ledger.")
    ] = 0.0,
    export_seconds: Annotated[
        float,
        typer.Option("--export-seconds", metavar="SECONDS", min=1, help="Refuse an export that takes longer."),
    ] = 1800.0,
) -> int:
    """Convert exports into records with a report that adds up.

    Writes the records, report.json, report.html, operation-outcome.json and findings.csv into DIR: all of it, or
    nothing.
    """
    arrived = None if received is None else instant(received, "--received")
    anchor = None if sent is None else instant(sent, "--sent")
    source = mapping_file(mapping)
    from gateway import conversion

    with progress_bar() as progress:
        batch = conversion.convert(
            exports or [],
            source,
            out,
            as_=as_.value,
            bundle=bundle.value,
            associations=associations,
            workers=workers,
            verify=verify.value,
            received=arrived,
            ledger=ledger,
            wait=wait,
            sent=anchor,
            identifiers=identifiers,
            replace=replace,
            progress=progress,
            recovered=holding.say_recovered,
            export_seconds=export_seconds,
        )
    # The records are complete and in place; only their display can be lost.
    try:
        _print_batch(batch)
    except ReaderGone:
        pass
    except OutputError as error:
        _complain(error)
    return int(batch.status)


@app.command(epilog="Exit status: 0 the mapping can be used, 2 it cannot.")
def check(
    mapping: Annotated[
        str | None, typer.Argument(metavar="MAPPING", help="Mapping file, or the name of a mapping that is shipped.")
    ] = None,
    export: Annotated[
        str | None, typer.Argument(metavar="EXPORT", help="An export to try the mapping on, without writing anything.")
    ] = None,
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of mapping files and exit.")] = False,
    entries: Annotated[int, typer.Option("--entries", metavar="N", min=1, help="Entries of EXPORT to try.")] = 20,
    associations: Annotated[
        Path | None,
        typer.Option(
            "--associations", metavar="FILE", help="Who was on which device, and when; in CSV, FHIR or HL7 v2."
        ),
    ] = None,
    received: Annotated[
        str | None, typer.Option("--received", metavar="TIME", help="When EXPORT was received, as for convert.")
    ] = None,
    signed: Annotated[
        bool, typer.Option("--signed", help="Also require that the mapping is signed off as it is now.")
    ] = False,
) -> None:
    """Check a mapping file, and try it on the first entries of an export."""
    from gateway.mapping import loader

    if schema:
        import json

        say(json.dumps(loader.schema(), indent=2, ensure_ascii=False))
        return
    if mapping is None:
        raise UsageError(
            "no mapping file was named", where="gateway check", todo="Name a mapping file, or ask for --schema"
        )
    from gateway import conversion

    source = mapping_file(mapping)
    if signed:
        from gateway.mapping import signing

        found = signing.signed(source)
        say(f"{source}: signed off by {found.name}, {found.role}, on {found.signed:%Y-%m-%d %H:%M} UTC.")
    if export is None:
        say(_summary(conversion.load_mapping(source)))
        return
    from gateway.inspection.preview import preview

    arrived = None if received is None else instant(received, "--received")
    say("\n".join(preview(source, export, entries=entries, associations=associations, received=arrived)))


@app.command(epilog=f"{CAPTURE_STATUS}\n\n{CAUTIONS}")
def capture(
    port: Annotated[
        str,
        typer.Argument(metavar="PORT", help="Serial port such as /dev/ttyUSB0, or a device server: socket://host:4001"),
    ],
    mapping: Annotated[
        str,
        typer.Option(
            "--mapping",
            metavar="FILE",
            help="Mapping file, or the name of a mapping that is shipped; its table [line] says how the line is set.",
        ),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Capture file to write; it must not exist.")],
    seconds: Annotated[
        float | None, typer.Option("--seconds", metavar="N", min=0, help="Stop after so many seconds.")
    ] = None,
    until_quiet: Annotated[
        float | None,
        typer.Option(
            "--until-quiet", metavar="N", min=0.2, help="Stop when something came and then nothing for so many seconds."
        ),
    ] = None,
) -> None:
    """Read a serial line into a capture file that can be converted, again and again.

    Keeps every byte with the host's time, until Ctrl-C or one of the options stops it. Begin to listen first, then let
    the monitor send.
    """
    from gateway.cli.capture import capture as listen
    from gateway.mapping import loader

    loaded = loader.load(mapping_file(mapping))
    if loaded.mapping.form == "delimited":
        raise UsageError(
            "the mapping reads delimited files, and no capture",
            where=loaded.path,
            todo="Name a mapping of the form framed or listing",
        )
    done = listen(
        port,
        loaded.mapping.line,
        out,
        seconds=seconds,
        until_quiet=until_quiet,
        listening=lambda words: say(f"Listening to {words}. Stop with Ctrl-C."),
    )
    came = f"{done.bytes:,} {'byte' if done.bytes == 1 else 'bytes'}" if done.bytes else "nothing"
    why = {"time": "the time was over", "quiet": "the line was quiet"}.get(done.why, "stopped as asked")
    say(f"{out}: {came} captured; {why}.")


@app.command()
def vitals(
    key: Annotated[str | None, typer.Argument(metavar="VITAL", help="Show one vital in full.")] = None,
) -> None:
    """List the vitals the gateway knows, with their codes and units; of one, a picture of its limits as well."""
    from gateway import vocabulary
    from gateway.inspection.bands import LEGEND, picture

    known = vocabulary.vitals()
    if key is None:
        heading = ("vital", "title", "LOINC", "units of the record", "decimals")
        say_table(heading, [_vital_row(vital) for vital in known.values()])
        say("\nEditions:")
        say_details([(f"  {name}", edition) for name, edition in vocabulary.editions().items()])
        return
    vital = look_up(key, known, "vital", "gateway vitals", "Run gateway vitals for the list")
    spellings = [
        f"{unit.ucum} ({', '.join(unit.spellings)})" if unit.spellings else unit.ucum
        for unit in vocabulary.units().values()
        if unit.dimension == vital.dimension and vital.kind == "quantity"
    ]
    codes = [*vital.codings, *([vital.mdc] if vital.mdc else [])]
    say_details(
        [
            ("vital", vital.key),
            ("title", vital.title),
            ("codes", "; ".join(f"{coding.code} {coding.display} [{coding.system}]" for coding in codes)),
            ("codes by unit", "; ".join(f"{unit}: {c[0].code}" for unit, c in vital.codings_by_unit.items())),
            ("profile", vital.profile),
            ("US Core", vital.us_core),
            ("panel", vital.panel),
            ("units of the record", ", ".join(vital.units)),
            ("units read", "; ".join(spellings)),
            ("decimals", str(vital.decimals) if vital.kind == "quantity" else ""),
            ("sites", ", ".join(vital.sites)),
            ("methods", ", ".join(vital.methods)),
            ("answers", ", ".join(vital.answers)),
        ]
    )
    lines = picture(vital.key)
    if lines:
        say("\nThe proposed limits by patient category; each one in use needs clinical sign-off:\n")
        for line in [*lines, f"          {LEGEND}"]:
            say(line)


@app.command()
def rules(
    slug: Annotated[str | None, typer.Argument(metavar="SLUG", help="Show one rule in full.")] = None,
) -> None:
    """List the rules readings are checked by, or show one in full."""
    from gateway import checks

    known = checks.rules()
    if slug is None:
        heading = ("rule", "severity", "effect", "title")
        say_table(heading, [(rule.slug, rule.severity, rule.effect, rule.title) for rule in known.values()])
        return
    rule: Rule = look_up(slug, known, "rule", "gateway rules", "Run gateway rules for the list")
    say_details(
        [
            ("rule", rule.slug),
            ("title", rule.title),
            ("severity", rule.severity),
            ("effect", f"{rule.effect} ({'a' if rule.adjustable else 'no'} mapping may change it)"),
            ("looks at", rule.subject + (f": {', '.join(rule.vitals)}" if rule.vitals else "")),
            ("why", rule.why),
            ("example", rule.example),
            ("what to do", rule.todo),
            ("reference", rule.reference),
        ]
    )


@app.command(epilog="Exit status: 0 the demo exports were converted, 2 they could not be.")
def demo(
    out: Annotated[str, typer.Option("--out", metavar="DIR", help="Folder for records and reports.")] = "demo-output",
) -> None:
    """Convert the shipped demo exports (invented patients) into FHIR and ORU records."""
    demos = _demos()
    from gateway import conversion

    for shown in demos:
        say(f"== {shown.name}: {shown.title}\n")
        with progress_bar() as progress:
            batch = conversion.convert(
                shown.exports,
                shown.mapping,
                Path(out) / shown.name,
                as_=Form.BOTH.value,
                bundle=shown.bundle,
                associations=shown.associations,
                received=shown.received,
                replace=True,
                progress=progress,
            )
        _print_batch(batch)
        say("")


authoring.register(app)
holding.register(app)
nightly.register(app)
delivery.register(app)
serve.register(app)
pages.register(app)


class _Demo(NamedTuple):
    """One folder of demo exports."""

    name: str
    title: str
    mapping: Path
    exports: list[Path]
    associations: Path | None
    bundle: str
    received: datetime | None


def _demo_home() -> Path:
    """The folder of the demo exports: inside an installed package, or beside the package in the repository."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "_shipped" / "demo"
    return shipped if shipped.is_dir() else package.parent / "fixtures" / "demo"


def _demos() -> list[_Demo]:
    """Find the demo exports.

    A folder holds mapping.toml, exports and, where needed, associations.csv and demo.toml, which may state `title`,
    `exports` (globs in the folder), `bundle` and `received`.

    Raises:
        UsageError: no demo exports are there.
        MappingError: a demo.toml states something else.
    """
    import tomllib

    home = _demo_home()
    demos = []
    for mapping in sorted(home.glob("*/mapping.toml")):
        folder = mapping.parent
        settings = folder / "demo.toml"
        options: dict[str, Any] = tomllib.loads(settings.read_text(encoding="utf-8")) if settings.exists() else {}
        unknown = options.keys() - {"title", "exports", "bundle", "received"}
        if unknown:
            raise MappingError(f"unknown key {min(unknown)}", where=str(settings), todo="Remove it")
        received = options.get("received")
        associations = folder / "associations.csv"
        aside = {mapping, settings, associations}
        globs = options.get("exports", ["*.csv", "*.txt", "*.tsv", "*.cap"])
        found = {path for glob in globs for path in folder.glob(glob) if path.is_file()} - aside
        demos.append(
            _Demo(
                name=folder.name,
                title=options.get("title", "demo export"),
                mapping=mapping,
                exports=sorted(found),
                associations=associations if associations.exists() else None,
                bundle=options.get("bundle", BundleKind.TRANSACTION.value),
                received=instant(str(received), f"{settings}, key received") if received is not None else None,
            )
        )
    if not demos:
        raise UsageError(
            "the demo exports are missing", where=str(home), todo="Install the gateway again from a complete wheel"
        )
    return demos


def _summary(loaded: LoadedMapping) -> str:
    """Say in one paragraph how a mapping reads its exports."""
    mapping = loaded.mapping
    delimited, serial = mapping.delimited, mapping.listing or mapping.framed
    reads = f"{mapping.form} exports ({mapping.encoding}"
    if delimited is not None:
        between = "JSON objects" if delimited.rows == "json" else f"delimiter {delimited.delimiter!r}"
        reads = f"{delimited.layout} {reads}, {between})"
    elif serial is not None:
        reads += f", {len(serial.records)} kinds of record)"
    age = mapping.time.age
    times = f"times in {mapping.time.zone}" + (f" from ages in {age.unit}" if age is not None else "")
    if mapping.patient.crosswalk is not None:
        patient = f"patients by a crosswalk of {' and '.join(mapping.patient.said)}"
    else:
        patient = (
            f"patients from column '{mapping.patient.column}'" if mapping.patient.column else "patients by association"
        )
    tokens = len(mapping.absent) + sum(len(source.absent) for source in mapping.vitals.values())
    declared = f"{tokens} declared token" + ("" if tokens == 1 else "s")
    return (
        f"{loaded.path}: the mapping can be used. '{mapping.title}', version {mapping.version}, reads {reads} "
        f"with {len(mapping.vitals)} vitals ({', '.join(mapping.vitals)}), {patient}, {times}, {declared} for no "
        f"value, and plausibility limits '{mapping.plausibility.profile}'. Everything it does not name is held. A "
        "qualified person has to sign it off before use on real patients."
    )


def _vital_row(vital: Vital) -> tuple[str, ...]:
    """One line of the table of vitals."""
    loinc = ", ".join(
        [vital.codings[0].code, *(f"{codes[0].code} in {unit}" for unit, codes in vital.codings_by_unit.items())]
    )
    if vital.kind == "coded":
        return (vital.key, vital.title, loinc, "answers: " + ", ".join(vital.answers), "")
    return (vital.key, vital.title, loinc, ", ".join(vital.units), str(vital.decimals))


def _print_batch(batch: Batch) -> None:
    """Print the reckoning of a batch and where its report lies."""
    from gateway import report

    if on_terminal(sys.stdout):
        from rich.console import Console

        console = Console(highlight=False)
        with console.capture() as capture:
            report.print_text(batch.report, console)
        say(capture.get().rstrip())
    else:
        say(report.text(batch.report).rstrip())
    say(f"\nRecords and report: {batch.folder} (open {Path(batch.folder) / 'report.html'})")


_COMMAND = re.compile(r"gateway( [a-z][a-z-]*)?: ")


def _misuse(error: Any) -> str:
    """What is wrong with the words of a command line."""
    cause, said = error.__cause__, " ".join(str(error.format_message()).split())
    if hasattr(cause, "errors") and hasattr(error, "message"):
        from gateway.mapping.explain import in_words

        first = next(iter(cause.errors(include_url=False, include_input=False)), None)
        if first is not None:
            said = said.replace(" ".join(str(error.message).split()), in_words(first))
    return said


def _complain(error: BaseException) -> None:
    """Tell an error on standard error: one paragraph, or one line for each problem of a mapping."""
    if sys.stderr is None:
        return
    with suppress(OSError):
        if os.environ.get("GATEWAY_DEBUG") == "1":
            traceback.print_exception(error)
        for paragraph in _paragraphs(error):
            # What is wrong with a command begins with its name: "gateway convert: ...".
            named = _COMMAND.match(paragraph)
            print(paragraph if named else f"gateway: {paragraph}", file=sys.stderr, flush=True)


def _paragraphs(error: BaseException) -> list[str]:
    """Say where, what and what to do. Never quotes the input: an unforeseen error's own text may hold identifiers."""
    if isinstance(error, GatewayError):
        return str(error).splitlines() if isinstance(error, MappingError) else [" ".join(str(error).split())]
    if hasattr(error, "format_message"):
        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else "gateway"
        words = _misuse(error)
        return [f"{path}: {words if words.endswith(('.', '?')) else words + '.'} See {path} --help."]
    if isinstance(error, KeyboardInterrupt):
        return ["stopped from the keyboard. Results are put in place only when complete: nothing half written remains."]
    if isinstance(error, MemoryError):
        return ["not enough memory. Use fewer --workers, or convert the exports in smaller batches."]
    if isinstance(error, OSError):
        where = f"{os.fsdecode(error.filename)}: " if isinstance(error.filename, str | bytes | os.PathLike) else ""
        return [f"{where}{reason(error)}. Check that the path is right and that you may use it."]
    if isinstance(error, UnicodeError):
        codec = f"{error.encoding} " if isinstance(error, UnicodeDecodeError | UnicodeEncodeError) else ""
        return [f"a text is not valid {codec}text. Save it as UTF-8, or declare its encoding in the mapping."]
    frame = traceback.extract_tb(error.__traceback__)[-1:]
    place = f" at {Path(frame[0].filename).name}, line {frame[0].lineno}" if frame else ""
    return [
        f"a fault in the gateway itself ({type(error).__name__}{place}). Nothing was put in place. Please report it "
        "with this line, and without patient data."
    ]
