"""A card is what the service says: on every way through it, and made once however many ask."""

from __future__ import annotations

import os
import random
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
import pytest
from builders import FixedMethod, a_database_url, an_advice
from drawn_faults import NOW, drawn_fault
from sqlalchemy import Engine
from whole_jobs import whole_jobs

from repairadvisor.card_making import CardMaking, TooManyCardsError, made_card
from repairadvisor.decision.advice import Advice
from repairadvisor.errors import NotFoundError
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.render.placing import placed
from repairadvisor.service import Advisor
from repairadvisor.settings import cache_folder
from repairadvisor.store.cards import Cards
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.records import Records

#: Generated faults whose cards are walked, where drawing starts from, and those of a usual run.
FAULTS, SEED = 50, 20310504
SHARE = 2


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    opened = open_database(a_database_url(tmp_path))
    migrate(opened)
    yield opened
    opened.dispose()


@pytest.fixture(scope="module")
def method() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ))


def a_fixed_advice() -> tuple[FixedMethod, Advice]:
    advice = an_advice()
    advice = replace(advice, policy=FixedMethod(advice).policy_id)
    return FixedMethod(advice), advice


@pytest.fixture
def fixed(engine: Engine) -> Advisor:
    return Advisor(a_fixed_advice()[0], Records(engine))


def kept(advisor: Advisor, facts: Mapping[str, Any] | None = None) -> str:
    asked = {"facts": {"place": "pole_top"} if facts is None else dict(facts), "now": NOW.isoformat()}
    found = advisor.advise(asked, datetime.now(UTC)).id
    assert found is not None
    return found


# --- made once ------------------------------------------------------------------------------------------------------


def kept_job(method: PreparedMethod, engine: Engine, name: str) -> tuple[Advisor, str]:
    """The advice on a whole job, kept."""
    advisor = Advisor(method, Records(engine))
    return advisor, kept(advisor, next(one for one in whole_jobs() if one.id == name).facts)


def test_a_card_is_made_for_whoever_asks_first_and_kept(fixed: Advisor) -> None:
    advice_id, making = kept(fixed), CardMaking(fixed)
    card = making.card(advice_id, 60.0)
    assert card is not None
    assert card == orjson.loads(orjson.dumps(made_card(fixed, advice_id))) == CardMaking(fixed).card(advice_id, 0.0)


def test_it_is_made_once_by_all_that_ask_at_once(fixed: Advisor, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    started = threading.Event()

    def slowly(advisor: Advisor, advice_id: str) -> dict[str, Any]:
        started.wait(10)
        made.append(advice_id)
        return made_card(advisor, advice_id)

    monkeypatch.setattr("repairadvisor.card_making.made_card", slowly)
    advice_id = kept(fixed)
    processes = [CardMaking(fixed) for _ in range(3)]
    assert [one.card(advice_id, 0.0) for one in processes for _ in range(3)] == [None] * 9
    started.set()
    for one in processes:
        for _ in range(200):
            if one.card(advice_id, 0.05) is not None:
                break
        assert one.card(advice_id, 0.0) is not None
    assert made == [advice_id]


def test_in_a_process_one_card_is_made_at_a_time(fixed: Advisor, monkeypatch: pytest.MonkeyPatch) -> None:
    at_work, most = [0], [0]

    def watched(advisor: Advisor, advice_id: str) -> dict[str, Any]:
        at_work[0] += 1
        most[0] = max(most[0], at_work[0])
        threading.Event().wait(0.05)
        at_work[0] -= 1
        return made_card(advisor, advice_id)

    monkeypatch.setattr("repairadvisor.card_making.made_card", watched)
    making = CardMaking(fixed)
    wanted = [kept(fixed, {"place": "pole_top", "spare_near_m": n}) for n in range(4)]
    asking = [threading.Thread(target=making.card, args=(one, 0.0)) for one in wanted]
    for one in asking:
        one.start()
    for one in asking:
        one.join()
    assert all(comes(making, one) for one in wanted)
    assert most == [1]


def comes(making: CardMaking, advice_id: str) -> bool:
    """Whether a card is there in the end, however often one has to ask."""
    return any(making.card(advice_id, 0.05) is not None for _ in range(200))


def test_only_one_waits_in_a_process_and_all_others_are_told_at_once(
    fixed: Advisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    goes_on = threading.Event()

    def held(advisor: Advisor, advice_id: str) -> dict[str, Any]:
        goes_on.wait(30)
        return made_card(advisor, advice_id)

    monkeypatch.setattr("repairadvisor.card_making.made_card", held)
    advice_id, making = kept(fixed), CardMaking(fixed)
    found: list[dict[str, Any] | None] = []
    patient = threading.Thread(target=lambda: found.append(making.card(advice_id, 30.0)))
    patient.start()
    while not making.waiting():
        patient.join(0.01)
    begun = time.monotonic()
    assert [making.card(advice_id, 30.0) for _ in range(20)] == [None] * 20
    assert time.monotonic() - begun < 10
    goes_on.set()
    patient.join()
    assert found != [None]
    assert making.waiting() == 0


def test_more_than_may_wait_are_not_begun(fixed: Advisor, monkeypatch: pytest.MonkeyPatch) -> None:
    goes_on = threading.Event()

    def held(advisor: Advisor, advice_id: str) -> dict[str, Any]:
        goes_on.wait(30)
        return made_card(advisor, advice_id)

    monkeypatch.setattr("repairadvisor.card_making.made_card", held)
    monkeypatch.setattr("repairadvisor.card_making.MOST_WAITING", 2)
    making = CardMaking(fixed)
    wanted = [kept(fixed, {"place": "pole_top", "spare_near_m": n}) for n in range(3)]
    assert [making.card(one, 0.0) for one in wanted[:2]] == [None, None]
    with pytest.raises(TooManyCardsError):
        making.card(wanted[2], 0.0)
    assert making.card(wanted[0], 0.0) is None  # whoever waits already goes on waiting
    goes_on.set()
    assert comes(making, wanted[1])
    assert comes(making, wanted[2])


def test_whoever_makes_a_card_is_heard_of_and_a_stopped_one_gives_it_back(
    fixed: Advisor, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    goes_on = threading.Event()
    heard: list[str] = []
    still_at_it = Cards.still_at_it

    def heard_of(self: Cards, advice_id: str, maker: str, now: datetime) -> bool:
        heard.append(advice_id)
        return still_at_it(self, advice_id, maker, now)

    def held(advisor: Advisor, advice_id: str) -> dict[str, Any]:
        goes_on.wait(30)
        return made_card(advisor, advice_id)

    monkeypatch.setattr("repairadvisor.card_making.BEAT_S", 0.01)
    monkeypatch.setattr(Cards, "still_at_it", heard_of)
    advice_id = kept(fixed)
    with monkeypatch.context() as patch:
        patch.setattr("repairadvisor.card_making.made_card", held)
        stopped = CardMaking(fixed)
        assert stopped.card(advice_id, 0.0) is None
        while len(heard) < 2:
            threading.Event().wait(0.01)
        stopped.stop()
    assert set(heard) == {advice_id}
    assert Cards(engine).claim(advice_id, "next", datetime.now(UTC))  # at once, not after it counts as dead
    Cards(engine).let_go(advice_id, "next")
    assert not stopped.make(advice_id, datetime.now(UTC))  # who is stopped begins none
    assert comes(CardMaking(fixed), advice_id)
    goes_on.set()


def test_what_goes_wrong_is_said_to_all_and_tried_again_after_a_while(
    fixed: Advisor, monkeypatch: pytest.MonkeyPatch
) -> None:
    advice_id, making = kept(fixed), CardMaking(fixed)

    tried: list[str] = []

    def broken(advisor: Advisor, advice_id: str) -> dict[str, Any]:
        tried.append(advice_id)
        raise ZeroDivisionError

    with monkeypatch.context() as patch:
        patch.setattr("repairadvisor.card_making.made_card", broken)
        for _ in range(3):  # whoever asks is told, and it is not begun anew each time
            with pytest.raises(ZeroDivisionError):
                making.card(advice_id, 60.0)
    assert tried == [advice_id]
    monkeypatch.setattr("repairadvisor.card_making.FAILED_FOR_S", 0.0)
    assert making.card(advice_id, 60.0) is not None


def test_there_is_no_card_without_an_advice(fixed: Advisor) -> None:
    for advice_id in ("0" * 32, "../records"):
        with pytest.raises(NotFoundError):
            CardMaking(fixed).card(advice_id, 0.0)


def test_an_advice_of_another_policy_gets_a_card_that_leads_nowhere_and_is_not_kept(engine: Engine) -> None:
    method, advice = a_fixed_advice()
    advice_id = kept(Advisor(replace(method, answer=advice), Records(engine)))
    later = Advisor(replace(method, policy_text=b"another policy"), Records(engine))
    card = CardMaking(later).card(advice_id, 0.0)
    assert card is not None
    assert (card["root"], card["leaves"], card["verdicts"]) == ({}, [], {})
    assert card["policy"] != later.method.policy_id
    assert Cards(engine).kept(advice_id) is None


def test_what_has_no_room_is_cut_off_and_whoever_comes_there_rings(
    method: PreparedMethod, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    advisor, advice_id = kept_job(method, engine, "painted-over-jacket")
    whole = made_card(advisor, advice_id)
    assert None not in {leaf for _, leaf in ways(whole["root"], {})}
    monkeypatch.setattr("repairadvisor.card_making.MOST_PACKED", 1)
    cut = made_card(advisor, advice_id)
    assert {leaf for _, leaf in ways(cut["root"], {})} == {None}
    assert cut["advised"] == whole["advised"]


def test_where_verdicts_have_no_room_the_first_plan_keeps_its_own_longest(
    method: PreparedMethod, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    advisor, advice_id = kept_job(method, engine, "om2-ends-and-om4-on-the-reel")
    monkeypatch.setattr("repairadvisor.card_making._ROOM", (1,))
    both = made_card(advisor, advice_id)
    first, *others = both["verdicts"]
    assert others
    monkeypatch.setattr("repairadvisor.card_making.MOST_PACKED", len(zlib.compress(orjson.dumps(both))) - 1)
    assert [*made_card(advisor, advice_id)["verdicts"]] == [first]
    monkeypatch.setattr("repairadvisor.card_making.MOST_PACKED", 1)
    assert made_card(advisor, advice_id)["verdicts"] == {}  # without a verdict a joint is rung for


# --- every way through it ------------------------------------------------------------------------------------------


def ways(node: Mapping[str, Any], told: Mapping[str, Any]) -> Iterator[tuple[Mapping[str, Any], int | None]]:
    """Every way down a card's tree: the facts told on it, and the leaf it ends in, None where somebody is rung."""
    if "ask" not in node:
        yield told, node.get("leaf")
        return
    for answer, (_, following) in zip(node["told"], node["answers"], strict=True):
        yield from ways(following, {**told, **answer})


def said(card: Mapping[str, Any], leaf: Mapping[str, Any]) -> dict[str, Any]:
    """What a leaf of a card says, as texts."""

    def at(places: list[int]) -> list[str]:
        return [card["texts"][place] for place in places]

    return {
        "say": at([leaf["say"], leaf["because"]]),
        "plan": leaf["plan"],
        "cautions": at(leaf["cautions"]),
        "call": at(leaf["call"]),
        "checks": [(one["screen"], *at([one["text"], one["fails"]]), at(one["beside"])) for one in leaf["checks"]],
        "ready": [(one["after"], *at([one["said"]]), at(one["cautions"]), at(one["before"])) for one in leaf["ready"]],
        "steps": [(one["number"], *at([one["text"]]), at(one["limit"]), at(one["before"])) for one in leaf["steps"]],
        "limits": at(leaf["limits"]),
        "meanwhile": at(leaf["meanwhile"]),
    }


def said_by(advice: Advice) -> dict[str, Any]:
    """The same of an advice."""
    every = placed(advice)
    checks = [
        (one.screen, one.not_before, one.if_it_fails, [*every.beside[one.screen]]) for one in advice.checks_on_arrival
    ]
    return {
        "say": [advice.say, advice.because],
        "plan": "" if advice.plan is None else advice.plan.id,
        "cautions": [*every.first],
        "call": [*advice.call],
        "checks": checks,
        "ready": [([*one.after], one.said, [*one.cautions], [*one.not_before]) for one in advice.fallbacks],
        "steps": [
            (one.number, one.text, [one.limit] if one.limit else [], [*every.before[one.number]])
            for one in advice.steps
        ],
        "limits": [] if advice.loss is None else [row.said for row in advice.loss.limits],
        "meanwhile": [] if advice.wait is None else [*advice.wait.meanwhile],
    }


@pytest.mark.long
def test_every_way_of_generated_cards_ends_where_the_service_does(
    method: PreparedMethod, engine: Engine, share: Callable[[int, int, int], int]
) -> None:
    advisor = Advisor(method, Records(engine))
    numbers = list(range(FAULTS))
    random.Random(SEED).shuffle(numbers)
    walked = rung = 0
    for number in numbers[: share(FAULTS, SHARE, SEED)]:
        facts = orjson.loads(orjson.dumps(drawn_fault(method.policy, number, FAULTS, SEED).told))
        card = made_card(advisor, kept(advisor, facts))
        for told, leaf in ways(card["root"], facts):
            if leaf is None:
                rung += 1
                continue
            answer = advisor.advise({"facts": told, "now": NOW.isoformat(), "record": False}, datetime.now(UTC))
            assert said(card, card["leaves"][leaf]) == said_by(answer.advice), (number, told)
            walked += 1
    assert walked > 0
    print(f"{walked} ways walked, {rung} end where somebody is rung")
