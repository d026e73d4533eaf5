"""Three processes on one PostgreSQL server, killed in turn, with a desk that misbehaves and a server that crashes.

The counterpart is ours, and so is what has to stand there in the end: it is reckoned from what was sent alone.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from faults.desk import Desk
from faults.driver import BOUNDARIES, MISBEHAVES_ON_FOR_S, WHILE_WAITING, Run, seed_of_run
from faults.events import planned
from faults.postgresql import Server, programs
from faults.workers import Crew

SEED, WHOLE, SHARE = 20310505, 400, 20
WORKERS = ("one", "two", "three")
#: Killed at so many boundaries that the seed draws, the one after the remote write always among them, and waiting.
DRAWN, WAITING, CRASHES = {True: 10, False: 1}, {True: 3, False: 1}, {True: 2, False: 1}


@pytest.fixture
def server() -> Iterator[Server]:
    found = programs()
    if found is None:
        pytest.skip("no PostgreSQL server is installed")
    with Server(found) as started:
        yield started


def _kills(seed: int, *, whole: bool) -> list[str]:
    drawn = random.Random(seed)
    others = [one for one in BOUNDARIES if one != "after-write"]
    kills = ["after-write", *drawn.sample(others, DRAWN[whole]), *([WHILE_WAITING] * WAITING[whole])]
    drawn.shuffle(kills)
    return kills


@pytest.mark.long
@pytest.mark.postgresql
def test_nothing_is_lost_stuck_or_twice(
    record_property: Callable[[str, object], None], tmp_path: Path, server: Server
) -> None:
    whole, seed = bool(os.environ.get("REPAIRADVISOR_LONG")), seed_of_run(SEED)
    count = WHOLE if whole else SHARE
    for name, value in (("n", count), ("of", WHOLE), ("seed", seed)):
        record_property(name, value)
    kills = _kills(seed, whole=whole)
    crashes = {(i + 1) * len(kills) // (CRASHES[whole] + 1): server.crash for i in range(CRASHES[whole])}
    with Desk(seed) as desk, Crew(tmp_path, server.url, desk.url, WORKERS, named=True) as crew:
        crew.was_database_away = server.was_away_since
        run = Run(desk, crew, planned(seed, count), kills, seed, crashes, one_stays_dead_of=4 if whole else 3)
        run.misbehaves_on_for_s = MISBEHAVES_ON_FOR_S[whole]
        run.through()
        found, figures = run.findings()
    figures.append(f"crashes of the database: {server.crashes}")
    record_property("figures", "\n".join(figures))
    print(*figures, *found.all, sep="\n")
    assert found.all == []
    assert run.untouched == []
    assert run.killed.total() == crew.deaths.total() == len(kills)
    assert server.crashes == CRASHES[whole]
    assert set(run.accepted) == {event.key for event in run.plan.events}
