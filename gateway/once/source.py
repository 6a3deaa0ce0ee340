"""What makes a measurement the same measurement, whoever it is charted for.

**Place.** A device measures one patient at a time, so namespace, device and the time that the device's own clock
printed are the place of a measurement; where two sets both state the monitor's own number, that must be the same too.
A time known to the day only is no place.

**Device known.** Two sets at one place are the same measurement when at least one vital says the same in both, whatever
else was corrected. A single vital is enough because chance plays no part: to be held wrongly, two patients would have
to be measured on one device within one printed time (a second, or a minute), *and* have a value in common. Nobody
changes cuff, probe and patient within a second. Within a minute it is rare but can be done: if it happens once in 500
sets (a guess, no source), and the two share one of pressure, pulse and saturation by chance (1 - (1 - 0.016)(1 - 0.026)
(1 - 0.019)(1 - 0.14) = 0.19), 1 set in 2,600 is held without need, and a person releases it; were it recorded, nobody
would ever see that it may stand in the wrong chart. Sets of which no vital says the same are different measurements,
and are told as patients close together.

**No device known.** Then the printed time is all there is of a place, and sets of many patients share it. Two sets are
the same measurement when the printed time is the same, not coarser than a minute, the contents are wholly equal, and
they say so much that chance is improbable. For a vital that is spread about its mean like a normal distribution with
standard deviation `sd` and is written in steps of `step`, two people have the same value with the chance

    p = step / (2 * sqrt(pi) * sd)

(the density of the difference, which has the deviation sqrt(2) * sd, at 0, times the step). The product of the chances
of the vitals that a set states, times the share of a minute that its printed time covers (1/60 where seconds are
printed: two patients meet there so much more rarely), must be below `BOUND`, 1 in 100,000. The deviations below are
round figures for adult in-patients (common practice, no source). Values that follow from others count for nothing:
mean pressure, body mass index, a second pulse rate. So do coded answers and what is not in the table.

Worked: pressure, pulse, saturation and temperature have 0.016 * 0.026 * 0.019 * 0.14 * 0.056 = 6.2e-8, and count.
Saturation and pulse have 2.7e-3: two patients share them every day, so they never count with minutes (2.7e-3) nor with
seconds (4.4e-5). A hospital that charts 5,000 sets a day without a device, in 960 busy minutes, has 5.2 of them in a
minute, 11 pairs in a minute and 4 million pairs a year: with full sets one false hold in four years, and with sets that
just stay below the bound 40 a year. What it costs: the same small set for two patients is not noticed where no device
is known. The documents say so among the known limits.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import cache
from typing import NamedTuple, Protocol

from gateway.model import Outcome, Reading
from gateway.vocabulary import vitals

BOUND = 1e-5
"""Chance above which equal contents without a device are taken for two measurements."""

_PRINT = 5
_ABSENT_BIT = 0x80
_KEPT = 100_000

CHANCES: Mapping[str, float] = {
    "systolic": 0.016,  # sd 18 mmHg, step 1
    "diastolic": 0.026,  # sd 11 mmHg, step 1
    "heart_rate": 0.019,  # sd 15 /min, step 1
    "spo2": 0.14,  # sd 2 %, step 1
    "temperature": 0.056,  # sd 0.5 Cel, step 0.1
    "respiratory_rate": 0.094,  # sd 3 /min, step 1
    "weight": 0.0016,  # sd 18 kg, step 0.1
    "height": 0.028,  # sd 10 cm, step 1
    "glucose": 0.008,  # sd 35 mg/dL, step 1
    "pain": 0.14,  # sd 2, step 1
}
"""Chance that two people say the same, by vital, from the formula above; common practice, no source."""


class Key(NamedTuple):
    """What identifies a set, where and for whom it was measured, and what it says.

    Attributes:
        wall: the time its device's clock printed, in seconds since 1970-01-01T00:00:00 of that clock.
        identity: digest of the source identity, 16 bytes.
        content: digest of the set's texts, 8 bytes.
        export: position of the export in the batch, from 1; 0 for a set of an earlier run that is taken up again.
        line: line of the set's first entry, from 1.
        device: identifier of the device, "" when there is none.
        sequence: the monitor's own number of the entry, "" when it is not mapped.
        patient: digest of the patient, 8 bytes.
        how: how the patient was established: "column", "scan", "association", "person" or "merge".
        said: prints of the readings that are to be recorded (see `Prints`); b"" when nothing is.
        step: seconds to which the printed time is known; 86400 for a day.
        telling: so much is said that another patient does not say the same by chance (see above).
    """

    wall: int
    identity: bytes
    content: bytes
    export: int
    line: int
    device: str = ""
    sequence: str = ""
    patient: bytes = b""
    how: str = ""
    said: bytes = b""
    step: int = 1
    telling: bool = False


class Older(NamedTuple):
    """An earlier version of a set.

    Attributes:
        readings: what was recorded, by vital (`canonical`).
        keys: keys of its records.
        taken_back: a person took it back, whatever was recorded of the set since.
        replaced: number of the run that recorded the version after it.
    """

    readings: dict[str, str]
    keys: frozenset[str]
    taken_back: bool
    replaced: int


class Earlier(NamedTuple):
    """What the ledger holds of a set that was recorded by an earlier run.

    Attributes:
        identity: digest of the source identity, 16 bytes, as it was recorded.
        run: number of the run that recorded it.
        day: day on which it was recorded, ISO 8601.
        readings: what was recorded, by vital (`canonical`).
        keys: keys of its records.
        retracted: it has been retracted since.
        revision: 1 for the first, then one more for each revision.
        versions: the earlier ones, the oldest first.
        read: the run that first read the export it is compared with; 0 where there is none.
        moved: it was retracted, and a person has assigned the measurement to another patient since.
        chain: names the measurement through its life, 16 bytes: the identity of the first set of it.
        wrong_patient: it was retracted because it was the wrong patient's.
        preliminary: vitals that were given out as preliminary only.
        epoch: the recorded time in seconds since 1970-01-01T00:00:00Z.
    """

    identity: bytes
    run: int
    day: str
    readings: dict[str, str]
    keys: frozenset[str]
    retracted: bool = False
    revision: int = 1
    versions: tuple[Older, ...] = ()
    read: int = 0
    moved: bool = False
    chain: bytes = b""
    wrong_patient: bool = False
    preliminary: frozenset[str] = frozenset()
    epoch: int = 0

    @property
    def since(self) -> bool:
        """Whether it was recorded by the run that read the export first, or by a later one."""
        return 0 < self.read <= self.run

    @property
    def ever(self) -> list[dict[str, str]]:
        """What it says, and what it has said."""
        return [self.readings, *(each.readings for each in self.versions)]

    @property
    def taken_back(self) -> list[dict[str, str]]:
        """What versions said that a person took back."""
        return [each.readings for each in self.versions if each.taken_back]

    @property
    def outdated(self) -> list[dict[str, str]]:
        """What the others said that had not been corrected when the export was first read."""
        return [each.readings for each in self.versions if 0 < self.read < each.replaced and not each.taken_back]

    @property
    def withdrawn(self) -> frozenset[str]:
        """Keys of records that were taken back, and are not among those that stand."""
        return frozenset().union(*(each.keys for each in self.versions if each.taken_back)) - self.keys


class Other(NamedTuple):
    """Where the same measurement is current for another patient, and how that patient was established.

    Attributes:
        how: as in `Key`; "" for not known.
        export: position of the export in the batch, 0 for the held sets of earlier runs and for what a run recorded.
        line: its line there.
        run: the run that recorded it, 0 for a set of this batch.
        day: day of that run.
        merged: its patient is the same one, under an identifier that has been merged since.
    """

    how: str
    export: int
    line: int
    run: int = 0
    day: str = ""
    merged: bool = False


class Close(NamedTuple):
    """A set of another patient on the same device, so many seconds away; the place as in `Other`."""

    seconds: int
    export: int
    line: int
    run: int = 0


class Seen(NamedTuple):
    """What is known of a set.

    Attributes:
        export: where the same identity stood first, 0 when an earlier run recorded it.
        line: its line there.
        same: whether it said the same.
        covered: whether it said all that is to be recorded of the set, and perhaps more.
        apart: whether it said other vitals only, so that the two look like parts of one set.
        undecided: nobody can tell whether it is new.
        earlier: what an earlier run recorded of it.
        fresh: the set itself was not seen before; the attributes below are all there is to say.
        other: the same measurement is current for another patient.
        blocked: the same measurement was another patient's, and was retracted for another reason than the patient.
        close: another patient is close on the same device.
        chain: names the measurement, where it was another patient's and was taken back.
    """

    export: int = 0
    line: int = 0
    same: bool = False
    undecided: bool = False
    earlier: Earlier | None = None
    covered: bool = False
    apart: bool = False
    fresh: bool = False
    other: Other | None = None
    blocked: Other | None = None
    close: Close | None = None
    chain: bytes | None = None

    def within(self, lines: set[tuple[int, int]]) -> bool:
        """Whether all of it is about these places (export, line) of a batch."""
        if self.earlier is not None or self.chain is not None or self.blocked is not None or self.undecided:
            return False
        places = [(each.export, each.line) for each in (self.other, self.close) if each is not None]
        if not self.fresh:
            places.append((self.export, self.line))
        return lines.issuperset(places)


class Standing(Protocol):
    """A set as the ledger holds it."""

    @property
    def identity(self) -> bytes: ...  # noqa: D102
    @property
    def device(self) -> str: ...  # noqa: D102
    @property
    def wall(self) -> int: ...  # noqa: D102
    @property
    def patient(self) -> str: ...  # noqa: D102
    @property
    def patient_system(self) -> str: ...  # noqa: D102
    @property
    def how(self) -> str: ...  # noqa: D102
    @property
    def sequence(self) -> str: ...  # noqa: D102
    @property
    def content(self) -> bytes: ...  # noqa: D102
    @property
    def readings(self) -> str: ...  # noqa: D102
    @property
    def keys(self) -> str: ...  # noqa: D102
    @property
    def chain(self) -> bytes | None: ...  # noqa: D102
    @property
    def run(self) -> int: ...  # noqa: D102
    @property
    def recorded_at(self) -> datetime: ...  # noqa: D102
    @property
    def state(self) -> str: ...  # noqa: D102
    @property
    def reason(self) -> str: ...  # noqa: D102
    @property
    def revision(self) -> int: ...  # noqa: D102
    @property
    def status(self) -> str: ...  # noqa: D102
    @property
    def epoch(self) -> int: ...  # noqa: D102


class Version(Protocol):
    """What a set was before a run changed it."""

    @property
    def replaced_run(self) -> int: ...  # noqa: D102
    @property
    def readings(self) -> str: ...  # noqa: D102
    @property
    def keys(self) -> str: ...  # noqa: D102
    @property
    def status(self) -> str: ...  # noqa: D102
    @property
    def state(self) -> str: ...  # noqa: D102


_ABSENT = "absent:"


def canonical(reading: Reading) -> str:
    """What a reading says, however its export put it: two readings that say the same have the same text."""
    if reading.outcome is Outcome.ABSENT:
        return f"{_ABSENT}{reading.reason}"
    beside = [*(each for each in (reading.site, reading.method) if each), *(f"{a}:{b}" for a, b in reading.qualifiers)]
    qualifiers = "".join(f" {each}" for each in beside)
    if reading.code:
        return reading.code + qualifiers
    return f"{reading.comparator}{reading.value} {reading.unit}{qualifiers}"


def is_absent(text: str) -> bool:
    """Whether a text of `canonical` says that nothing could be measured."""
    return text.startswith(_ABSENT)


def patient_digest(system: str, value: str) -> bytes:
    """A patient as `Key.patient` holds it."""
    return hashlib.blake2b(f"{system}\x1f{value}".encode("utf-8", "surrogatepass"), digest_size=8).digest()


class Prints:
    """Prints of readings, made once for each reading object: most of a set is look-ups.

    A print has 5 bytes: the first bit is set in that of a vital that could not be measured, the others of the first
    byte number the vital.
    """

    def __init__(self) -> None:
        self._prints: dict[Reading, bytes] = {}

    def of(self, readings: Iterable[Reading]) -> bytes:
        """The prints of readings, one after the other."""
        known = self._prints
        try:
            return b"".join([known[reading] for reading in readings])
        except KeyError:
            if len(known) > _KEPT:
                known.clear()
            return b"".join([known.get(reading) or self._learn(reading) for reading in readings])

    def _learn(self, reading: Reading) -> bytes:
        made = self._prints[reading] = _print(reading.vital, canonical(reading))
        return made


def stated(readings: str) -> dict[str, str]:
    """The readings of a set as the ledger keeps them, by vital."""
    return {vital: text for vital, _, text in (part.partition("=") for part in readings.split(";") if part)}


def prints_of(readings: Mapping[str, str]) -> bytes:
    """The prints of recorded readings, by vital, as `Prints` makes them."""
    return b"".join([_print(vital, text) for vital, text in readings.items()])


def _print(vital: str, text: str) -> bytes:
    made = hashlib.blake2b(f"{vital}={text}".encode("utf-8", "surrogatepass"), digest_size=_PRINT - 1).digest()
    return bytes([_number_of(vital) | (_ABSENT_BIT if is_absent(text) else 0)]) + made


@cache
def _number_of(vital: str) -> int:
    """A number for a vital below the bit of the absent ones; 0 for one that is in the vocabulary no longer."""
    known = list(vitals())
    return known.index(vital) + 1 if vital in known else 0


def apart(one: bytes, other: bytes) -> bool:
    """Whether prints of two parts of a set have no vital in common, and each has one."""
    numbers, others = ({each & ~_ABSENT_BIT for each in prints[::_PRINT]} for prints in (one, other))
    return bool(numbers) and bool(others) and numbers.isdisjoint(others)


def telling(readings: Iterable[Reading], step: int) -> bool:
    """Whether a set without a device says so much that another patient's does not say the same by chance."""
    if step > 60:
        return False
    chance = step / 60
    for vital in {reading.vital for reading in readings if reading.outcome is Outcome.RECORDED}:
        chance *= CHANCES.get(vital, 1.0)
    return chance < BOUND


def agree(one: bytes, other: bytes) -> bool:
    """Whether prints have a value in common; that two sets lack the same makes them no less different."""
    return any(each[0] < _ABSENT_BIT for each in _each(one) & _each(other))


def states_a_value(prints: bytes) -> bool:
    """Whether there is a value among prints."""
    return any(each < _ABSENT_BIT for each in prints[::_PRINT])


def covers(one: bytes, other: bytes) -> bool:
    """Whether all of `other` is among `one`."""
    return _each(one).issuperset(_each(other))


def _each(prints: bytes) -> set[bytes]:
    return {prints[at : at + _PRINT] for at in range(0, len(prints), _PRINT)}


def same_measurement(one: Key, other: Key) -> bool:
    """Whether two sets of one printed time are the same measurement (see above); their patients do not matter."""
    if one.device != other.device or not states_a_value(one.said) or not states_a_value(other.said):
        return False
    if one.sequence and other.sequence and one.sequence != other.sequence:
        return False
    if one.device:
        return one.step <= 60 and agree(one.said, other.said)
    return one.telling and one.content == other.content


def given_out_as_preliminary(versions: Iterable[Version | Standing]) -> frozenset[str]:
    """The vitals that were given out as preliminary only; a version gave out what was not said before it.

    Args:
        versions: all versions of a set, the oldest first.
    """
    found: set[str] = set()
    before: dict[str, str] = {}
    for version in versions:
        readings = stated(version.readings)
        given_out = {vital for vital, text in readings.items() if before.get(vital) != text}
        if version.status == "preliminary":
            # What was final once stays so, whatever a later mapping calls its correction.
            found |= given_out - before.keys()
        else:
            found -= given_out
        before = {} if version.state == "retracted" else readings
    return frozenset(found)
