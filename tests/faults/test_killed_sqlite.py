"""One process on an SQLite file, killed again and again, with a desk that misbehaves: nothing lost, stuck or twice.

The counterpart is ours, and so is what has to stand there in the end: it is reckoned from what was sent alone.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from faults.desk import Desk
from faults.driver import BOUNDARIES, MISBEHAVES_ON_FOR_S, WHILE_WAITING, Run, seed_of_run
from faults.events import planned
from faults.workers import Crew

SEED, WHOLE, SHARE = 20310504, 300, 20
EACH, WAITING = 3, 8
#: Where a share of the run kills too: what matters most, and some that the seed draws.
ALWAYS, DRAWN = ("after-write", WHILE_WAITING), 2


def _kills(seed: int, *, whole: bool) -> list[str]:
    drawn = random.Random(seed)
    if whole:
        kills = [*(BOUNDARIES * EACH), *([WHILE_WAITING] * WAITING)]
        drawn.shuffle(kills)
        return kills
    return [*ALWAYS, *drawn.sample([one for one in BOUNDARIES if one not in ALWAYS], DRAWN)]


@pytest.mark.long
def test_nothing_is_lost_stuck_or_twice(record_property: Callable[[str, object], None], tmp_path: Path) -> None:
    whole, seed = bool(os.environ.get("REPAIRADVISOR_LONG")), seed_of_run(SEED)
    count = WHOLE if whole else SHARE
    for name, value in (("n", count), ("of", WHOLE), ("seed", seed)):
        record_property(name, value)
    with (
        Desk(seed) as desk,
        Crew(tmp_path, f"sqlite:///{tmp_path / 'records.db'}", desk.url, ["one"], named=False) as crew,
    ):
        run = Run(desk, crew, planned(seed, count), _kills(seed, whole=whole), seed)
        run.misbehaves_on_for_s = MISBEHAVES_ON_FOR_S[whole]
        run.through()
        found, figures = run.findings()
    record_property("figures", "\n".join(figures))
    print(*figures, *found.all, sep="\n")
    assert found.all == []
    assert run.untouched == []
    assert run.killed.total() == crew.deaths.total() == len(run.kills)
    assert set(run.accepted) == {event.key for event in run.plan.events}
