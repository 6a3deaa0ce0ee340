"""The mapping file as a typed model: how one kind of export is read.

The file is TOML. Unknown keys are errors. Nothing here has a clinical default: a unit, a zone, a token or a label
that the file does not name is held, never guessed. `gateway.mapping.loader` reads a file and names the line of
every mistake; `gateway check --schema` prints the JSON Schema made from these classes.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from gateway.mapping import forms
from gateway.mapping.table import FormTable, Table, Text

if TYPE_CHECKING:
    from gateway.mapping.forms.delimited import Delimited
    from gateway.mapping.forms.framed import Framed
    from gateway.mapping.forms.listing import Listing

AbsentReason = Literal[
    "unknown", "asked-unknown", "temp-unknown", "not-asked", "asked-declined", "masked", "not-applicable",
    "unsupported", "as-text", "error", "not-a-number", "negative-infinity", "positive-infinity", "not-performed",
    "not-permitted",
]  # fmt: skip
"""The 15 codes of http://terminology.hl7.org/CodeSystem/data-absent-reason, FHIR R4 4.0.1."""

Category = Literal["neonate", "infant", "child", "adult", "unknown"]
Words = Annotated[
    str, StringConstraints(pattern=r"^[^\x00-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f][^\x00-\x1f\x7f-\x9f]*$")
]
"""Text that is written into records and reports: something to read, and no control characters."""


def _number(value: object) -> object:
    """TOML writes 40 and 40.5 as different types; both are exact here, and a text is no number."""
    return Decimal(value) if type(value) is int else value


Limit = Annotated[Decimal, BeforeValidator(_number), WithJsonSchema({"type": "number"})]


class Line(Table):
    """How the serial line is set while `gateway capture` listens; without effect on exports that are files."""

    baud: int = Field(default=9600, ge=50, le=4_000_000, description="symbols per second")
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts", "dsr-dtr", "xon-xoff"] = Field(default="none", description="flow control")


class Memory(Table):
    """What the monitor keeps, so that lost entries are noticed. For exports whose entries carry ages."""

    entries: int | None = Field(default=None, ge=2, le=100_000, description="how many entries the monitor keeps")
    cycle_minutes: int | None = Field(
        default=None, ge=1, le=1440, description="minutes between automatic measurements, when all entries are such"
    )


class Numbers(Table):
    """How numbers are written."""

    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    comparators: bool = Field(default=False, description="accept <, <=, >= and > before a value")


class Age(Table):
    """Entries stamped as so long before the list was sent: the anchor is the instant of sending, never of arrival."""

    column: Text = Field(description="the column with the age")
    unit: Literal["minutes", "seconds"] = "minutes"
    anchor: Literal["columns", "capture", "given"] = Field(
        description="columns: the time of sending stands in the columns of [time]; capture: in the capture's own "
        "record; given: on the command line (--sent)"
    )


class Clock(Table):
    """What is known of the monitor's own clock, for exports whose entries carry times.

    Without `columns` no offset is measured: only resets within a list are looked for.
    """

    columns: list[Text] = Field(
        default=[], max_length=3, description="the monitor's own time when it sent the list, joined by one space"
    )
    formats: list[Text] = Field(default=[], description="how that time is written; default: as the times of [time]")
    reference: Literal["columns", "capture", "given"] | None = Field(
        default=None,
        description="where the true time of that moment stands. columns: in reference_columns; capture: in the "
        "capture's own record; given: on the command line (--sent)",
    )
    reference_columns: list[Text] = Field(default=[], max_length=3, description="joined by one space before reading")
    reference_formats: list[Text] = Field(
        default=[], description="how the reference is written; default: as the times of [time]"
    )
    policy: Literal["correct", "report", "hold"] | None = Field(
        default=None,
        description="correct: times are shifted by the offset, beyond the limit held; report: times stay as they are; "
        "hold: times stay, beyond the limit held",
    )
    limit_minutes: int | None = Field(default=None, ge=1, le=525_600, description="the largest offset to live with")
    order: Literal["oldest-first", "newest-first"] = Field(
        description="how the entries of a list follow each other; against it, a reset of the clock is recognised"
    )


class Time(Table):
    """Where the time of a set stands and how it is read."""

    columns: list[Text] = Field(default=[], max_length=3, description="joined by one space before reading")
    formats: list[Text] = Field(default=[], description="strptime directives; the first that fits the whole text")
    age: Age | None = Field(default=None, description="when entries carry an age instead of a time")
    clock: Clock | None = Field(default=None, description="what is known of the monitor's own clock")
    zone: Text = Field(description="IANA zone name, or a fixed offset such as +05:30, or 'offset-in-text' with %z")
    ambiguous: Literal["hold", "earlier", "later"] = "hold"
    nonexistent: Literal["hold", "before", "after"] = "hold"
    future_minutes: int = Field(default=5, ge=0, le=1440, description="a time later than this after receipt is held")


class PatientSystem(Table):
    """One of several identifier systems of the patients in an export."""

    system: Text = Field(description="URI of the identifier system")
    authority: str = Field(default="", description="HL7 v2 assigning authority (PID-3.4)")
    type: str = Field(default="MR", description="HL7 v2 identifier type code, table 0203 (PID-3.5)")


class PatientSystems(Table):
    """A column that says whose identifier the patient's is."""

    column: Text = Field(description="the column that names the hospital or authority")
    values: dict[str, PatientSystem] = Field(
        min_length=1, description="text in the column = its system; a text that is not here is held"
    )


class Patient(Table):
    """Who the readings belong to."""

    column: Text | None = Field(default=None, description="leave out when associations name the patient")
    system: Text = Field(
        description="URI of the identifier system; with `systems`, that of associations that name none"
    )
    authority: str = Field(default="", description="HL7 v2 assigning authority (PID-3.4)")
    type: str = Field(default="MR", description="HL7 v2 identifier type code, table 0203 (PID-3.5)")
    subject: Literal["identifier", "reference"] = Field(
        default="identifier", description="logical identifier or Patient/id"
    )
    strip: list[Text] = Field(default=[], description="prefixes of barcodes to take off, the longest that fits, once")
    pattern: str = Field(default="", description="regular expression the whole identifier must match; else held")
    check: str = Field(default="", description="scheme of the check digit, see below; an identifier that fails is held")
    systems: PatientSystems | None = Field(default=None, description="where the export has several identifier systems")


class Identified(Table):
    """A device, operator, location or encounter: a column or a fixed value, with its identifier system."""

    column: Text | None = None
    fixed: Text | None = None
    system: str = Field(default="", description="URI of the identifier system")
    authority: str = Field(default="", description="HL7 v2 assigning authority or namespace")
    strip: list[Text] = Field(default=[], description="prefixes of barcodes to take off, the longest that fits, once")
    check: str = Field(default="", description="scheme of the check digit, see below; an identifier that fails is held")


class Device(Identified):
    """The monitor: a column or a fixed value, with its identifier system."""

    change_seconds: int = Field(
        default=60,
        ge=0,
        le=86_400,
        description="two patients on one device closer together than this are told (patients-close-together); 0: never",
    )


class PatientCategory(Table):
    """Adult, child, infant or neonate: it chooses the plausibility band."""

    column: Text | None = None
    values: dict[str, Category] = Field(default={}, description="text in the column = category")
    fixed: Category | None = None


class Absent(Table):
    """A token that means: there is no value."""

    reason: AbsentReason
    meaning: Words | Literal[""] = Field(default="", description="what the monitor means by it, in words")


class Site(Table):
    """Body site from a column."""

    column: Text
    values: dict[str, Text] = Field(description="text in the column = site key of the vocabulary")


class Method(Table):
    """Method of measuring from a column."""

    column: Text
    values: dict[str, Text] = Field(description="text in the column = method key of the vocabulary")


class Quality(Table):
    """Signal quality from a column: what the monitor itself thinks of the value."""

    column: Text
    values: dict[str, Literal["good", "questionable", "invalid"]] = Field(
        description="text in the column = what it means; a blank cell says nothing, any other text is held"
    )


class Qualifier(Table):
    """What else there is to know of a blood pressure: from a column, or the same for the whole export."""

    column: Text | None = Field(default=None, description="the column that tells it")
    values: dict[str, Text] = Field(default={}, description="text in the column = its key, from the table below")
    fixed: Text | None = Field(default=None, description="one key for the whole export, instead of a column")


class VitalSource(Table):
    """Where one vital stands and how it is read."""

    column: Text | None = Field(default=None, description="wide layout")
    labels: list[Text] = Field(default=[], description="long layout: texts of the label column that mean this vital")
    pattern: str = Field(
        default="", description="regular expression with named groups; the group named as this vital is read"
    )
    unit: Text | None = Field(default=None, description="fixed unit, in UCUM or a usual spelling")
    unit_column: Text | None = Field(default=None, description="wide layout: the column that holds the unit")
    unit_in_text: bool = Field(default=False, description="the unit stands behind the number in the cell")
    units: dict[str, Text] | list[Text] = Field(default=[], description="unit texts accepted from a column or the text")
    record_unit: Text | None = Field(
        default=None, description="UCUM unit of the record; default: the vocabulary's first"
    )
    decimals: int | None = Field(
        default=None, ge=0, le=4, description="decimals of a converted value; default: vocabulary"
    )
    method: Text | Method | None = Field(default=None, description="method key of the vocabulary, or a column")
    site: Text | Site | None = Field(default=None, description="site key of the vocabulary, or a column")
    quality: Quality | None = Field(default=None, description="signal quality from a column")
    codes: dict[str, Text] = Field(default={}, description="coded vitals: text = answer key of the vocabulary")
    absent: dict[str, AbsentReason | Absent] = Field(
        default={}, description="tokens that mean absent, besides the common ones"
    )
    comparators: bool | None = None


class Band(Table):
    """Limits in the unit of the vocabulary's plausibility table; a value outside hold is held, outside flag marked."""

    hold: tuple[Limit, Limit] | None = Field(default=None, strict=False, description="low and high; outside: held")
    flag: tuple[Limit, Limit] | None = Field(default=None, strict=False, description="low and high; outside: marked")


class Plausibility(Table):
    """Which limits apply; every limit needs clinical sign-off before use on real patients."""

    profile: Text = Field(default="proposal", description="name of a limit table in the vocabulary")
    limits: dict[Category, dict[str, Band]] = Field(default={}, description="overrides by category and vital")


class FhirOutput(Table):
    """Choices for FHIR R4 output."""

    profile: Literal["base", "us-core"] = "base"
    panel: bool = Field(default=False, description="add a vital-signs panel 85353-1 with hasMember for each set")
    provenance: bool = True
    bundle_limit: int = Field(default=500, ge=1, le=10000, description="entries in one bundle")


class OruOutput(Table):
    """Choices for HL7 v2 output."""

    version: Literal["2.5.1", "2.6"] = "2.5.1"
    sending_application: Text = "SPOTCHECK"
    sending_facility: str = ""
    receiving_application: str = ""
    receiving_facility: str = ""
    processing: Literal["P", "T", "D"] = "P"
    first_code: Literal["loinc", "mdc"] = Field(default="loinc", description="which triplet leads in OBX-3")
    orc: bool = False
    profile_identifier: str = Field(default="", description="MSH-21, an EI such as name^namespace^oid^ISO")
    patient_class: Literal["E", "I", "O", "P", "R", "B", "C", "N", "U"] = "U"


class Output(Table):
    """What the records look like."""

    status: Literal["final", "preliminary"] = "preliminary"
    failed: Literal["omit", "record"] = Field(
        default="omit", description="tried and failed measurements: leave out or record"
    )
    mark_questionable: bool = Field(default=True, description="flagged readings carry an interpretation (OBX-8 in v2)")
    keep_original: bool = Field(default=False, description="a note with the exported text and unit of converted values")
    fhir: FhirOutput = FhirOutput()
    oru: OruOutput = OruOutput()


class Mapping(Table):
    """One mapping file."""

    title: Words
    version: Words
    if TYPE_CHECKING:
        form: str
    else:
        form: Literal[tuple(forms.tables())] = Field(description="form of export")
    namespace: Text = Field(description="URI under which this site's record identifiers are unique")
    if TYPE_CHECKING:
        # Those that other modules ask for by name; an adapter asks for `table`.
        delimited: Delimited | None = None
        framed: Framed | None = None
        listing: Listing | None = None
    else:
        # One table for each form of export that there is.
        for _form, _model in forms.tables().items():
            __annotations__[_form] = _model | None
            vars()[_form] = Field(default=None, description=f"for the form {_form}")
        del _form, _model
    line: Line = Field(default=Line(), description="serial line, for gateway capture")
    numbers: Numbers = Numbers()
    time: Time
    patient: Patient
    device: Device = Device()
    operator: Identified = Identified()
    location: Identified = Identified()
    encounter: Identified = Identified()
    memory: Memory = Field(default=Memory())
    corrections: Literal["hold", "accept"] = Field(
        default="hold",
        description="with a ledger: a set that was recorded before and comes again with other values is held, or "
        "corrects what was recorded",
    )
    sequence: Text | None = Field(
        default=None, description="column with the monitor's own record number, part of the identity"
    )
    category: PatientCategory = PatientCategory()
    mode: Qualifier = Qualifier()
    cuff: Qualifier = Qualifier()
    position: Qualifier = Qualifier()
    notes: list[Text] = Field(default=[], description="free-text columns carried as notes")
    vitals: dict[str, VitalSource] = Field(min_length=1)
    absent: dict[str, AbsentReason | Absent] = Field(
        default={}, description='tokens that mean absent, for every vital; "" is a blank cell'
    )
    rules: dict[str, Literal["hold", "flag", "note", "off"]] = Field(
        {}, description="effect of a rule, where it may be set"
    )
    plausibility: Plausibility = Plausibility()
    output: Output = Output()

    @property
    def table(self) -> FormTable | None:
        """The table of its own form; None when it is missing."""
        found: FormTable | None = getattr(self, self.form)
        return found

    @property
    def long(self) -> bool:
        """Whether one row is one reading, and consecutive rows make a set."""
        return self.delimited is not None and self.delimited.layout == "long"

    @property
    def encoding(self) -> str:
        """Name of the codec of the export's text."""
        return self.table.encoding if self.table is not None else "utf-8"
