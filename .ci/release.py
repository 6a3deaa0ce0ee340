"""The steps of a release, one command each: `./dev release STEP`. What they make is in dist/.

| step | makes |
| --- | --- |
| version X.Y.Z | the number in pyproject.toml and gateway/version.py, and a release of that name in the changelog |
| lock | docker/requirements.lock: every package of a deployment, in one version, with the hashes of its files |
| build | the source distribution and the wheel |
| sbom | sbom.cdx.json (CycloneDX): what a deployment from the lock file and the wheel consists of |
| licences | licences.csv: name, version and licence of each part, from the same environment |
| image | the container image, from base images that are named by digest; its own digest is in image.txt |
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any

REPOSITORY = Path(__file__).resolve().parents[1]
DIST = REPOSITORY / "dist"
UV = Path(sys.executable).with_name("uv")
LOCK = REPOSITORY / "docker" / "requirements.lock"
EXTRAS = ("postgresql", "s3", "sftp")
"""What a deployment has besides the base, as docker/Dockerfile installs it."""
BASE_IMAGE = "python:3.13-slim"
IMAGE = "spotcheck-gateway"


class ReleaseError(Exception):
    """A step that cannot be done: what, and what to do."""


def run(*words: str | Path, output: bool = False) -> str:
    """Run a program in the repository; what it printed, where that is asked for.

    Raises:
        ReleaseError: it is missing, or it failed.
    """
    try:
        done = subprocess.run(
            [*map(str, words)], cwd=REPOSITORY, check=True, text=True, stdout=subprocess.PIPE if output else None
        )
    except FileNotFoundError:
        raise ReleaseError(f"{words[0]} is not on this machine. Install it, and run the step again.") from None
    except subprocess.CalledProcessError as error:
        raise ReleaseError(f"{words[0]} ended with status {error.returncode}; it says why above.") from None
    return done.stdout or ""


def python(*words: str | Path) -> None:
    """Run a module with this Python."""
    run(sys.executable, "-m", *words)


# -- the number


def version(number: str, today: date | None = None, root: Path = REPOSITORY) -> None:
    """Give what is unreleased a number, in all three places.

    Raises:
        ReleaseError: the number is none, is there already, or there is nothing to be released.
    """
    if not re.fullmatch(r"\d+\.\d+\.\d+", number):
        raise ReleaseError(f"{number} is no version. Write three numbers, such as 1.2.0.")
    changelog = root / "CHANGELOG.md"
    text = changelog.read_text()
    if f"## [{number}]" in text:
        raise ReleaseError(f"CHANGELOG.md has a release {number} already. Choose a higher number.")
    head, mark, rest = text.partition("## [Unreleased]\n")
    if not mark or not rest.partition("\n## [")[0].strip():
        raise ReleaseError("CHANGELOG.md says of nothing under [Unreleased]. Write there what is new.")
    released = f"## [{number}] - {(today or datetime.now().astimezone().date()).isoformat()}\n"
    changelog.write_text(f"{head}{mark}\n{released}{rest}")
    for name, pattern in (("pyproject.toml", r'(?m)^version = "[^"]+"'), ("gateway/version.py", r'VERSION = "[^"]+"')):
        path = root / name
        before = path.read_text()
        word = pattern.removeprefix("(?m)^").partition(" ")[0]
        after, count = re.subn(pattern, f'{word} = "{number}"', before)
        if count != 1:
            raise ReleaseError(f"{name} has no line with the version, or several. Put it right by hand.")
        path.write_text(after)
    print(f"release {number}; look at the changes, commit them, and tag the commit v{number}")


# -- what is given out


def lock() -> None:
    """Settle every package of a deployment, for each Python and platform that the gateway runs on."""
    chosen = [word for extra in EXTRAS for word in ("--extra", extra)]
    run(
        UV, "pip", "compile", "pyproject.toml", *chosen, "--universal",
        "--python-version", "3.11", "--generate-hashes", "--quiet", "--no-header", "--output-file", LOCK,
    )  # fmt: skip
    print(f"{LOCK.relative_to(REPOSITORY)}: {len(locked(LOCK.read_text()))} packages")


def locked(text: str) -> dict[str, list[str]]:
    """Packages of a lock file, each with its hashes; one that is there for several platforms has all of them."""
    found: dict[str, list[str]] = {}
    name = ""
    for line in text.splitlines():
        if start := re.match(r"([A-Za-z0-9._-]+)(?:\[[^\]]*\])?==", line):
            name = start[1]
            found.setdefault(name, [])
        found.get(name, []).extend(re.findall(r"--hash=(sha256:[0-9a-f]{64})", line))
    return found


def build() -> None:
    """Build the source distribution and the wheel, from nothing that was built before."""
    for old in (*DIST.glob("*.whl"), *DIST.glob("*.tar.gz")):
        old.unlink()
    python("build", "--no-isolation", "--outdir", DIST, ".")
    for made in sorted((*DIST.glob("*.whl"), *DIST.glob("*.tar.gz"))):
        print(f"{made.name}: {made.stat().st_size:,} bytes")


@contextmanager
def deployment() -> Iterator[Path]:
    """The Python of an environment with what a deployment has: the lock file, and the wheel in dist/.

    Raises:
        ReleaseError: there is no wheel, or something cannot be installed.
    """
    wheels = sorted(DIST.glob("*.whl"))
    if len(wheels) != 1:
        raise ReleaseError("dist/ has no wheel, or several. Run ./dev release build first.")
    with tempfile.TemporaryDirectory(prefix="deployment-") as folder:
        # What installs is not part of what runs: the environment has neither pip nor setuptools.
        run(UV, "venv", "--quiet", "--clear", "--python", sys.executable, folder)
        own = Path(folder) / "bin" / "python"
        install = (UV, "pip", "install", "--quiet", "--python", own)
        run(*install, "--require-hashes", "-r", LOCK)
        run(*install, "--no-deps", wheels[0])
        yield own


def sbom() -> None:
    """Write down what a deployment consists of."""
    with deployment() as own:
        made = bill(own)
    print(f"{made.name}: {len(json.loads(made.read_text())['components'])} components")


def bill(own: Path) -> Path:
    """The bill of materials of an environment, the same each time for the same packages."""
    made = DIST / "sbom.cdx.json"
    python(
        "cyclonedx_py", "environment", "--output-reproducible", "--output-format", "JSON", "--output-file", made,
        "--pyproject", "pyproject.toml", own,
    )  # fmt: skip
    return made


def licences() -> None:
    """Write down the licence of each part, and say which part names none."""
    made = DIST / "sbom.cdx.json"
    if not made.exists():
        raise ReleaseError("dist/ has no sbom.cdx.json. Run ./dev release sbom first.")
    rows = licence_rows(json.loads(made.read_text()))
    path = DIST / "licences.csv"
    with path.open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([("name", "version", "licence"), *rows])
    silent = [name for name, _, licence in rows if not licence]
    print(f"{path.name}: {len(rows)} parts")
    if silent:
        print(f"without a licence that could be read: {', '.join(silent)}")


def licence_rows(document: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Name, version and licences of every component of a bill of materials, by name."""
    rows = []
    for each in document.get("components", []):
        named = []
        for one in each.get("licenses", []):
            own = one.get("license", {})
            # A licence without an identifier is told by its first line: some packages put the whole text there.
            named.append(one.get("expression") or own.get("id") or own.get("name", "").strip().partition("\n")[0])
        rows.append((each["name"], each.get("version", ""), "; ".join(dict.fromkeys(filter(None, named)))))
    return sorted(rows, key=lambda row: row[0].lower())


# -- the image


def image() -> None:
    """Build the image from a base that cannot change, and write down the digests of both."""
    engine = os.environ.get("CONTAINER_ENGINE", "docker")
    if shutil.which(engine) is None:
        raise ReleaseError(f"{engine} is not on this machine. Install it, or name another engine in CONTAINER_ENGINE.")
    run(engine, "pull", "--quiet", BASE_IMAGE, output=True)
    base = run(engine, "inspect", "--format", "{{index .RepoDigests 0}}", BASE_IMAGE, output=True).strip()
    if not re.fullmatch(r"\S+@sha256:[0-9a-f]{64}", base):
        raise ReleaseError(f"{engine} gives no digest for {BASE_IMAGE}, but {base!r}. Pull it from a registry.")
    run(engine, "build", "--file", "docker/Dockerfile", "--build-arg", f"PYTHON_IMAGE={base}", "--tag", IMAGE, ".")
    own = run(engine, "inspect", "--format", "{{.Id}}", IMAGE, output=True).strip()
    DIST.mkdir(exist_ok=True)
    (DIST / "image.txt").write_text(f"base {base}\nimage {own}\n")
    print(f"dist/image.txt: built {own} from {base}")


STEPS = {"lock": lock, "build": build, "sbom": sbom, "licences": licences, "image": image}


def main(words: list[str]) -> int:
    """One step; 0 when it is done, 2 when it is not."""
    parser = argparse.ArgumentParser(
        prog="./dev release", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    steps = parser.add_subparsers(dest="step", required=True, metavar="STEP")
    steps.add_parser("version").add_argument("number", metavar="X.Y.Z")
    for name in STEPS:
        steps.add_parser(name)
    given = parser.parse_args(words)
    try:
        version(given.number) if given.step == "version" else STEPS[given.step]()
    except ReleaseError as error:
        print(f"./dev release {given.step}: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
