"""A card is made once: whoever claims it first makes it, and what was kept first counts."""

from __future__ import annotations

import multiprocessing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, update
from test_records import POLICY, POLICY_ID, RECORD

from repairadvisor.errors import NotFoundError
from repairadvisor.store.cards import BEAT_S, SILENT_FOR, Cards, cards
from repairadvisor.store.database import RecordsError, migrate, open_database, writing
from repairadvisor.store.records import Records

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
SPAWN = multiprocessing.get_context("spawn")


@pytest.fixture
def advice_id(engine: Engine) -> str:
    store = Records(engine)
    store.keep_policy(POLICY_ID, POLICY)
    return store.save(RECORD)


def test_a_card_comes_out_as_it_went_in(engine: Engine, advice_id: str) -> None:
    store = Cards(engine)
    assert store.kept(advice_id) is None
    assert store.claim(advice_id, "one", NOW)
    assert store.kept(advice_id) is None
    assert store.keep(advice_id, "one", b'{"say":"\xc2\xb5m"}')
    assert store.kept(advice_id) == b'{"say":"\xc2\xb5m"}'


def test_what_is_claimed_or_made_is_claimed_by_nobody_else(engine: Engine, advice_id: str) -> None:
    store = Cards(engine)
    assert store.claim(advice_id, "one", NOW)
    assert not store.claim(advice_id, "other", NOW)
    assert not store.keep(advice_id, "other", b"another card")
    assert store.keep(advice_id, "one", b"the card")
    assert not store.claim(advice_id, "other", NOW + 2 * SILENT_FOR)
    assert not store.keep(advice_id, "one", b"the card again, otherwise")
    assert store.kept(advice_id) == b"the card"


def test_a_claim_whose_maker_died_is_taken_over_and_the_dead_one_keeps_nothing(engine: Engine, advice_id: str) -> None:
    store = Cards(engine)
    assert store.claim(advice_id, "dead", NOW)
    assert not store.claim(advice_id, "next", NOW + SILENT_FOR)
    assert store.claim(advice_id, "next", NOW + SILENT_FOR + timedelta(seconds=1))
    assert not store.keep(advice_id, "dead", b"too late")
    assert store.keep(advice_id, "next", b"the card")
    assert store.kept(advice_id) == b"the card"


def test_a_claim_that_is_heard_of_is_kept_and_one_that_falls_silent_costs_a_minute_and_a_half(
    engine: Engine, advice_id: str
) -> None:
    store = Cards(engine)
    assert store.claim(advice_id, "slow", NOW)
    last = NOW + timedelta(minutes=3)
    for beat in range(1, int(180 / BEAT_S) + 1):
        assert store.still_at_it(advice_id, "slow", NOW + beat * timedelta(seconds=BEAT_S))
    assert not store.claim(advice_id, "next", last + timedelta(seconds=60))
    assert not store.still_at_it(advice_id, "next", last)
    assert store.claim(advice_id, "next", last + timedelta(seconds=91))
    assert not store.still_at_it(advice_id, "slow", last + timedelta(seconds=92))
    assert store.keep(advice_id, "next", b"the card")
    assert not store.still_at_it(advice_id, "next", last + timedelta(seconds=93))


def test_a_claim_given_back_is_free_at_once(engine: Engine, advice_id: str) -> None:
    store = Cards(engine)
    assert store.claim(advice_id, "one", NOW)
    store.let_go(advice_id, "other")
    assert not store.claim(advice_id, "other", NOW)
    store.let_go(advice_id, "one")
    assert store.claim(advice_id, "other", NOW)


def test_there_is_no_card_of_an_advice_that_is_not_kept(engine: Engine) -> None:
    with pytest.raises(NotFoundError):
        Cards(engine).claim("0" * 32, "one", NOW)


def test_a_spoilt_card_is_said_to_be(engine: Engine, advice_id: str) -> None:
    store = Cards(engine)
    assert store.claim(advice_id, "one", NOW)
    assert store.keep(advice_id, "one", b"the card")
    with writing(engine) as connection:
        connection.execute(update(cards).values(card=b"spoilt"))
    with pytest.raises(RecordsError, match=advice_id):
        store.kept(advice_id)


def _claims(url: str, advice_id: str, maker: str, start: object, won: object) -> None:
    engine = open_database(url)
    start.wait()  # type: ignore[attr-defined]
    if Cards(engine).claim(advice_id, maker, NOW):
        won.put(maker)  # type: ignore[attr-defined]
    engine.dispose()


def test_of_processes_that_claim_at_once_one_makes_it(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'records.db'}"
    engine = open_database(url)
    migrate(engine)
    store = Records(engine)
    store.keep_policy(POLICY_ID, POLICY)
    advice_id = store.save(RECORD)
    start, won = SPAWN.Event(), SPAWN.Queue()
    makers = [SPAWN.Process(target=_claims, args=(url, advice_id, f"maker {n}", start, won)) for n in range(4)]
    for maker in makers:
        maker.start()
    start.set()
    for maker in makers:
        maker.join()
    assert [maker.exitcode for maker in makers] == [0] * 4
    winner = won.get(timeout=10)
    assert won.empty()
    assert Cards(engine).keep(advice_id, winner, b"the card")
    engine.dispose()
