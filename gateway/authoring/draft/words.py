"""What a draft knows: usual names of columns, labels of vitals, words of errors, and shapes of cells."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from functools import cache

from gateway.vocabulary import unit_for, vitals

# What columns are usually called, folded as by `folded`; common practice, no source.
_WORDS = {
    "time": "time date datetime taken when heure timestamp measured measuredat datum uhrzeit zeit recorded fecha hora "
    "data ora zeitpunkt datetimetaken",
    "patient": "patient patientid patientno patientnumber patientnr mrn pid dossier caseid caseno medicalrecordnumber "
    "hospitalnumber hospitalno patientenid patientennummer fallnummer paciente paziente",
    "device": "device deviceid monitor monitorid serial serialno serialnumber sn appareil geraet gerat deviceserial "
    "equipment",
    "operator": "staff nurse operator soignant user userid clinician pflegekraft staffid operatorid",
    "location": "ward location room bed place station unitname zimmer bett chambre",
    "notes": "note notes remark remarks comment comments remarque bemerkung",
    "label": "parameter vital vitalsign measurement mesure test label observation type messung parametre messwert",
    "value": "value valeur wert result reading valor valore resultat ergebnis",
    "unit": "unit units unite einheit uom unidad unita",
}
ROLES = {word: role for role, words in _WORDS.items() for word in words.split()}
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
def _labels() -> dict[str, list[str]]:
    """Usual labels, folded -> keys of the vitals they are usual for."""
    found: dict[str, list[str]] = defaultdict(list)
    for key, vital in vitals().items():
        for label in dict.fromkeys(folded(text) for text in (key, vital.title, *vital.labels)):
            found[label].append(key)
    return dict(found)


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
