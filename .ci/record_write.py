# ruff: noqa: T201 -- a script, which prints
"""Writes the record of a run of the long checks. Run by .ci/long, before and after it.

Each long test tells what it did with pytest's ``record_property``: "seed", "n" (how many it did) and "of"
(how many there are).
"""

from __future__ import annotations

import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

from record_check import RECORD, ROOT, present

TOLD = ("seed", "n", "of")


def git(*words: str) -> str:
    """What git answers."""
    return subprocess.run(["git", *words], cwd=ROOT, check=True, capture_output=True, text=True).stdout.strip()  # noqa: S603, S607


def begin(file: Path) -> None:
    """Note what is about to be checked."""
    tree = {"commit": git("rev-parse", "HEAD"), "uncommitted_changes": git("status", "--porcelain") != ""}
    file.write_text(json.dumps(tree | present()), encoding="utf-8")


def check(case: ET.Element) -> dict[str, object]:
    """One test of pytest's JUnit file."""
    told = {each.get("name"): each.get("value") for each in case.iter("property")}
    outcome = next((tag for tag in ("failure", "error", "skipped") if case.find(tag) is not None), "passed")
    return {
        "test": f"{case.get('classname')}.{case.get('name')}",
        "outcome": outcome,
        "minutes": round(float(case.get("time", "0")) / 60, 2),
        **{name: told.get(name) for name in TOLD},
    }


def checks_of(junit: Path) -> list[dict[str, object]]:
    """Every test of pytest's JUnit file."""
    return [check(case) for case in ET.parse(junit).getroot().iter("testcase")]  # noqa: S314 -- pytest wrote it


def end(begun: Path, junit: Path) -> None:
    """Write the record."""
    checks = checks_of(junit)
    record = json.loads(begun.read_text(encoding="utf-8")) | {
        "failures": sum(each["outcome"] in ("failure", "error") for each in checks),
        "skipped": sum(each["outcome"] == "skipped" for each in checks),
        "minutes": round(sum(float(str(each["minutes"])) for each in checks), 2),
        "checks": checks,
    }
    RECORD.write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    print(f"{RECORD.relative_to(ROOT)}: {len(checks)} checks, {record['failures']} failures")


def failed() -> None:
    """Print the tests that failed, as pytest names them."""
    for each in json.loads(RECORD.read_text(encoding="utf-8"))["checks"]:
        if each["outcome"] in ("failure", "error"):
            module, name = each["test"].split(".test_", 1)
            file, test = name.split(".", 1)
            print(f"{module.replace('.', '/')}/test_{file}.py::{test}")


def again(begun: Path, junit: Path) -> None:
    """Put checks that were made again in their places, each with the commit of which it speaks now."""
    record, tree = (json.loads(file.read_text(encoding="utf-8")) for file in (RECORD, begun))
    for name in ("policy_id", "method_version"):
        if record[name] != tree[name]:
            sys.exit(f"{name} was {record[name]}, is {tree[name]}: all checks have to be made again")
    new = {each["test"]: each | {"commit": tree["commit"]} for each in checks_of(junit)}
    checks = [new.get(each["test"], each) for each in record["checks"]]
    record |= {"failures": sum(each["outcome"] in ("failure", "error") for each in checks), "checks": checks}
    RECORD.write_text(json.dumps(record, indent=2) + "\n", encoding="utf-8")
    print(f"{RECORD.relative_to(ROOT)}: {len(new)} checks again, {record['failures']} failures")


if __name__ == "__main__":
    if sys.argv[1] == "begin":
        begin(Path(sys.argv[2]))
    elif sys.argv[1] == "failed":
        failed()
    elif sys.argv[1] == "again":
        again(Path(sys.argv[2]), Path(sys.argv[3]))
    else:
        end(Path(sys.argv[2]), Path(sys.argv[3]))
