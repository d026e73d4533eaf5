"""Who lives, who is dead, and who was only held up. No outside source: these are this product's own promises."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from repairadvisor.delivery import pulse as module
from repairadvisor.delivery.pulse import DEAD_AFTER_S, Name, Pulse
from repairadvisor.errors import SettingsError
from repairadvisor.store import deliveries as store
from repairadvisor.store.database import clock_of, writing

URL = "sqlite:////tmp/some.db"


class _Clock:
    def __init__(self) -> None:
        self.now = 1000.0
        self.slept: list[float] = []

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)


@pytest.fixture
def ticking(monkeypatch: pytest.MonkeyPatch) -> _Clock:
    clock = _Clock()
    monkeypatch.setattr(module, "time", clock)
    return clock


def named(text: str) -> Name:
    return Name(text, URL, {})


def grow_old(engine: Engine, name: str, seconds: float) -> None:
    """A worker was last heard of so long ago."""
    with writing(engine) as connection:
        life, _ = store.seen(connection)[name]
        store.take_name(connection, name, life, clock_of(connection) - timedelta(seconds=seconds))


def test_who_beats_is_alive(engine: Engine, ticking: _Clock) -> None:
    pulse = Pulse(engine)
    pulse.begin(named("w1"))
    for _ in range(10):
        ticking.now += 2
        pulse.beat()
        assert pulse.is_alive()


def test_who_was_held_up_knows_it(engine: Engine, ticking: _Clock) -> None:
    """Before the others can take it for dead."""
    pulse = Pulse(engine)
    pulse.begin(named("w1"))
    ticking.now += DEAD_AFTER_S - 2.1
    assert pulse.is_alive()
    ticking.now += 0.2
    assert not pulse.is_alive()


def test_who_is_not_heard_of_is_dead_to_the_others(engine: Engine, ticking: _Clock) -> None:
    one, other = Pulse(engine), Pulse(engine)
    one.begin(named("w1"))
    other.begin(named("w2"))
    for _ in range(10):
        ticking.now += 2
        other.beat()
    grow_old(engine, "w1", DEAD_AFTER_S + 1)

    assert other.dead() == ["w1"]
    other.bury("w1")
    assert other.dead() == []


def test_one_who_came_back_meanwhile_is_not_buried(engine: Engine, ticking: _Clock) -> None:
    one, other = Pulse(engine), Pulse(engine)
    one.begin(named("w1"))
    other.begin(named("w2"))
    one.beat()
    other.bury("w1")
    with writing(engine) as connection:
        assert set(store.seen(connection)) == {"w1", "w2"}


def test_nobody_is_dead_to_one_who_was_away_himself(engine: Engine, ticking: _Clock) -> None:
    """After the database was away everybody has been silent for long."""
    one, other = Pulse(engine), Pulse(engine)
    one.begin(named("w1"))
    other.begin(named("w2"))
    grow_old(engine, "w1", 100)
    ticking.now += 100
    assert other.dead() == []
    other.beat()
    assert other.dead() == [], "it has only just come back"
    for _ in range(8):
        ticking.now += 2
        other.beat()
    assert other.dead() == ["w1"]


def test_one_whose_name_was_taken_is_no_more(engine: Engine, ticking: _Clock) -> None:
    first, second = Pulse(engine), Pulse(engine)
    first.begin(named("w1"))
    grow_old(engine, "w1", 100)
    second.begin(named("w1"))
    first.beat()

    assert not first.is_alive()
    assert second.is_alive()


def test_a_name_that_a_living_process_has_is_refused(
    engine: Engine, ticking: _Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = Pulse(engine), Pulse(engine)
    first.begin(named("w1"))
    monkeypatch.setattr(ticking, "sleep", lambda _: first.beat())
    with pytest.raises(SettingsError, match="another process works under this name"):
        second.begin(named("w1"))


def test_a_name_whose_process_died_just_now_is_taken(engine: Engine, ticking: _Clock) -> None:
    first, second = Pulse(engine), Pulse(engine)
    first.begin(named("w1"))
    second.begin(named("w1"))

    assert ticking.slept, "it waited to hear of it"
    assert second.is_alive()


def test_a_name_whose_last_beat_grows_old_meanwhile_is_taken(
    engine: Engine, ticking: _Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody beat: that it is too old by now, or was buried, is no sign of life."""
    first, second = Pulse(engine), Pulse(engine)
    first.begin(named("w1"))
    monkeypatch.setattr(ticking, "sleep", lambda _: grow_old(engine, "w1", DEAD_AFTER_S + 1))
    second.begin(named("w1"))
    assert second.is_alive()


# --- names ----------------------------------------------------------------------------------------------------


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return {"XDG_STATE_HOME": str(tmp_path)}


def test_each_process_on_a_machine_has_a_name_of_its_own(environment: dict[str, str]) -> None:
    names = [Name("", URL, environment) for _ in range(3)]

    assert len({name.text for name in names}) == 3
    assert [name.text[-2:] for name in names] == ["-1", "-2", "-3"]
    names[1].release()
    again = Name("", URL, environment)
    assert again.text == names[1].text
    for name in (names[0], names[2], again):
        name.release()


def test_another_database_has_names_of_its_own(environment: dict[str, str]) -> None:
    one, other = Name("", URL, environment), Name("", "sqlite:////tmp/other.db", environment)
    assert one.text == other.text
    one.release()
    other.release()


def test_a_killed_process_leaves_its_name(environment: dict[str, str]) -> None:
    script = textwrap.dedent(
        f"""
        import os, signal
        from repairadvisor.delivery.pulse import Name
        name = Name("", {URL!r}, {environment!r})
        print(name.text, flush=True)
        os.kill(os.getpid(), signal.SIGKILL)
        """
    )
    died = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    name = Name("", URL, environment)

    assert died.returncode == -9
    assert died.stdout.strip() == name.text
    assert name.is_certain
    name.release()


def test_a_name_that_is_given_is_the_name(environment: dict[str, str]) -> None:
    name = Name("north-1", URL, environment)
    assert (name.text, name.is_certain) == ("north-1", False)


def test_where_no_name_can_be_kept_one_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "a file"
    file.write_text("")
    with pytest.raises(SettingsError, match="REPAIRADVISOR_WORKER"):
        Name("", URL, {"XDG_STATE_HOME": str(file)})
