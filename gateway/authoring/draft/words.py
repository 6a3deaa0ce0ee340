"""What a draft knows: usual names of columns, labels of vitals, words of errors, and shapes of cells."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections import defaultdict
from functools import cache
from importlib import resources

from gateway.vocabulary import unit_for, vitals

PRESSURES = frozenset({"nibp", "nbp", "bp", "ta", "bloodpressure", "pressure", "nibpsdm", "nibpsd", "rr", "pa"})
_ERROR_WORDS = (
    "err error fail failed cuff leak low high hi lo motion off na n/a nan none null inv invalid timeout weak noise "
    "artifact lead leadoff probe sensor search searching over under"
)
ERRORS = frozenset(_ERROR_WORDS.split())
NUMBER = re.compile(r"[+-]?[0-9]{1,4}(?:[.,][0-9]{1,3})?", re.ASCII)
PAIR = re.compile(r"[0-9]{2,3} ?/ ?[0-9]{2,3}(?P<mean> ?\( ?[0-9]{2,3}\))?", re.ASCII)
WITH_UNIT = re.compile(r"[+-]?[0-9]{1,4}(?:[.,][0-9]{1,3})? ?(?P<unit>[^0-9\s.,+-][^0-9]{0,9})", re.ASCII)
SHORT_CODE = re.compile(r"[A-Za-z]{1,3}[ -]?[0-9]{1,3}", re.ASCII)
MARKS = re.compile(r"[-*?#._/=+]{1,8}", re.ASCII)
SENTINELS = frozenset({"-1", "888", "999", "9999", "-999", "-9999"})


def folded(text: str) -> str:
    """A text without accents, case, marks and blanks."""
    plain = "".join(each for each in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(each))
    return "".join(each for each in plain if each.isalnum() or each == "%")


@cache
def _languages() -> list[dict[str, dict[str, list[str]]]]:
    """Usual names of columns and labels of vitals, for each language."""
    text = resources.files("gateway.authoring.draft").joinpath("labels.toml").read_text(encoding="utf-8")
    return list(tomllib.loads(text).values())


@cache
def roles() -> dict[str, str]:
    """Usual names of columns, folded -> what such a column holds; of two meanings the first language's."""
    found: dict[str, str] = {}
    for language in _languages():
        for role, names in language["columns"].items():
            for name in names:
                found.setdefault(folded(name), role)
    return found


@cache
def _labels() -> dict[str, list[str]]:
    """Usual labels and LOINC codes, folded -> keys of the vitals they are usual for."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for key, vital in vitals().items():
        for text in (key, vital.title, *vital.labels, *[coding.code for coding in vital.codings]):
            found[folded(text)][key] = None
    for language in _languages():
        for key, labels in language["vitals"].items():
            for text in labels:
                # A label that is one vital's already is not made doubtful by another language.
                if key in found.get(folded(text), ()) or folded(text) not in found:
                    found[folded(text)][key] = None
    return {label: list(keys) for label, keys in found.items()}


def label_of(name: str) -> tuple[list[str], str]:
    """The vitals a label is usual for, and the unit text that stands behind it in brackets or as its last word."""
    labels = _labels()
    if len(name) > 40:
        return [], ""
    if folded(name) in labels:
        return labels[folded(name)], ""
    behind = re.fullmatch(r"(.*?\S)\s*[\[(]([^\[\]()]{1,12})[\])]", name) or re.fullmatch(
        r"(.*?\S)[\s_]+(\S{1,8})", name
    )
    if behind and folded(behind[1]) in labels and unit_for(behind[2]) is not None:
        return labels[folded(behind[1])], behind[2]
    return [], ""


def has_unit(cell: str) -> bool:
    """Whether a cell is a number with a unit behind it."""
    found = WITH_UNIT.fullmatch(cell)
    return found is not None and unit_for(found["unit"]) is not None


def words_of(line: str) -> str:
    """The shape of a line: usual labels and units stay, other words become W, digits 9."""
    words = []
    for word in line.split():
        bare = word.strip("():,;")
        if folded(bare) in _labels() or unit_for(bare) is not None or folded(bare) in PRESSURES:
            words.append(word if word.isprintable() and not re.search("[0-9]{3}", word) else "W")
        elif not re.search(r"[^\W\d_]", word):
            shape = re.sub(r"[0-9]+", "9", word)
            words.append(shape if re.fullmatch(r"[9:/.,()\[\]%*?#=+|-]{1,20}", shape) else "W")
        else:
            words.append("W")
    return " ".join(words)
