"""A run that does only a share of an expensive check says so where its reader looks: at the end."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

CONFTEST = Path(__file__).parent / "conftest.py"
CHECKS = """
def test_of_some(record_property):
    for name, value in (("seed", 3), ("n", 2), ("of", 5)):
        record_property(name, value)
    {then}

def test_of_nothing():
    pass
"""


def _last_words(folder: Path, then: str) -> list[str]:
    """What a run prints of a check that does 2 of 5 and then does THEN."""
    shutil.copy(CONFTEST, folder / "conftest.py")
    (folder / "test_some.py").write_text(CHECKS.format(then=then), encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(folder)],
        cwd=folder,
        capture_output=True,
        text=True,
    )
    return [line for line in run.stdout.splitlines() if " of " in line and "seed" in line]


def test_a_share_is_told_of_a_check_that_passed(tmp_path: Path) -> None:
    assert _last_words(tmp_path, "pass") == ["test_some.py::test_of_some: 2 of 5 (seed 3)"]


def test_a_share_is_told_of_a_check_that_failed(tmp_path: Path) -> None:
    assert "test_some.py::test_of_some: 2 of 5 (seed 3)" in _last_words(tmp_path, "assert False")
