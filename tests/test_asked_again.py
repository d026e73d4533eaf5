"""Asked again at the place: what was told stays as old as it is. No outside source: promises of this product."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import orjson
import pytest
from builders import FixedMethod, a_database_url, an_advice

from repairadvisor.asked_again import ON_SITE, ask_again, told_later
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.value import Between, Known
from repairadvisor.methods import prepared_method
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.records import Records

THEN = datetime(2021, 5, 4, 7, 30, tzinfo=UTC)


def test_what_was_seen_stays_as_old_as_it_is() -> None:
    context = parse_context({"place": "pole_top", "danger_seen": "none"}, THEN)
    later = parse_context(told_later(context), THEN + timedelta(hours=1))
    assert later.held["danger_seen"].seen_at == THEN
    assert later.state("danger_seen") == Known("none")


def test_what_somebody_said_of_its_age_is_kept() -> None:
    seen = THEN - timedelta(minutes=20)
    told = {"wind_gust_mps": {"value": 5, "seen_at": seen.isoformat(), "source": "crew at Pipit Court"}}
    again = told_later(parse_context(told, THEN))
    assert again["wind_gust_mps"] == {"value": 5.0, "source": "crew at Pipit Court", "seen_at": seen.isoformat()}


def test_times_that_run_have_run_on_and_end_where_they_can() -> None:
    told = {"place": "chamber", "gas_test": "clear", "gas_test_age_min": 10, "daylight_ends_min": {"between": [20, 90]}}
    later = parse_context(told_later(parse_context(told, THEN)), THEN + timedelta(minutes=45))
    assert later.state("gas_test_age_min") == Known(55.0)
    assert later.state("daylight_ends_min") == Between(0.0, 45.0)


def test_an_age_that_was_seen_hours_ago_is_never_younger_for_being_asked_again(records: Records) -> None:
    advisor = Advisor(FixedMethod(an_advice()), records)
    seen = {"value": 5, "seen_at": (THEN - timedelta(hours=5)).isoformat()}
    told = {"place": "chamber", "gas_test": "clear", "gas_test_age_min": seen}
    stored = advisor.given(str(advisor.advise({"facts": told, "now": THEN.isoformat()}, THEN).id))
    for minutes in (1, 60):
        answer = ask_again(advisor, stored, {}, THEN + timedelta(minutes=minutes))
        again = advisor.given(str(answer.id))
        context = parse_context(orjson.loads(again.facts), again.now)
        assert context.state("gas_test_age_min") == Known(305.0 + minutes)


def test_thunder_may_have_been_heard_again_since() -> None:
    told = {"place": "pole_top", "since_thunder_min": 20}
    later = parse_context(told_later(parse_context(told, THEN)), THEN + timedelta(minutes=45))
    assert later.state("since_thunder_min") == Between(0.0, 65.0)


@pytest.fixture
def records(tmp_path: Path) -> Records:
    return open_records(Settings(database_url=a_database_url(tmp_path)))


def test_whoever_is_there_has_no_way_left_to_travel(records: Records) -> None:
    advisor = Advisor(FixedMethod(an_advice()), records)
    told = {"place": "pole_top", "crew_place": "travelling", "travel_min": 30}
    stored = advisor.given(str(advisor.advise({"facts": told, "now": THEN.isoformat()}, THEN).id))
    answer = ask_again(advisor, stored, {"crew_place": ON_SITE}, THEN + timedelta(minutes=40))
    facts = orjson.loads(advisor.given(str(answer.id)).facts)
    assert facts["crew_place"]["value"] == ON_SITE
    assert "travel_min" not in facts


def test_what_is_too_old_to_count_does_not_end_the_fresh_advice(records: Records) -> None:
    """30 minutes for danger seen are the shipped policy's; what is found now counts anew."""
    advisor = Advisor(prepared_method(cache_folder(os.environ)), records)
    told = {"place": "rail_side", "crew_place": "on_site", "danger_seen": "none"}
    stored = advisor.given(str(advisor.advise({"facts": told, "now": THEN.isoformat()}, THEN).id))
    later = THEN + timedelta(hours=12)
    answer = ask_again(advisor, stored, {}, later)
    facts = orjson.loads(advisor.given(str(answer.id)).facts)
    assert facts["danger_seen"]["seen_at"] == THEN.isoformat()
    untold = advisor.advise({"facts": {"place": "rail_side", "crew_place": "on_site"}, "now": later.isoformat()}, later)
    assert replace(answer.advice, facts_used=()) == replace(untold.advice, facts_used=())
    assert facts["crew_place"] == {"value": "on_site"}
    assert datetime.fromisoformat(answer.advice.valid_until) > later
    seen = ask_again(advisor, stored, {"danger_seen": "none"}, later)
    assert orjson.loads(advisor.given(str(seen.id)).facts)["danger_seen"] == {"value": "none"}
    soon = ask_again(advisor, stored, {}, THEN + timedelta(minutes=29))
    assert datetime.fromisoformat(soon.advice.valid_until) == THEN + timedelta(minutes=30)


def test_a_clock_that_is_behind_what_was_told_turns_nothing_back(records: Records) -> None:
    advisor = Advisor(FixedMethod(an_advice()), records)
    given = advisor.advise({"facts": {"place": "pole_top"}, "now": THEN.isoformat()}, THEN)
    stored = advisor.given(str(given.id))
    answer = ask_again(advisor, stored, {}, THEN - timedelta(hours=1))
    assert advisor.given(str(answer.id)).now == THEN
