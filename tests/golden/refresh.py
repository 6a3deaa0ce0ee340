"""The demo exports with the records and reports they gave when a person last looked at them.

    python -m tests.golden.refresh            write what the demo exports give now into fixtures/demo/*/expected
    python -m tests.golden.refresh --check    name what differs, change nothing, exit with 1 when anything does

Run it on purpose, after reading what differs: every changed line is a change to what goes into a patient's record, and
belongs into the changelog. `tests/golden/test_goldens.py` fails until then.
"""

from __future__ import annotations

import json
import sys
import tempfile
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

from gateway.conversion import convert
from gateway.version import VERSION

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
NAMES = tuple(sorted(path.parent.name for path in DEMO.glob("*/mapping.toml")))
_REPORT = ("report.json", "findings.csv")


def exports_of(name: str) -> list[Path]:
    """The exports of a demo, in the order in which they are converted."""
    aside = {"associations.csv", "mapping.toml", "demo.toml"}
    return sorted(path for path in (DEMO / name).iterdir() if path.is_file() and path.name not in aside)


def export_of(name: str) -> Path:
    """The one export of a demo."""
    (export,) = exports_of(name)
    return export


def convert_demo(name: str, out: Path) -> None:
    """Convert a demo into both kinds of records, as `gateway demo` does."""
    folder = DEMO / name
    settings = tomllib.loads((folder / "demo.toml").read_text(encoding="utf-8"))
    associations = folder / "associations.csv"
    convert(
        exports_of(name),
        folder / "mapping.toml",
        out,
        as_="both",
        bundle=settings["bundle"],
        associations=associations if associations.exists() else None,
        received=datetime.fromisoformat(settings["received"]),
    )


def given(folder: Path) -> dict[str, bytes]:
    """What a result holds, by file: records byte by byte, the report without what changes from run to run."""
    paths = [*folder.glob("fhir/*"), *folder.glob("oru/*"), *(folder / name for name in _REPORT)]
    texts = {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(paths)}
    for name, data in texts.items():
        if name == "report.json":
            texts[name] = _lasting(json.loads(data))
        elif name.startswith("fhir/"):
            # The version of the gateway stands in Provenance.
            texts[name] = data.replace(f"spot-check gateway {VERSION}".encode(), b"spot-check gateway VERSION")
    return texts


def _lasting(report: dict[str, Any]) -> bytes:
    """The report without times of the run, the gateway's version and the edition of the time zones installed."""
    for key in ("started", "finished", "gateway"):
        del report["batch"][key]
    del report["batch"]["editions"]["IANA time zones"]
    del report["seconds"]
    for file in report["batch"]["files"]:
        # The length of a file with Provenance follows the length of the version.
        del file["bytes"]
    return (json.dumps(report, indent=1, ensure_ascii=False) + "\n").encode()


def expected(name: str) -> dict[str, bytes]:
    """What was agreed on for a demo, by file."""
    folder = DEMO / name / "expected"
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


def refresh(name: str, *, check: bool) -> list[str]:
    """Names of the files that differ; they are written unless `check`."""
    with tempfile.TemporaryDirectory() as folder:
        convert_demo(name, Path(folder) / "out")
        now = given(Path(folder) / "out")
    before = expected(name)
    differing = sorted(file for file in now.keys() | before.keys() if now.get(file) != before.get(file))
    for file in differing if not check else ():
        path = DEMO / name / "expected" / file
        if file in now:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(now[file])
        else:
            path.unlink()
    return [f"{name}/expected/{file}" for file in differing]


def main(arguments: list[str]) -> int:
    """Run from the command line."""
    if arguments not in ([], ["--check"]):
        print(__doc__)
        return 2
    check = arguments == ["--check"]
    differing = [file for name in NAMES for file in refresh(name, check=check)]
    print("\n".join(f"{'differs' if check else 'written'}: {file}" for file in differing) or "nothing differs")
    return 1 if check and differing else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
