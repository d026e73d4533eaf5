"""The control: with a carrier that cannot look before it writes the same audit finds what the other runs do not.

Such a carrier is permitted where the receiver recognises a key that it has seen. This desk does not: so each write that
is repeated must be found there twice, or the runs that find nothing prove nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from faults.desk import Desk
from faults.driver import Run
from faults.events import Event, Plan
from faults.workers import Crew

SEED, TICKETS = 20310506, 8


CASES = [
    pytest.param(["after-write", "after-write"], {"503 after writing": 0.4}, True, id="both, and it looks"),
    pytest.param([], {"503 after writing": 0.4}, False, id="answered 503 after writing, blind"),
    pytest.param(["after-write", "after-write"], {}, False, id="killed after writing, blind"),
]
DONE = CASES if os.environ.get("REPAIRADVISOR_LONG") else CASES[1:2]


@pytest.mark.long
@pytest.mark.parametrize(("kills", "shares", "can_look"), DONE)
def test_what_is_written_again_without_a_look_is_found_twice(
    record_property: Callable[[str, object], None],
    tmp_path: Path,
    kills: list[str],
    shares: Mapping[str, float],
    can_look: bool,
) -> None:
    plan = Plan(SEED, [Event(f"LF-{i}-1", f"LF-{i}", 1, float(i)) for i in range(1, TICKETS + 1)])
    database_url = f"sqlite:///{tmp_path / 'records.db'}"
    with (
        Desk(SEED, shares) as desk,
        Crew(tmp_path, database_url, desk.url, ["one"], named=False, blind=not can_look) as crew,
    ):
        run = Run(desk, crew, plan, kills, SEED)
        run.through()
        found, figures = run.findings()
    for name, value in (("seed", SEED), ("n", len(DONE)), ("of", len(CASES))):
        record_property(name, value)
    record_property("figures", "\n".join(figures))
    print(*figures, *found.all, sep="\n")
    assert run.killed.total() == crew.deaths.total() == len(kills)
    assert found.lost == []
    assert found.stuck == []
    if can_look:
        assert found.twice == []
    else:
        assert found.doubled >= 2
        assert len(found.twice) >= 2
