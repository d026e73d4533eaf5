# ruff: noqa: T201 -- a script, which prints
"""Says whether the record of the long checks speaks of the present policy and method.

Run by .ci/run. A stale record is said and does not fail: a long run takes longer than one change may wait.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RECORD = ROOT / ".ci" / "long-record.json"
DEFAULT_POLICY = ROOT / "repairadvisor" / "policy" / "default"

sys.path.insert(0, str(ROOT))  # this tree, as pytest takes it, and not a copy that was installed before


def policy_id() -> str:
    """The id of the policy that ships."""
    from repairadvisor.policy.load import load  # noqa: PLC0415 -- see present()

    return load({file.name: file.read_text(encoding="utf-8") for file in sorted(DEFAULT_POLICY.glob("*.toml"))}).id


def method_version() -> str:
    """The version of the method."""
    from repairadvisor.decision.method import METHOD_VERSION  # noqa: PLC0415 -- see present()

    return METHOD_VERSION


def present() -> dict[str, str | None]:
    """Policy id and method version of this tree; None, and a printed line, for what has no module yet."""
    found: dict[str, str | None] = {}
    for name, read in (("policy_id", policy_id), ("method_version", method_version)):
        try:
            found[name] = read()
        except ModuleNotFoundError as error:
            print(f"{name} could not be read: {error}")
            found[name] = None
    return found


def verdict(record: dict[str, object], now: dict[str, str | None]) -> str:
    """One line on a record that was read."""
    if None in now.values():
        return "long record cannot be judged: see above"
    old = [f"{name} was {record[name]}, is {value}" for name, value in now.items() if record[name] != value]
    if old:
        return "STALE: " + "; ".join(old)
    return f"long record is current: commit {record['commit']}, {record['failures']} failures"


def main() -> None:
    """Print the verdict."""
    now = present()
    if not RECORD.exists():
        print("no long record yet")
        return
    print(verdict(json.loads(RECORD.read_text(encoding="utf-8")), now))


if __name__ == "__main__":
    main()
