"""A vital that the verifier does not know is held for ever: both tables have it, and both say the same of it.

The verifier's table is written from the published profiles and never reads the vocabulary, so that a slip there is
noticed. Here, outside both, the two are laid side by side; a new vital or panel is checked by being in the vocabulary.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import pytest

from gateway.verify import published
from gateway.verify.published import BY_KEY, Published
from gateway.vocabulary import Panel, Vital, panels, vitals

_PACKAGE = Path(str(resources.files("gateway"))).parent
VERIFIER = Path(published.__file__).relative_to(_PACKAGE)
VOCABULARY = Path("gateway/vocabulary/vitals.toml")
KNOWN: dict[str, Vital | Panel] = {**panels(), **vitals()}


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
    for key, site in known.sites.items():
        if site.loinc is not None and site.loinc.code not in row.beside:
            yield f"site {key}: {VERIFIER} does not know LOINC {site.loinc.code} beside {row.codes}"
        if site.mdc is not None and site.mdc.code not in row.mdc:
            yield f"site {key}: {VERIFIER} does not know MDC {site.mdc.code}"


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
