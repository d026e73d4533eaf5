"""That intake is measured whole, beside what it is compared with; never how long anything took."""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from sqlalchemy import func, select, text

from repairadvisor.store.database import reading
from repairadvisor.store.deliveries import deliveries

from . import intake as measuring
from .__main__ import main
from .desk_service import DESK, NOBODY, serving
from .intake import REPORTS, HeldUp, Intake, Passes, in_turns, intake, slow_remote
from .ways_in import SERVER, Service, new_database, passed_by, running

pytestmark = pytest.mark.long

WHOLE = bool(os.environ.get("REPAIRADVISOR_LONG"))
KINDS = [pytest.param("sqlite"), pytest.param("postgresql", marks=pytest.mark.postgresql)]
WAYS = ["202, work beside it", "202, door only", "404, no database"]


def skip_without(kind: str) -> None:
    if kind == "postgresql" and not os.environ.get(SERVER):
        pytest.skip(f"{SERVER} names no PostgreSQL server")


@pytest.mark.parametrize("kind", KINDS if WHOLE else KINDS[:1])
def test_intake_is_measured_beside_a_bare_insert(kind: str) -> None:
    skip_without(kind)

    lines = intake(kind, 2, threads=(1, 2), a_turn=4)

    assert [(line.threads, line.what) for line in lines] == [(many, way) for many in (1, 2) for way in WAYS]
    for line in lines:
        assert line.database == kind
        for passes in (line.ours, line.anchor):
            assert len(passes.rising_ms) == 8
            assert list(passes.rising_ms) == sorted(passes.rising_ms)
            assert 0 < passes.p50_ms <= passes.p99_ms
            assert passes.a_second > 0
        assert all(math.isfinite(one) and one > 0 for one in (line.times_fewer, line.p50_ratio, line.p99_ratio))


@pytest.mark.parametrize("kind", KINDS if WHOLE else KINDS[1:])
def test_a_slow_remote_is_measured_beside_the_same_tickets_alone(kind: str) -> None:
    skip_without(kind)

    alone, behind_quick, behind_slow = slow_remote(kind, 1, slow_s=0.5, before=3, quick=2)

    assert (alone.what, behind_quick.what, behind_slow.what) == ("alone", "behind 3 as quick", "behind 3 of 0.5 s")
    assert alone.ratio == 1
    assert behind_quick.ratio_to_quick == 1
    for line in (alone, behind_quick, behind_slow):
        assert len(line.taken_s) == 1
        assert line.taken_s[0] > 0


@pytest.fixture(scope="module")
def door() -> Iterator[Service]:
    with running("sqlite", "--door-only") as service:
        yield service


def test_the_anchor_writes_a_row_for_each_call_and_as_large_as_a_delivery(door: Service) -> None:
    door.measure_a_row()
    passed_by(door.inserting, 2, 3)
    with reading(door.engine) as connection:
        kept = connection.execute(text("SELECT length(id) + length(content) FROM bare_rows")).scalars().all()
        event = connection.execute(select(func.length(deliveries.c.headers) + func.length(deliveries.c.body)))
        whole = event.scalars().first()

    assert kept == [door.row] * 8, "each of two threads once before its clock starts, and three times"
    assert whole < door.row < whole + 500


def test_the_door_alone_takes_in_and_works_on_nothing(door: Service) -> None:
    before = door.asked()["counts"].get("waiting", 0)
    passed_by(partial(door.sending, DESK, 202), 1, 2)
    with ExitStack() as opened, pytest.raises(RuntimeError, match="nobody answered 404"):
        door.sending(NOBODY, 202, opened)()

    assert door.asked()["counts"] == {"waiting": before + 3}


def test_the_service_is_ended_and_the_database_gone(tmp_path: Path) -> None:
    with new_database("sqlite", tmp_path) as url, serving(tmp_path / "service", url) as address:
        parts = urlsplit(address)
    connection = HTTPConnection(parts.hostname or "", parts.port, timeout=5)

    with pytest.raises(ConnectionRefusedError):
        connection.request("GET", "/v1/deliveries")


def test_a_service_that_does_not_start_says_why(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="is not a database URL"), serving(tmp_path / "service", "no url"):
        pass


def test_every_thread_calls_once_before_its_clock_starts() -> None:
    called: list[int] = []

    taken_ms, in_all_s = passed_by(lambda _: lambda: called.append(threading.get_ident()), 3, 4)

    assert sorted(called.count(one) for one in set(called)) == [5, 5, 5]
    assert len(taken_ms) == 12
    assert in_all_s > 0


@pytest.mark.parametrize("good_calls", [0, 1, 3])
def test_a_call_that_fails_is_not_timed(good_calls: int) -> None:
    left = [good_calls]

    def call() -> None:
        left[0] -= 1
        if left[0] < 0:
            raise ValueError("no answer")

    with pytest.raises(ValueError, match="no answer"):
        passed_by(lambda _: call, 2, 5)


def test_turns_begin_with_the_next_one() -> None:
    done: list[str] = []
    in_turns("abc", 4, done.append)

    assert "".join(done) == "abcbcacababc"


def test_ratios_are_ours_over_the_anchor() -> None:
    line = Intake("sqlite", "202", 1, ours=Passes([2.0, 8.0], 10.0), anchor=Passes([1.0, 1.0], 40.0))
    held = HeldUp("sqlite", "slow", taken_s=[6.0, 5.0, 9.0], alone_s=[2.0], behind_quick_s=[4.0])

    assert (line.times_fewer, line.p50_ratio) == (4.0, 5.0)
    assert line.p99_ratio == pytest.approx(7.94)
    assert (held.ratio, held.ratio_to_quick) == (3.0, 1.5)


def test_the_command_prints_a_row_for_each(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    line = Intake("sqlite", "202", 8, ours=Passes([2.0, 2.0], 10.0), anchor=Passes([1.0, 1.0], 40.0))
    held = HeldUp("sqlite", "slow", [6.0], [2.0], [4.0])
    monkeypatch.delenv(SERVER, raising=False)
    monkeypatch.setattr(measuring, "intake", lambda _, turns: [line] * turns)
    monkeypatch.setattr(measuring, "slow_remote", lambda _, turns: [held] * turns)

    main(["--rounds", "120", *REPORTS])

    rows = [row.split() for row in capsys.readouterr().out.splitlines() if row.startswith("sqlite")]
    assert rows == [
        *[["sqlite", "202", "8", "2", "10", "2.0", "2.0", "40", "1.00", "1.00", "4.0", "2.0", "2.0"]] * 3,
        *[["sqlite", "slow", "1", "6.0", "6.0", "6.0", "3.00", "1.50"]] * 2,
    ]
