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

from repairadvisor.decision.method import METHOD_VERSION  # noqa: E402
from repairadvisor.policy.load import load_policy  # noqa: E402


def present() -> dict[str, str]:
    """Policy id and method version of this tree."""
    texts = {file.name: file.read_text(encoding="utf-8") for file in sorted(DEFAULT_POLICY.glob("*.toml"))}
    return {"policy_id": load_policy(texts).id, "method_version": METHOD_VERSION}


def verdict(record: dict[str, object], now: dict[str, str]) -> str:
    """One line on a record that was read."""
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
