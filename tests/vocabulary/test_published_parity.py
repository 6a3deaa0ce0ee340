"""A vital that the verifier does not know is held for ever: both tables have it, and both say the same of it.

The verifier's table is written from the published profiles and never reads the vocabulary, so that a slip there is
noticed. Here, outside both, the two are laid side by side; a new vital or panel is checked by being in the vocabulary.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import pytest

from gateway import vocabulary
from gateway.verify import published
from gateway.verify.published import BY_KEY, Published
from gateway.vocabulary import Panel, Vital, panels, vitals
from gateway.vocabulary.tables import CATEGORIES

_PACKAGE = Path(str(resources.files("gateway"))).parent
VERIFIER = Path(published.__file__).relative_to(_PACKAGE)
VOCABULARY = Path("gateway/vocabulary/vitals.toml")
KNOWN: dict[str, Vital | Panel] = {**panels(), **vitals()}
VITALS_PAGE = (_PACKAGE / "docs" / "reference" / "vitals.md").read_text(encoding="utf-8")


def row_of(key: str) -> Published:
    """The verifier's row of a vital or panel."""
    if key not in BY_KEY:
        pytest.fail(
            f"{VERIFIER} has no row for '{key}' of {VOCABULARY}, so that each of its records would be held: "
            f"add one to ROWS, written from the published profile and not from the vocabulary"
        )
    return BY_KEY[key]


def faults_of(known: Vital | Panel, row: Published) -> Iterator[str]:
    """Where the two tables disagree, in words."""

    def same(what: str, here: object, there: object) -> Iterator[str]:
        if here != there:
            yield f"{what}: {VOCABULARY} has {here!r}, {VERIFIER} has {there!r}"

    yield from same("category", known.category.code, row.category)
    if isinstance(known, Panel) or not known.panel:  # a component has no profile of its own
        yield from same("profile", known.profile, row.profile)
        yield from same("US Core profile", known.us_core, row.us_core)
    if known.mdc is not None and known.mdc.code not in row.mdc:
        yield f"MDC: {VOCABULARY} has {known.mdc.code}, {VERIFIER} knows {row.mdc}"
    required, *beside = (coding.code for coding in known.codings)
    if required not in row.codes:
        yield f"LOINC: {VOCABULARY} requires {required}, {VERIFIER} {row.codes}"
    if strange := set(beside) - set(row.beside) - set(row.us_core_codes):
        yield f"LOINC beside: {VERIFIER} does not know {sorted(strange)}"
    if isinstance(known, Panel):
        codes = {vitals()[member].codings[0].code for member in known.members}
        needed = {vitals()[member].codings[0].code for member in known.members if vitals()[member].panel_required}
        yield from same("members", codes, {*row.members, *row.optional})
        yield from same("required members", needed, set(row.members))
        return
    yield from same("kind", known.kind, row.kind)
    for unit in known.units:
        allowed = tuple(code.code for code in known.codings_in(unit))[:1]
        if not any(code in row.codes and unit in published.units_for(row, code) for code in allowed):
            yield f"unit {unit} with LOINC {allowed[0]}: {VERIFIER} allows {row.units}"
        mdc = known.mdc_unit or vocabulary.units()[unit].mdc
        if mdc is None or {mdc.code} != published.mdc_units(row, unit):
            yield f"unit {unit}: MDC {mdc}, {VERIFIER} has {set(published.mdc_units(row, unit))}"
    for key, site in known.sites.items():
        if site.loinc is not None and site.loinc.code not in row.beside:
            yield f"site {key}: {VERIFIER} does not know LOINC {site.loinc.code} beside {row.codes}"
        if site.mdc is not None and site.mdc.code not in row.mdc:
            yield f"site {key}: {VERIFIER} does not know MDC {site.mdc.code}"
        if site.snomed is not None and site.snomed.code not in published.SITES.get(row.key, ()):
            yield f"site {key}: SITES of {VERIFIER} does not know {site.snomed.code} for {row.key}"
    for key, method in known.methods.items():
        if method.snomed is not None and method.snomed.code not in published.METHODS:
            yield f"method {key}: METHODS of {VERIFIER} does not know {method.snomed.code}"
    yield from same("answers", {answer.coding.code for answer in known.answers.values()}, set(row.answers))
    for category in CATEGORIES if known.units else ():
        limits = vocabulary.limits("proposal", category, known.key)
        if limits is None or limits.hold is None or limits.flag is None:
            yield f"limits: the profile proposal has none of both kinds for {category}"
    if f"| {known.title} |" not in VITALS_PAGE and f"`{known.key}`" not in VITALS_PAGE:
        yield "documentation: docs/reference/vitals.md does not name it"


@pytest.mark.parametrize("key", KNOWN)
def test_the_verifier_knows_every_vital_and_panel(key: str) -> None:
    faults = list(faults_of(KNOWN[key], row_of(key)))
    assert not faults, f"the tables disagree on '{key}':\n" + "\n".join(faults)


def test_the_verifier_knows_nothing_else() -> None:
    left = sorted(set(BY_KEY) - set(KNOWN))
    assert not left, f"{VERIFIER} has rows for {left}, which {VOCABULARY} does not know: a slip in a key, or left over"


def test_the_verifier_reads_its_own_table_only() -> None:
    source = Path(published.__file__).read_text()
    assert "import gateway" not in source
    assert "from gateway" not in source


@pytest.mark.parametrize("key", sorted(BY_KEY))
def test_a_row_of_the_verifier_that_is_missing_is_named(key: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(BY_KEY, key)
    with pytest.raises(pytest.fail.Exception, match=rf"{VERIFIER} has no row for '{key}' of {VOCABULARY}"):
        row_of(key)


def test_what_is_known_of_sites_and_methods_is_used() -> None:
    for key, codes in published.SITES.items():
        vital = vitals().get(key) or vitals()["systolic"]
        known = {site.snomed.code for site in vital.sites.values() if site.snomed}
        assert codes == known, key
    assert {
        method.snomed.code for vital in vitals().values() for method in vital.methods.values() if method.snomed
    } == (published.METHODS)


def test_no_report_says_that_something_is_from_memory() -> None:
    """How sure a value is stands beside it in its data file, for who maintains it; a report goes to who treats."""
    for profile in vocabulary.profiles():
        for key in vitals():
            limits = vocabulary.limits(profile, "unknown", key)
            assert limits is None or "memory" not in limits.source, key
    agreed = list((_PACKAGE / "fixtures" / "demo").glob("*/expected/report.json"))
    assert len(agreed) > 3
    for path in agreed:
        assert "from memory" not in path.read_text(encoding="utf-8"), path


def test_each_edition_is_named_once() -> None:
    """What two places could say differently of US Core they did: 8.0.1 in one, 9.0.0 in the other."""
    edition = vocabulary.editions()["US Core"].partition(";")[0]
    found: dict[str, Path] = {}
    for path in [*(_PACKAGE / "gateway").rglob("*.py"), *(_PACKAGE / "gateway").rglob("*.toml"),
                 *(_PACKAGE / "docs").rglob("*.md"), *(_PACKAGE / "tests").rglob("*.py")]:  # fmt: skip
        for named in re.findall(r"US Core ([0-9]+\.[0-9]+\.[0-9]+)", path.read_text(encoding="utf-8")):
            found.setdefault(named, path)
    found.pop("3.1.1", None)
    assert list(found) == [edition], found
