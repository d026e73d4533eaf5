"""Recorded advice made again: after a restart, with another exp, and under another method or table of facts.

No outside source: that the bytes are the same is the property itself. What differs is put there by hand.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import random
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import a_database_url
from whole_jobs import whole_jobs

from repairadvisor import service
from repairadvisor.decision.replay import context_again, differences
from repairadvisor.errors import ConflictError, InputError, NotFoundError
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import PreparedMethod, prepared_method, prepared_under
from repairadvisor.optics import joint_law
from repairadvisor.policy.canonical import canonical_text, plain_of
from repairadvisor.policy.load import load_canonical
from repairadvisor.replay import Replaying, replay_of
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.records import AdviceRecord, Records

CLOCK = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
JOBS = {job.id: job for job in whole_jobs()}
#: Jobs with much known, which are advised on in a tenth of a second or less.
QUICK = (
    "one-of-a-working-ribbon-and-no-leave",
    "tail-snapped-in-the-frame",
    "flooded-hole-and-six-dark-fibres",
    "alone-over-an-open-cover",
    "television-light-in-the-feeder",
    "plug-pulled-by-the-vacuum-cleaner",
    "om2-ends-and-om4-on-the-reel",
    "loop-shut-in-the-lid",
    "four-snapped-in-tray-two",
    "two-plugs-from-the-bucket",
    "only-blue-plugs-in-the-bag",
    "squirrel-at-the-terminal",
    "video-on-the-drop",
    "low-oxygen-and-no-smell",
)
RECORDS, ONE_IN, SEED = 1_000, 50, 20310504


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Records:
    return open_records(Settings(database_url=a_database_url(tmp_path_factory.mktemp("replay"))))


@pytest.fixture(scope="module")
def method(records: Records) -> PreparedMethod:
    return prepared_method(cache_folder(os.environ), records)


@pytest.fixture(scope="module")
def advisor(method: PreparedMethod, records: Records) -> Advisor:
    return Advisor(method, records)


def kept(advisor: Advisor, facts: Mapping[str, Any], now: datetime = CLOCK, **more: Any) -> str:
    answer = advisor.advise({"facts": facts, "now": now.isoformat(), **more}, CLOCK)
    assert answer.id is not None
    return answer.id


def a_job(advisor: Advisor, **more: Any) -> str:
    job = JOBS["tail-snapped-in-the-frame"]
    return kept(advisor, job.facts, job.now, **more)


# --- under the same method ----------------------------------------------------------------------------------------


def varied(number: int) -> tuple[dict[str, Any], datetime]:
    """A quick job with some numbers moved a little, and what then contradicts left out."""
    chance = random.Random(f"{SEED}/{number}")
    job = JOBS[chance.choice(QUICK)]
    facts = {name: one * chance.uniform(0.9, 1.1) if isinstance(one, float) else one for name, one in job.facts.items()}
    try:
        parse_context(facts, job.now)
    except InputError as error:
        wrong = {fault.field.split(".")[0] for fault in error.faults}
        facts = {name: job.facts[name] if name in wrong else one for name, one in facts.items()}
    return facts, job.now


@contextmanager
def another_last_bit(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A library's exp may be off by one unit in the last place (common practice, no source): here it always is."""
    exp, array_exp = math.exp, np.exp
    with monkeypatch.context() as patch:
        patch.setattr(math, "exp", lambda x: math.nextafter(exp(x), math.inf))
        patch.setattr(np, "exp", lambda x: np.nextafter(array_exp(x), np.inf))
        joint_law._clean_table.cache_clear()
        joint_law._failed_table.cache_clear()
        yield
    joint_law._clean_table.cache_clear()
    joint_law._failed_table.cache_clear()


@pytest.mark.long
def test_records_are_the_same_bytes_again_where_exp_has_another_last_bit(
    share: Callable[[int, int, int], int],
    advisor: Advisor,
    records: Records,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    count = share(RECORDS, RECORDS // ONE_IN, SEED)
    ids = [kept(advisor, *varied(number)) for number in range(count)]
    with another_last_bit(monkeypatch):
        policy = load_canonical(records.policy(advisor.method.policy_id))
        mine = prepared_under(policy, tmp_path)  # with nothing kept the light is another one: the bit does count
        assert isinstance(advisor.method, PreparedMethod)
        assert mine.rules.light != advisor.method.rules.light
        replaying = Replaying(records, tmp_path)
        found = [replaying.replay(records.get(one)) for one in ids]
    assert [one for one in found if not one.equal or one.differences or one.not_read] == []
    assert len({records.get(one).document for one in ids}) > count / 2  # they are not one and the same advice


@pytest.mark.parametrize(
    "more",
    [
        {"issued_plan": "mechanical_splice/join_directly/in_place/on_foot/none/permanent"},
        {"turning_points": True},
        {"now": "2031-08-05T09:30:00+02:00"},
    ],
)
def test_whatever_else_was_asked_is_asked_again(advisor: Advisor, more: dict[str, Any]) -> None:
    job = JOBS["tail-snapped-in-the-frame"]
    answer = advisor.advise({"facts": job.facts, "now": job.now.isoformat(), **more}, CLOCK)
    assert answer.id is not None
    found = replay_of(advisor, answer.id)
    assert (found.equal, found.differences) == (True, ())


def test_what_had_run_out_has_run_out_again(advisor: Advisor) -> None:
    gas = {"value": "clear", "seen_at": "2031-05-01T07:00:00Z", "valid_until": "2031-05-01T08:00:00Z"}
    id = kept(advisor, {"place": "chamber", "gas_test": gas, "danger_seen": "gas_smell"})  # noqa: A001
    assert json.loads(advisor.given(id).facts).keys() == {"place", "danger_seen"}
    assert replay_of(advisor, id).equal


def test_after_a_restart_the_kept_tables_are_read_and_nothing_is_compiled(
    advisor: Advisor, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    id = a_job(advisor)  # noqa: A001
    monkeypatch.setattr("repairadvisor.decision.rules.compile_light", None)
    assert Replaying(records).replay(records.get(id)).equal


def test_a_policy_that_is_no_longer_in_force_is_had_from_the_records(
    method: PreparedMethod, records: Records, tmp_path: Path
) -> None:
    raw: Any = plain_of(method.policy.canonical)
    raw["prices.toml"]["rate"]["indifference_absolute_cu"]["value"] += 5
    other = prepared_under(load_canonical(canonical_text(raw)), None, records)
    assert other.policy_id != method.policy_id
    id = a_job(Advisor(other, records))  # noqa: A001
    in_force = Advisor(method, records)
    found = replay_of(in_force, id, tmp_path)
    assert (found.equal, found.policy) == (True, other.policy_id)
    assert b'"policy":"' + method.policy_id.encode() not in records.get(id).document


@pytest.mark.parametrize("turning", [True, False])
def test_a_record_of_a_version_that_kept_no_request(advisor: Advisor, records: Records, turning: bool) -> None:
    stored = asdict(records.get(a_job(advisor, turning_points=turning)))
    del stored["id"]
    assert replay_of(advisor, records.save(AdviceRecord(**{**stored, "request": None}))).equal


def test_a_second_process_that_compiles_otherwise_goes_on_with_what_is_kept(
    method: PreparedMethod, records: Records, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two machines that share a database: else the advice of one could not be made again on the other."""
    with another_last_bit(monkeypatch):
        other = prepared_method(tmp_path, records)
    assert other.rules.light == method.rules.light


def test_tables_of_another_form_under_the_same_version_are_not_used(method: PreparedMethod, tmp_path: Path) -> None:
    spoilt = open_records(Settings(database_url=a_database_url(tmp_path)))
    spoilt.keep_policy(method.policy_id, method.policy_text)
    spoilt.keep_tables(method.policy_id, service.METHOD_VERSION, b"{}")
    assert prepared_method(cache_folder(os.environ), spoilt).rules.light == method.rules.light


# --- under another method or table of facts -----------------------------------------------------------------------


def test_another_method_gives_the_differences_place_by_place(advisor: Advisor, records: Records) -> None:
    stored = records.get(a_job(advisor))
    document = json.loads(stored.document)
    before = {**document, "method_version": "4", "say": "Say this.", "gone": 1, "kit": document["kit"][:-1]}
    old = replace(stored, document=json.dumps(before).encode(), method_version="4", vocabulary_version="1")
    found = Replaying(records, None, advisor.method).replay(old)
    changed = {one.path: (one.then, one.now) for one in found.differences}
    last = f"/kit/{len(document['kit']) - 1}"
    assert changed.keys() == {"/method_version", "/say", "/gone", last}
    assert changed["/say"] == ('"Say this."', json.dumps(document["say"], ensure_ascii=False))
    assert changed["/gone"] == ("1", "")
    assert (changed[last][0], json.loads(changed[last][1])) == ("", document["kit"][-1])
    assert not found.equal
    assert (found.method_then, found.method_now) == ("4", service.METHOD_VERSION)
    assert found.vocabulary_then == "1"


def test_what_cannot_be_read_any_more_is_named_and_the_rest_is_compared(advisor: Advisor, records: Records) -> None:
    stored = records.get(a_job(advisor))
    assert stored.request is not None
    told = json.loads(stored.request)
    told["facts"] |= {"colour_of_the_sky": "blue", "place": "moon"}
    found = Replaying(records, None, advisor.method).replay(replace(stored, request=json.dumps(told).encode()))
    assert sorted(why.partition(" ")[0] for why in found.not_read) == ["colour_of_the_sky", "place"]
    assert "/facts_used" in {one.path[:11] for one in found.differences}


def test_a_document_that_is_no_json_is_compared_whole(advisor: Advisor, records: Records) -> None:
    stored = replace(records.get(a_job(advisor)), document=b"torn\xff")
    (only,) = Replaying(records, None, advisor.method).replay(stored).differences
    assert (only.path, only.then) == ("", '"torn\N{REPLACEMENT CHARACTER}"')


def test_a_policy_that_this_version_cannot_use_is_a_conflict(advisor: Advisor, records: Records) -> None:
    policy_id = hashlib.sha256(b"{}").hexdigest()
    records.keep_policy(policy_id, b"{}")
    with pytest.raises(ConflictError, match="is missing"):
        Replaying(records).replay(replace(records.get(a_job(advisor)), policy_id=policy_id))


@pytest.mark.parametrize("advice_id", ["", "x", "0" * 32, "../x"])
def test_what_was_never_given_is_not_found(advisor: Advisor, advice_id: str) -> None:
    with pytest.raises(NotFoundError):
        replay_of(advisor, advice_id)


# --- two documents ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("then", "now", "found"),
    [
        (b"{}", b"{}", []),
        (b'{"a":1}', b'{"a":1.0}', [("/a", "1", "1.0")]),
        (b'{"a":null}', b"{}", [("/a", "null", "")]),
        (b'{"a":[1,2]}', b'{"a":[1,3,4]}', [("/a/1", "2", "3"), ("/a/2", "", "4")]),
        (b'{"a/b":{"~":1}}', b'{"a/b":{"~":2}}', [("/a~1b/~0", "1", "2")]),
        (b'{"a":[]}', b'{"a":{}}', [("/a", "[]", "{}")]),
        (b'{"a":1,"b":2}', b'{"b":2,"a":1}', [("", '{"a":1,"b":2}', '{"b":2,"a":1}')]),
        (b'{"a":"\xc2\xb5"}', b'{"a":true}', [("/a", '"\N{MICRO SIGN}"', "true")]),
    ],
)
def test_differences_stand_under_their_pointers(then: bytes, now: bytes, found: list[tuple[str, str, str]]) -> None:
    """Pointers as RFC 6901 has them, from memory: "/" between, "~1" for "/", "~0" for "~"."""
    assert [(one.path, one.then, one.now) for one in differences(then, now)] == found


def test_facts_that_contradict_by_now_are_left_out() -> None:
    context, unread = context_again({"place": "pole_top", "depth_m": 2, "margin_db": 3}, CLOCK)
    assert [fault.slug for fault in unread] == ["contradiction"]
    assert set(context.held) == {"place", "margin_db"}
