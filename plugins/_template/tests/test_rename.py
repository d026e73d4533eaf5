"""A copy that is renamed keeps nothing of the old name, and works."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    return Path(shutil.copytree(ROOT, tmp_path / "copy"))


def rename(copy: Path, *name: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["bash", str(copy / "rename"), *name], capture_output=True, text=True)


def test_nothing_keeps_the_old_name(copy: Path) -> None:
    assert rename(copy, "faultbook").returncode == 0

    files = [file for file in copy.rglob("*") if file.is_file() and file.name != "README.md"]
    assert [file.name for file in files if b"template" in file.read_bytes() or "template" in file.name] == []
    project = tomllib.loads((copy / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["name"] == "repairadvisor-faultbook"
    assert project["entry-points"] == {
        "repairadvisor.ticket_sources": {"faultbook": "repairadvisor_faultbook:DeskSource"},
        "repairadvisor.note_carriers": {"faultbook": "repairadvisor_faultbook:DeskCarrier"},
    }
    # -c puts the folder it runs in first on the path.
    told = "import repairadvisor_faultbook as plugin; print(plugin.__file__)"
    run = subprocess.run([sys.executable, "-c", told], cwd=copy / "src", capture_output=True, text=True, check=True)
    assert Path(run.stdout.strip()) == copy / "src" / "repairadvisor_faultbook" / "__init__.py"


@pytest.mark.parametrize("name", ["", "My", "my-desk", "1st", "../x", "template", "a b"])
def test_a_name_that_is_none_changes_nothing(copy: Path, name: str) -> None:
    before = sorted(file.relative_to(copy) for file in copy.rglob("*"))

    assert rename(copy, name).returncode == 2
    assert sorted(file.relative_to(copy) for file in copy.rglob("*")) == before


def test_the_template_itself_is_not_renamed(copy: Path) -> None:
    copy = copy.rename(copy.with_name("_template"))

    assert rename(copy, "faultbook").returncode == 2
    assert (copy / "src" / "repairadvisor_template").is_dir()
