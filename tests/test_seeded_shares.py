"""A run that does only a share of an expensive check says so where its reader looks: at the end."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

CONFTEST = Path(__file__).parent / "conftest.py"
CHECKS = """
import pytest

@pytest.mark.parametrize("fails", [False, True])
def test_of_some(record_property, fails):
    for name, value in (("seed", 3), ("n", 2), ("of", 5)):
        record_property(name, value)
    assert not fails

def test_of_nothing():
    pass
"""


def test_a_share_is_told_whether_its_check_passed_or_failed(tmp_path: Path) -> None:
    shutil.copy(CONFTEST, tmp_path / "conftest.py")
    (tmp_path / "test_some.py").write_text(CHECKS, encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert "1 failed, 2 passed" in run.stdout
    told = [line for line in run.stdout.splitlines() if line.startswith("test_some.py") and "seed" in line]
    assert told == [f"test_some.py::test_of_some[{fails}]: 2 of 5 (seed 3)" for fails in (False, True)]
