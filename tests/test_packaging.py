"""The wheel: carries all its data, declares what it imports, and converts where there is no repository."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
# pydantic requires one exact version of it, so it cannot be asked for beside it.
COMES_WITH = {"pydantic-core": "pydantic", "starlette": "fastapi"}
DATA = (".toml", ".html", ".css", ".json", ".csv", ".txt", ".tsv")


def run(*words: str | Path, **options: str | Path | dict[str, str]) -> str:
    done = subprocess.run(list(map(str, words)), capture_output=True, text=True, timeout=300, check=False, **options)  # type: ignore[call-overload]
    assert done.returncode == 0, f"{words[0]} said: {done.stdout}{done.stderr}"
    return str(done.stdout)


def files_below(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, REPOSITORY, cwd=folder)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def clean(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new environment with the wheel, and the dependencies of this one but not its copy of the project."""
    home = tmp_path_factory.mktemp("clean") / "env"
    venv.create(home, with_pip=False)
    python = home / "bin" / "python"
    run(sys.executable, "-m", "pip", "--python", python, "install", "--quiet", "--no-deps", "--no-index", wheel)
    packages = Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    # A folder named in a .pth file is searched, but .pth files inside it are not followed: no way back to the source.
    (packages / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return home


def outside() -> dict[str, str]:
    """The environment without anything that leads Python back to the repository."""
    return {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}


@pytest.mark.slow
def test_wheel_carries_its_data(wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    package = {f"gateway/{name}" for name in files_below(REPOSITORY / "gateway")}
    mappings = {f"gateway/_shipped/mappings/{name}" for name in files_below(REPOSITORY / "mappings")}
    demo = {f"gateway/_shipped/demo/{name}" for name in files_below(REPOSITORY / "fixtures" / "demo")}
    assert any(name.startswith("gateway/vocabulary/") and name.endswith(".toml") for name in package)
    assert any(name.startswith("gateway/report/") and name.endswith(DATA) for name in package)
    pages = {
        f"gateway/_shipped/docs/{name}" for name in files_below(REPOSITORY / "docs") if name.endswith((".md", ".json"))
    }
    assert mappings
    assert demo
    assert pages
    carried = {name for name in inside if ".dist-info/" not in name and ".data/" not in name}
    assert carried == package | mappings | demo | pages
    assert [name.partition(".data/")[2] for name in inside if ".data/" in name] == ["data/share/man/man1/gateway.1"]
    licences = {name.rpartition("/")[2] for name in inside if "/licenses/" in name}
    assert licences == {"LICENSE", "NOTICE"}


@pytest.mark.slow
def test_installed_wheel_is_not_the_repository(clean: Path, tmp_path: Path) -> None:
    found = run(clean / "bin" / "python", "-c", "import gateway; print(gateway.__file__)", cwd=tmp_path, env=outside())
    assert Path(found.strip()).is_relative_to(clean)


@pytest.mark.slow
def test_installed_wheel_converts_the_demo(clean: Path, tmp_path: Path) -> None:
    out = tmp_path / "shown"
    run(clean / "bin" / "python", "-m", "gateway", "demo", "--out", out, cwd=tmp_path, env=outside())
    demos = sorted(path.parent.name for path in (REPOSITORY / "fixtures" / "demo").glob("*/mapping.toml"))
    assert sorted(path.name for path in out.iterdir()) == demos
    for demo in demos:
        written = files_below(out / demo)
        assert {"report.json", "report.html", "findings.csv", "operation-outcome.json"} <= written
        records = written - {"report.json", "report.html", "findings.csv", "operation-outcome.json"}
        assert any(name.endswith((".json", ".ndjson")) for name in records), f"{demo}: no FHIR records"
        assert any(name.endswith(".hl7") for name in records), f"{demo}: no ORU messages"


@pytest.mark.slow
def test_installed_wheel_finds_its_mappings(clean: Path, tmp_path: Path) -> None:
    names = sorted(path.stem for path in (REPOSITORY / "mappings").glob("*.toml"))
    assert names
    for name in names:
        said = run(clean / "bin" / "gateway", "check", name, cwd=tmp_path, env=outside())
        assert "the mapping can be used" in said


@pytest.mark.slow
def test_installed_wheel_shows_its_pages(clean: Path, tmp_path: Path) -> None:
    said = run(clean / "bin" / "gateway", "help", "nightly", cwd=tmp_path, env=outside())
    assert said.startswith("# Your first night")
    assert (clean / "share" / "man" / "man1" / "gateway.1").is_file()


def test_source_distribution_has_what_the_project_names() -> None:
    tool = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    named = tool["hatch"]["build"]["targets"]["sdist"]["include"]
    assert {"/docs", "/mkdocs.yml"} <= set(named)
    assert [name for name in named if not (REPOSITORY / name.lstrip("/")).exists()] == []


def test_version_is_the_same_everywhere() -> None:
    text = (REPOSITORY / "gateway" / "version.py").read_text(encoding="utf-8")
    assert re.findall(r'VERSION = "(.+)"', text) == [PROJECT["version"]]


def test_every_import_is_a_declared_dependency() -> None:
    extras = [line for name in ("postgresql", "sftp", "s3") for line in PROJECT["optional-dependencies"][name]]
    declared = {re.split(r"[^\w.-]", line)[0].lower().replace("_", "-") for line in [*PROJECT["dependencies"], *extras]}
    homes = packages_distributions()
    missing = {}
    for path in (REPOSITORY / "gateway").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                names = [node.module]
            for top in {name.partition(".")[0] for name in names} - sys.stdlib_module_names - {"gateway", "_typeshed"}:
                found = {home.lower().replace("_", "-") for home in homes.get(top, [])}
                if not declared & {COMES_WITH.get(home, home) for home in found}:
                    missing[top] = path.name
    assert missing == {}
