"""Who is meant by what an export says of a person instead of an identifier, such as name and birth date."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from gateway.identity.associations import Associations, Found
from gateway.identity.forms.csv import rows
from gateway.identity.reading import Issuers, Unusable, by_system, chosen, refuse
from gateway.mapping import model

Key = tuple[str, ...]


class Crosswalk(Associations):
    """Finds the one patient of whom all columns of a key agree, character by character.

    Args:
        people: key -> the patients it stands for, as system ("" for the mapping's own) and identifier.
        path: where they came from.
        sha256: hash of the file they came from, in lower-case hex digits.
    """

    def __init__(self, people: Mapping[Key, Sequence[tuple[str, str]]], *, path: str = "", sha256: str = "") -> None:
        super().__init__((), path=path, sha256=sha256)
        self._people = {key: tuple(dict.fromkeys(found)) for key, found in people.items()}
        self.count = sum(map(len, self._people.values()))
        self._nearly = Counter(part for key in people for part in _all_but_one(key))

    def who(self, key: Key) -> Found:
        """The patient of a key; none where no line agrees in all of it, or lines of several patients do."""
        found = self._people.get(key, ())
        if len(found) == 1:
            system, patient = found[0]
            return Found(patient, system=system)
        if found:
            return Found("", "crosswalk-several", f"The crosswalk names {len(found)} patients of whom all this is said")
        nearly = sum(self._nearly[part] for part in _all_but_one(key))
        what = f"; {nearly} of its lines differ in one column" if nearly else ""
        return Found("", "crosswalk-none", f"No line of the crosswalk agrees in all that is said of the patient{what}")


def _all_but_one(key: Key) -> list[tuple[int, Key]]:
    return [(at, key[:at] + key[at + 1 :]) for at in range(len(key))]


def crosswalk(text: str, where: str, mapping: model.Mapping, columns: Sequence[str], sha256: str) -> Crosswalk:
    """Read a crosswalk: CSV whose header names the columns of the key, `patient`, and `system` where it is needed.

    Args:
        text: the file's content.
        where: its name, for errors.
        mapping: whose identifier systems it must agree with.
        columns: the columns of the key.
        sha256: hash of the file.

    Raises:
        InputError: it cannot be used; names lines and columns, never their contents.
    """
    issuers = Issuers(mapping)
    faults: list[str] = []
    people: dict[Key, list[tuple[str, str]]] = {}
    names = [name.casefold() for name in columns]
    for line, cells in rows(text, where, [*names, "patient"], ("system",), "crosswalk", faults):
        empty = [name for name in (*names, "patient") if not cells[name]]
        if empty:
            faults.append(f"line {line}: {empty[0]} is empty")
            continue
        patient, system = cells["patient"], ""
        try:
            if "system" in cells:
                known = issuers.patients
                system = chosen([by_system(patient, cells["system"], known)], known, "patient")[1]
        except Unusable as fault:
            faults.append(f"line {line}: {fault}")
            continue
        people.setdefault(tuple(cells[name] for name in names), []).append((issuers.system(system), patient))
    refuse(faults, where, "lines", of="crosswalk")
    return Crosswalk(people, path=where, sha256=sha256)
