"""The pole: a kept advice walked through one thing at a time. No outside source: these are promises of this product.

The method behind is a fixed one: up to 0.15 dB at 1310 nm both ways a joint may stay.
"""

from __future__ import annotations

import html
import random
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from builders import (
    FixedMethod,
    a_caution,
    a_check,
    a_crowded_advice,
    a_database_url,
    a_loss,
    a_plan,
    a_question_first,
    a_stand_off,
    a_verdict,
    a_wait,
    an_advice,
    an_out_of_scope,
)
from flask.testing import FlaskClient
from sqlalchemy import Engine

from repairadvisor.decision.advice import Advice, KeepUpTo, Step
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.outcome.reported import Repair
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.database import RecordsError
from repairadvisor.store.outcomes import Outcomes
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app
from repairadvisor.work_done import WorkDone

SCRIPT = "</textarea><script>alert(1)</script>"
RIGHT_TO_LEFT = "\u05e2\u05de\u05d5\u05d3"


@dataclass(frozen=True)
class Recording(FixedMethod):
    """A fixed method that remembers what it was asked, and gives ``verdict`` whatever is measured, if there is one."""

    asked: list[tuple[Context, str]] = field(default_factory=list)
    verdict: Mapping[str, Any] | None = None

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        self.asked.append((context, issued_plan))
        return super().advise(context, issued_plan, turning=turning)

    def judge(self, context: Context, plan_id: str, attempts: Any, now: datetime) -> tuple[Verdict, ...]:
        found = super().judge(context, plan_id, attempts, now)
        return found if self.verdict is None else tuple(replace(one, **self.verdict) for one in found)


@dataclass
class Pole:
    """A telephone on which an advice is open."""

    client: FlaskClient
    method: Recording
    id: str

    def get(self, address: str = "", **asked: str) -> str:
        answer = self.client.get(address or f"/pole?{urlencode({'advice': self.id, **asked})}")
        assert answer.status_code == 200, answer.get_data(as_text=True)
        return answer.get_data(as_text=True)

    def refused(self, status: int, **asked: str) -> str:
        answer = self.client.get(f"/pole?{urlencode({'advice': self.id, **asked})}")
        assert answer.status_code == status
        return answer.get_data(as_text=True)

    def post(self, path: str, status: int = 303, **told: str) -> str:
        """What follows from a form: where it leads, or the page where it is refused."""
        answer = self.client.post(path, data={"advice": self.id, **told})
        assert answer.status_code == status, answer.get_data(as_text=True)
        return answer.headers.get("Location", "") or answer.get_data(as_text=True)


Opened = Callable[..., Pole]


@pytest.fixture
def opened(tmp_path: Path, records: Records) -> Opened:
    """An advice, kept, and opened at the pole."""

    def open_(advice: Advice | None = None, verdict: Mapping[str, Any] | None = None, **facts: object) -> Pole:
        method = Recording(advice or current(), verdict=verdict)
        client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
        given = client.post("/v1/advice", json={"facts": facts or {"place": "pole_top"}})
        return Pole(client, method, given.headers["Location"].rpartition("/")[2])

    return open_


def current(advice: Advice | None = None, **changes: Any) -> Advice:
    """An advice of this method that has not run out."""
    return replace(advice or an_advice(), method_version=METHOD_VERSION, **{"valid_until": "", **changes})


def joining(**changes: Any) -> Advice:
    """The same, whose second step makes the joints."""
    first, second = an_advice().steps
    return current(steps=(first, replace(second, joins=True)), **changes)


def everything_ticked(pole: Pole) -> str:
    """The names of all stops, once all of them are done."""
    page = pole.get()
    while "<h1>What is done" not in page:
        address = forward(page)
        page = pole.get(address)
    return parse_qs(urlsplit(address).query)["ticked"][0]


def text_of(page: str) -> str:
    """What is read on a page."""
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", page[page.index("<main") :])).split())


def thing(page: str) -> str:
    """The one thing that a page shows."""
    (found,) = re.findall(r'<p class="[^"]*\bthing\b[^"]*">(.*?)</p>', page)
    return html.unescape(found)


def buttons(page: str) -> dict[str, str]:
    """Where the targets of a page lead, by what stands on them."""
    found = re.findall(r'<a class="again[^"]*" href="([^"]*)">([^<]*)</a>', page)
    return {html.unescape(said): html.unescape(link) for link, said in found}


def forward(page: str) -> str:
    """Where a page leads when its thing is done."""
    return next(iter(buttons(page).values()))


def walked(pole: Pole) -> list[str]:
    """The headings and things of a walk from its start to its end."""
    seen, page = [], pole.get()
    while "<h1>What is done" not in page:
        (heading,) = re.findall(r"<h1>(.*?)</h1>", page)
        seen.append(f"{heading}: {thing(page)}")
        page = pole.get(forward(page))
    return seen


# --- one thing at a time --------------------------------------------------------------------------------------


def test_an_advice_is_walked_from_its_start_to_its_end_one_thing_at_a_time(opened: Opened) -> None:
    advice = an_advice()
    height, glass, pole_gives_way = (one.text for one in advice.cautions)
    assert walked(opened()) == [
        f"Repair: {advice.say}",
        f"Caution: {height}",
        f"Caution: {pole_gives_way}",
        "Check 1 of 1: The pole is tested and found sound.",
        "Step 1 of 2: Set out the tent beside the pole.",
        f"Caution: {glass}",
        "Step 2 of 2: Strip, cleave and fuse the fibre.",
    ]


def test_of_many_cautions_each_stands_whole_on_its_own_page_before_what_it_concerns(opened: Opened) -> None:
    advice = current(a_crowded_advice())
    seen = walked(opened(advice))
    for caution in advice.cautions:
        (at,) = [number for number, one in enumerate(seen) if one == f"Caution: {caution.text}"]
        after = [one for one in seen[at:] if not one.startswith("Caution")]
        if caution.owed_to == "known" and caution.before_step:
            assert after[0].startswith(f"Step {caution.before_step} of")
        else:
            assert after[0].startswith("Check 1 of 2")
    assert len(seen) == len(set(seen)) == 1 + len(advice.cautions) + 2 + 2


def test_the_limit_stands_with_its_step(opened: Opened) -> None:
    pole = opened()
    page = pole.get()
    while "Step 2 of 2" not in page:
        page = pole.get(forward(page))
    assert "Done when: 0.15 dB or better, both ways averaged" in text_of(page)


def test_nothing_is_shown_before_everything_ahead_of_it_is_done(opened: Opened) -> None:
    pole = opened()
    links = []
    page = pole.get()
    while "<h1>What is done" not in page:
        links.append(forward(page))
        page = pole.get(links[-1])
    last = parse_qs(urlsplit(links[-1]).query)["ticked"][0].split(".")
    for name in last[1:]:
        assert thing(pole.get(at=name)) == an_advice().say
        assert thing(pole.get(at=name, ticked=last[0])) == an_advice().cautions[0].text


def test_a_link_shows_the_same_again_with_what_is_ticked(opened: Opened) -> None:
    pole = opened()
    address = forward(pole.get(forward(pole.get())))
    keys = re.compile(r'name="key" value="[0-9a-f]+"')
    assert keys.sub("", pole.get(address)) == keys.sub("", pole.get(address))
    assert "1 of 3 cautions read" in text_of(pole.get(address))


def test_a_tick_can_be_taken_away(opened: Opened) -> None:
    pole = opened()
    begun = forward(pole.get())
    read = forward(pole.get(begun))
    name = parse_qs(urlsplit(read).query)["ticked"][0].split(".")[1]
    page = pole.get(f"{read}&at={name}")
    assert "Ticked: done." in page
    taken = pole.get(buttons(page)["Take the tick away"])
    assert "0 of 3 cautions read" in text_of(taken)
    assert "I have read this" in buttons(taken)


def test_all_stops_can_be_read_ahead_each_caution_before_its_step(opened: Opened) -> None:
    said = text_of(opened().get(at="list"))
    places = [said.index(one) for one in ("Set out the tent", "Splinters of glass", "Strip, cleave and fuse")]
    assert places == sorted(places)


def test_what_a_cut_link_has_lost_is_said(opened: Opened) -> None:
    pole = opened()
    begun = forward(pole.get())
    assert "A tick may be missing" not in pole.get(begun)
    assert "A tick may be missing" in pole.get(forward(pole.get(begun))[:-2])


def test_a_tick_of_something_that_says_something_else_does_not_count(opened: Opened) -> None:
    before = opened()
    links = forward(before.get(forward(before.get(forward(before.get())))))
    height, glass, structures = an_advice().cautions
    changed = replace(height, text="A fall kills. Go up in the cradle only; the person in charge decides.")
    after = opened(current(cautions=(changed, glass, structures)))
    ticked = parse_qs(urlsplit(links).query)["ticked"][0]
    assert thing(after.get(ticked=ticked)) == changed.text


def test_chances_are_said_with_what_to_do_about_them(opened: Opened) -> None:
    said = text_of(opened().get())
    assert "Closes in more than 99 of 100 such repairs: measure as usual." in said
    assert "A joint has to be made again on one fibre in 25: take one spare part of each kind" in said


@pytest.mark.parametrize(
    ("again", "do"),
    [
        (0.6, "two more attempts at each joint"),
        (0.4, "two more attempts at each joint"),
        (0.39, "take two spare parts"),
        (0.1, "take two spare parts"),
        (0.099, "take one spare part"),
        (0.001, "one spare part of each kind is enough"),
    ],
)
def test_what_to_do_about_a_chance_goes_by_the_thresholds_of_the_policy(opened: Opened, again: float, do: str) -> None:
    assert do in text_of(opened(current(loss=a_loss(redos_expected=again))).get())


def test_what_is_for_continuity_only_and_loosened_rules_are_said_before_it_begins(opened: Opened) -> None:
    only = "For continuity only: this misses the budget."
    assert only in text_of(opened(current(continuity_only=only)).get())


# --- where nobody works ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("advice", [a_stand_off(), a_wait(), a_question_first(), an_out_of_scope()])
@pytest.mark.parametrize("at", ["", "list", "reading", "failed", "otherwise", "end", "x"])
def test_an_answer_under_which_nobody_works_comes_first_and_has_no_steps(
    opened: Opened, advice: Advice, at: str
) -> None:
    said = text_of(opened(current(advice)).get(at=at, ticked="start"))
    assert advice.say in said
    for line in (*(one.text for one in advice.cautions), *advice.call, *(advice.wait.meanwhile if advice.wait else ())):
        assert line in said
    assert "Begin" not in said


@pytest.mark.parametrize("advice", [a_stand_off(), a_wait(), an_out_of_scope()])
def test_what_is_done_instead_comes_with_its_limits_after_the_danger_that_decides_and_whom_to_ring(
    opened: Opened, advice: Advice
) -> None:
    decides = a_caution(tag="a", text="This is what kills.", before_step=0)
    other = a_caution(tag="b", text="This may cut.", before_step=0)
    first = a_caution(tag="c", text="This comes before the first.", before_step=1)
    steps = (Step(1, "Drive off.", "The road is clear.", ("c",)), Step(2, "Mark the place.", "", ()))
    held = current(advice, cautions=(decides, other, first), steps=steps, call=("power owner",))
    said = text_of(opened(held).get())
    wait = advice.wait.meanwhile if advice.wait else ()
    order = [advice.say, decides.text, *wait, "Ring: power owner", first.text, "Drive off."]
    order += ["Done when: The road is clear.", "Mark the place.", other.text, advice.because]
    assert [said.index(one) for one in order] == sorted(said.index(one) for one in order)


def test_where_something_is_asked_first_the_question_and_its_answers_come_before_all_else(opened: Opened) -> None:
    question = replace(an_advice().questions[0], fact="danger_seen", ask="Does anything spark?")
    caution = a_caution(text="This is what kills.", before_step=0)
    asked = current(a_question_first(), questions=(question,), cautions=(caution,), call=("control room",))
    page = opened(asked).get()
    order = ["Does anything spark?", 'name="danger_seen" value="sparks"', "Ring: control room", caution.text]
    assert [page.index(one) for one in order] == sorted(page.index(one) for one in order)


def test_the_first_question_of_such_an_answer_can_be_answered(opened: Opened) -> None:
    pole = opened(current(a_question_first()))
    page = pole.get()
    assert "How many metres of cable hang in the loop on the house side?" in page
    assert 'name="spare_far_m"' in page
    pole.post("/pole/found", spare_far_m="1.5")
    context, _ = pole.method.asked[-1]
    assert context.state("spare_far_m") is not None


def test_work_cannot_be_reported_under_it(opened: Opened, engine: Engine) -> None:
    pole = opened(current(a_stand_off()))
    pole.post("/pole/reading", 200, **a_reading())
    pole.post("/pole/otherwise", 200, reason="x")
    assert Outcomes(engine).count() == 0


# --- which advice ---------------------------------------------------------------------------------------------


def test_without_an_advice_it_asks_which(opened: Opened) -> None:
    page = opened().client.get("/pole").get_data(as_text=True)
    assert "Which advice?" in page
    assert 'name="advice"' in page


@pytest.mark.parametrize("typed", ["x", SCRIPT, "9" * 10_000, RIGHT_TO_LEFT, "21b7c0205210", "' OR 1=1"])
def test_an_id_that_is_none_is_refused_with_what_an_id_is(opened: Opened, typed: str) -> None:
    answer = opened().client.get("/pole", query_string={"advice": typed})
    page = answer.get_data(as_text=True)
    assert answer.status_code == 422
    assert "this is no id of an advice and no link to one; allowed: 32 of the digits" in text_of(page)
    assert "<script" not in page
    assert len(page) < 4000


@pytest.mark.parametrize(
    "link", ["https://advice.lanternfield.example/v1/advice/{}", " {} ", "/pole?advice={}&ticked=start", "advice {}."]
)
def test_a_link_to_an_advice_does_for_its_id(opened: Opened, link: str) -> None:
    pole = opened()
    answer = pole.client.get("/pole", query_string={"advice": link.format(pole.id.upper())})
    assert answer.status_code == 200
    assert thing(answer.get_data(as_text=True)) == an_advice().say


def test_a_link_with_two_ids_names_none(opened: Opened) -> None:
    pole = opened()
    answer = pole.client.get("/pole", query_string={"advice": f"{pole.id} {'0' * 32}"})
    assert answer.status_code == 422


def test_an_id_under_which_nothing_is_kept(opened: Opened) -> None:
    answer = opened().client.get("/pole?advice=" + "0" * 32)
    assert answer.status_code == 404
    assert "no advice is kept under this id" in answer.get_data(as_text=True)


def test_the_desk_leads_to_the_pole_once_an_advice_is_kept(opened: Opened) -> None:
    form = {"data": {"place": "pole_top"}, "headers": {"Accept": "text/html"}}
    page = opened().client.post("/", **form, follow_redirects=True).get_data(as_text=True)
    (link,) = re.findall(r'href="(/pole\?advice=[0-9a-f]{32})"', page)
    assert an_advice().say in page
    assert opened().client.get(link).status_code == 200


@pytest.mark.parametrize("path", ["/pole/found", "/pole/otherwise", "/pole/reading", "/pole/closing"])
def test_only_a_form_is_taken(opened: Opened, path: str) -> None:
    assert opened().client.post(path, json={}).status_code == 415


# --- what makes an advice doubtful ----------------------------------------------------------------------------

LONG_AGO = "2021-05-04T09:00:00+00:00"


def test_an_advice_that_has_run_out_is_not_begun(opened: Opened) -> None:
    pole = opened(current(valid_until=LONG_AGO))
    for asked in ({}, {"ticked": "start"}, {"at": "list"}):
        page = pole.get(**asked)
        assert "This advice ran out at 4 May 2021 09:00 UTC: the wind was seen then." in text_of(page)
        assert "Begin" not in buttons(page)
        assert "Set out the tent" not in page
        assert 'action="/pole/found"' in page


def ticked_up_to(pole: Pole, heading: str) -> str:
    page = pole.get()
    while heading not in page:
        address = forward(page)
        page = pole.get(address)
    return parse_qs(urlsplit(address).query)["ticked"][0]


@pytest.mark.parametrize("at", ["", "list", "failed", "otherwise", "stopped"])
def test_who_is_in_the_middle_of_it_makes_it_safe_and_sees_nothing_new_before_asking_again(
    opened: Opened, at: str
) -> None:
    ticked = ticked_up_to(opened(), "Step 2 of 2")
    late = opened(current(valid_until=LONG_AGO))
    said = text_of(late.get(at=at, ticked=ticked))
    assert "This advice ran out" in said
    assert "Make safe what you have in hand" in said
    assert "Ring: control room" in said
    for new in ("Strip, cleave and fuse", "The pole is tested"):
        assert new not in said


def test_under_other_rules_than_those_in_force_nothing_new_is_shown_either(
    opened: Opened, tmp_path: Path, records: Records
) -> None:
    pole = opened()
    ticked = ticked_up_to(pole, "Step 2 of 2")
    method = Recording(current(), policy_text=b"another policy")
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    said = text_of(Pole(client, method, pole.id).get(ticked=ticked))
    assert "given under other rules" in said
    assert "Make safe what you have in hand" in said
    assert "Strip, cleave and fuse" not in said


def test_a_joint_that_is_made_is_still_reported_under_an_advice_that_has_run_out(opened: Opened) -> None:
    ticked = ticked_up_to(opened(joining()), "Step 2 of 2")
    late = opened(joining(valid_until=LONG_AGO))
    assert "A joint was measured" in buttons(late.get(ticked=ticked))
    page = late.get(late.post("/pole/reading", **a_reading(), ticked=ticked))
    assert re.findall(r"<h1>(.*?)</h1>", page) == ["Accept"]
    assert "T1F1, joint 1. Attempt 1: 0.04 dB" in text_of(late.get(at="end", ticked=ticked))


def test_asked_again_after_it_ran_out_checks_are_made_anew_and_steps_stay_done(opened: Opened) -> None:
    fresh = opened()
    page = fresh.get()
    while "<h1>What is done" not in page:
        address = forward(page)
        page = fresh.get(address)
    ticked = parse_qs(urlsplit(address).query)["ticked"][0]
    late = opened(current(valid_until=LONG_AGO))
    again = late.post("/pole/found", ticked=ticked)
    said = text_of(late.get(again))
    assert "0 of 1 checks certain, 2 of 2 steps done" in said
    assert "1 of 1 checks certain" in text_of(fresh.get(fresh.post("/pole/found", ticked=ticked)))


def test_advice_of_another_policy_or_method_is_said_to_be(opened: Opened, tmp_path: Path, records: Records) -> None:
    pole = opened()
    assert "other rules" not in pole.get()
    method = Recording(current(), policy_text=b"another policy")
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    assert "given under other rules" in client.get(f"/pole?advice={pole.id}").get_data(as_text=True)
    assert "by an earlier method" in opened(replace(current(), method_version="2")).get()


# --- a check that failed --------------------------------------------------------------------------------------


def at_check(pole: Pole) -> str:
    page = pole.get()
    while "<h1>Check" not in page:
        page = pole.get(forward(page))
    return page


def check_that_may_be_skipped(**changes: Any) -> Advice:
    return current(checks_on_arrival=(a_check(kind="permanence"),), **changes)


def test_a_check_that_failed_leads_to_what_is_held_ready_for_it_with_its_cautions_first(opened: Opened) -> None:
    held = replace(an_advice().fallbacks[0], after=("pole-sound",))
    pole = opened(current(fallbacks=(held,)))
    page = text_of(pole.get(buttons(at_check(pole))["It is not so, or I cannot tell"]))
    order = ["stand off and ring the control room", held.cautions[0], held.said, held.not_before[0], "What was found?"]
    places = [page.index(one) for one in order]
    assert places == sorted(places)


def test_what_is_held_ready_for_another_check_is_not_offered(opened: Opened) -> None:
    pole = opened()
    assert "Held ready" not in pole.get(buttons(at_check(pole))["It is not so, or I cannot tell"])


def test_what_was_found_is_asked_again_with_the_plan_and_the_age_of_what_was_told(opened: Opened) -> None:
    pole = opened(place="pole_top", wind_gust_mps=5)
    page = pole.get(buttons(at_check(pole))["It is not so, or I cannot tell"])
    values = re.findall(r'<button name="pole_condition" value="([^"]*)">', page)
    assert len(values) >= 2
    hidden = dict(re.findall(r'name="(\w+)" value="([^"]*)"', page))
    first, _ = pole.method.asked[0]
    told = {"pole_condition": values[-1], **{name: hidden[name] for name in ("ticked", "of", "key")}}
    address = pole.post("/pole/found", **told)
    context, plan = pole.method.asked[-1]
    assert plan == a_plan().id
    assert context.held["pole_condition"].seen_at is None
    assert context.held["wind_gust_mps"].seen_at == first.now
    assert context.now > first.now
    fresh = parse_qs(urlsplit(address).query)["advice"][0]
    assert fresh != pole.id
    # Pressed twice it is one advice; something else that was found is another.
    assert pole.post("/pole/found", **told) == address
    other = pole.post("/pole/found", **{**told, "pole_condition": values[0]})
    assert parse_qs(urlsplit(other).query)["advice"][0] != fresh


def test_attempts_made_before_it_was_asked_again_count(opened: Opened) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading(loss_1310="0.4"))
    pole.post("/pole/reading", **a_reading(fibre="T1F2", key="k2"))
    address = pole.post("/pole/found")
    context, _ = pole.method.asked[-1]
    assert context.state("attempts_so_far_count") == Known(1.0)
    told = {name: values[0] for name, values in parse_qs(urlsplit(address).query).items()}
    assert told["earlier"] == pole.id
    fresh = Pole(pole.client, pole.method, told["advice"])
    page = fresh.get(earlier=pole.id, at="reading", fibre="T1F1", joint="1")
    assert "Fibre T1F1, joint 1, attempt 2" in page
    assert "Attempt 1: 0.40 dB at 1310 nm; Redo" in text_of(page)
    assert "T1F1, joint 1. Keep the joint." in text_of(fresh.get(earlier=pole.id, at="end"))
    fresh.post("/pole/reading", **a_reading(attempt="2", key="k3"))
    end = text_of(fresh.get(earlier=pole.id, at="end"))
    assert "T1F1, joint 1. Keep the joint." not in end  # it was made again, and kept
    for said in ("Attempt 1: 0.40 dB at 1310 nm; Redo", "Attempt 2: 0.04 dB at 1310 nm; Accept", "T1F2, joint 1."):
        assert said in end


def test_attempts_at_joints_that_stay_are_not_counted_as_made_in_vain(opened: Opened) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading())
    pole.post("/pole/found")
    assert pole.method.asked[-1][0].state("attempts_so_far_count") is None


def test_an_earlier_advice_that_is_none_is_left_out_and_said(opened: Opened) -> None:
    pole = opened()
    assert "A tick may be missing" in pole.get(earlier=SCRIPT)
    assert "<script" not in pole.get(earlier=SCRIPT)
    assert "No joint has been reported." in pole.get(earlier="0" * 32, at="end")


def test_whoever_has_done_a_step_is_at_the_place(opened: Opened) -> None:
    pole = opened(place="pole_top")
    pole.post("/pole/found")
    assert pole.method.asked[-1][0].state("crew_place") is None
    page = pole.get()
    while "<h1>Step 2" not in page and "Splinters" not in page:
        address = forward(page)
        page = pole.get(address)
    pole.post("/pole/found", ticked=parse_qs(urlsplit(address).query)["ticked"][0])
    assert pole.method.asked[-1][0].state("crew_place") == Known("on_site")


@pytest.mark.parametrize("typed", [SCRIPT, "9" * 10_000, RIGHT_TO_LEFT])
def test_what_was_found_and_cannot_be_used_is_refused_and_kept_on_the_page(opened: Opened, typed: str) -> None:
    pole = opened(current(checks_on_arrival=(a_check(facts=("wind_gust_mps", "pole_condition")),)))
    link = buttons(at_check(pole))["It is not so, or I cannot tell"]
    of, ticked = (parse_qs(urlsplit(link).query)[name][0] for name in ("of", "ticked"))
    page = pole.post("/pole/found", 422, of=of, ticked=ticked, wind_gust_mps=typed)
    assert f'value="{html.escape(typed)}"'.replace("&#x27;", "&#39;") in page
    assert 'href="#wind_gust_mps"' in page
    assert "<script" not in page
    assert len(pole.method.asked) == 1


# --- otherwise than advised -----------------------------------------------------------------------------------


def at_step(pole: Pole) -> str:
    page = pole.get()
    while "<h1>Step" not in page:
        page = pole.get(forward(page))
    return page


def why(pole: Pole, page: str) -> dict[str, str]:
    asked = pole.get(buttons(page)["I do it otherwise"])
    return dict(re.findall(r'name="(ticked|of)" value="([^"]*)"', asked))


def test_a_step_done_otherwise_is_kept_with_its_reason_before_any_joint_is_made(opened: Opened, engine: Engine) -> None:
    pole = opened()
    address = pole.post("/pole/otherwise", **why(pole, at_step(pole)), reason="no room for a tent")
    assert "reason" not in address
    page = pole.get(address)
    assert "<h1>Caution" in page  # it goes on
    assert "1 of 2 steps done" in text_of(page)
    end = text_of(pole.get(f"{address}&at=end"))
    assert "Step 1 otherwise: no room for a tent" in end
    assert pole.client.get(f"/v1/advice/{pole.id}/outcomes").get_json()["evidence"] == [
        "Step 1 otherwise: no room for a tent"
    ]
    assert "Done otherwise than advised." in text_of(pole.get(f"{address}&at=list"))


def test_the_same_reason_sent_twice_is_kept_once(opened: Opened) -> None:
    pole = opened()
    told = why(pole, at_step(pole))
    assert pole.post("/pole/otherwise", **told, reason="x") == pole.post("/pole/otherwise", **told, reason="x")
    assert len(pole.client.get(f"/v1/advice/{pole.id}/outcomes").get_json()["evidence"]) == 1


@pytest.mark.parametrize(
    ("reason", "fault"),
    [
        ("", "Why: nothing is told; allowed: 1 to 150 characters"),
        ("x" * 10_000, "Why: this is 10000 characters long; allowed: 1 to 150 characters"),
        (f"{SCRIPT}\u0007", "Why: it holds characters that cannot be printed"),
    ],
)
def test_a_reason_that_cannot_be_kept_is_refused_and_nothing_typed_is_lost(
    opened: Opened, reason: str, fault: str
) -> None:
    pole = opened()
    page = pole.post("/pole/otherwise", 422, **why(pole, at_step(pole)), reason=reason)
    assert fault in html.unescape(page)
    assert f">{reason}</textarea>" in html.unescape(page)
    assert "<script" not in page
    assert pole.client.get(f"/v1/advice/{pole.id}/outcomes").get_json()["evidence"] == []


@pytest.mark.parametrize("reason", [SCRIPT, RIGHT_TO_LEFT, "two\nlines"])
def test_a_reason_is_shown_as_it_was_told_and_never_as_a_script(opened: Opened, reason: str) -> None:
    pole = opened()
    page = pole.get(pole.post("/pole/otherwise", **why(pole, at_step(pole)), reason=reason) + "&at=end")
    assert " ".join(reason.split()) in html.unescape(page)
    assert "<script" not in page


def test_a_check_that_protects_people_is_never_passed_by_a_reason(opened: Opened) -> None:
    pole = opened()
    page = at_check(pole)
    assert "I do it otherwise" not in buttons(page)
    of = parse_qs(urlsplit(buttons(page)["It is not so, or I cannot tell"]).query)
    told = {name: of[name][0] for name in ("of", "ticked")}
    refused = pole.post("/pole/otherwise", 422, **told, reason="in a hurry")
    assert "What keeps people whole is never done otherwise." in text_of(refused)
    assert "You typed: in a hurry" in text_of(refused)
    assert pole.client.get(f"/v1/advice/{pole.id}/outcomes").get_json()["evidence"] == []
    assert "<h1>Check" in pole.get(at="otherwise", **told)


@pytest.mark.parametrize("kind", ["scope", "danger", "safety", "competence"])
def test_no_link_says_that_what_keeps_people_whole_was_done_otherwise(opened: Opened, kind: str) -> None:
    pole = opened(current(checks_on_arrival=(a_check(kind=kind),)))
    page = at_check(pole)
    assert "I do it otherwise" not in buttons(page)
    of = parse_qs(urlsplit(buttons(page)["It is not so, or I cannot tell"]).query)
    said = pole.get(ticked=of["ticked"][0], otherwise=of["of"][0])
    assert "<h1>Check" in said
    assert "A tick may be missing" in said
    assert "0 of 1 checks certain" in text_of(said)


def test_a_step_that_keeps_people_whole_stops_the_work_where_it_cannot_be_done(opened: Opened) -> None:
    steps = (replace(an_advice().steps[0], protects=True), an_advice().steps[1])
    pole = opened(current(steps=steps, call=()))
    page = at_step(pole)
    assert "I do it otherwise" not in buttons(page)
    link = buttons(page)["It is not so, or cannot be done"]
    said = text_of(pole.get(link))
    order = ["Stop. Touch nothing more", "Ring: control room", steps[0].text, "What was found?", "Ask again as of now"]
    assert [said.index(one) for one in order] == sorted(said.index(one) for one in order)
    of = {name: values[0] for name, values in parse_qs(urlsplit(link).query).items() if name in ("of", "ticked")}
    pole.post("/pole/otherwise", 422, **of, reason="in a hurry")
    assert "<h1>Step 1 of 2</h1>" in pole.get(ticked=of["ticked"], otherwise=of["of"])
    address = pole.post("/pole/found", ticked=of["ticked"], danger_seen="sparks")
    assert pole.method.asked[-1][0].state("danger_seen") == Known("sparks")
    assert parse_qs(urlsplit(address).query)["advice"][0] != pole.id


def test_where_a_check_that_keeps_people_whole_fails_the_work_stops(opened: Opened) -> None:
    pole = opened()
    said = text_of(pole.get(buttons(at_check(pole))["It is not so, or I cannot tell"]))
    assert said.index("Stop. Touch nothing more") < said.index("Ring: control room") < said.index("What was found?")


LATER = "later"


@pytest.mark.parametrize("of", ["", "x", "000000", LATER])
def test_a_reason_belongs_to_the_one_thing_that_it_names(opened: Opened, of: str) -> None:
    pole = opened()
    told = why(pole, at_step(pole))
    if of == LATER:  # the second step, while the first is open
        of = why(pole, pole.get(ticked=ticked_up_to(pole, "Step 2 of 2")))["of"]
    refused = pole.post("/pole/otherwise", 422, ticked=told["ticked"], reason="no room", of=of)
    assert "You typed: no room" in text_of(refused)
    assert pole.client.get(f"/v1/advice/{pole.id}/outcomes").get_json()["evidence"] == []


def test_steps_that_come_first_are_done_before_anything_is_made_certain(opened: Opened) -> None:
    steps = (replace(an_advice().steps[0], first=True), an_advice().steps[1])
    pole = opened(current(steps=steps))
    headings = [one.partition(":")[0] for one in walked(pole)]
    assert headings.index("Step 1 of 2") < headings.index("Check 1 of 1") < headings.index("Step 2 of 2")
    said = text_of(pole.get(at="list"))
    assert said.index("Set out the tent") < said.index("The pole is tested") < said.index("Strip, cleave")


def test_any_other_check_may_be_with_a_reason(opened: Opened) -> None:
    pole = opened(check_that_may_be_skipped())
    address = pole.post("/pole/otherwise", **why(pole, at_check(pole)), reason="the owner told us by radio")
    assert "Check 1 otherwise: the owner told us by radio" in text_of(pole.get(f"{address}&at=end"))


# --- a joint that was measured --------------------------------------------------------------------------------

MADE_AT = "2021-05-04T09:10:00+00:00"


def a_reading(**changes: str) -> dict[str, str]:
    told = {
        "fibre": "T1F1",
        "joint": "1",
        "attempt": "1",
        "method": "fusion_splice",
        "made_at": MADE_AT,
        "loss_1310": "0.04",
        "way": "both_ways",
        "key": "k1",
    }
    return {**told, **changes}


def test_a_reading_is_asked_for_by_its_joint_with_the_limits_of_its_attempt(opened: Opened) -> None:
    pole = opened()
    assert '<button name="joint" value="2">' in pole.get(at="joint")
    page = pole.get(at="reading", fibre="T1F1", joint="1")
    said = text_of(page)
    assert "Fibre T1F1, joint 1, attempt 1" in said
    assert "Attempt 1 of at most 3." in said
    assert "Kept up to 0.15 dB: every joint" in said
    for nm in (1310, 1550):
        assert f'name="loss_{nm}"' in page


def test_the_limits_are_those_of_the_joint_and_the_attempt(opened: Opened) -> None:
    rows = (
        KeepUpTo(1, 1, 1, 1, 0.0, None, 0.11, "Kept up to 0.11 dB: joint 1, attempt 1"),
        KeepUpTo(1, 1, 2, 2, 0.0, None, 0.22, "Kept up to 0.22 dB: joint 1, attempt 2"),
        KeepUpTo(2, 2, 1, 2, 0.0, 0.1, 0.33, "Kept up to 0.33 dB: joint 2, after no more than 0.1 dB"),
    )
    pole = opened(current(loss=a_loss(limits=rows, good_up_to_db=0.15)))
    for joint, attempt, said in (("1", "1", 0), ("1", "2", 1), ("2", "1", 2)):
        page = text_of(pole.get(at="reading", fibre="T1F1", joint=joint, attempt=attempt))
        assert [row.said in page for row in rows] == [at == said for at in range(3)]
    assert "Kept up to 0.15 dB." in text_of(pole.get(at="reading", fibre="T1F1", joint="1", attempt="3"))


def test_a_reading_in_a_verdict_out_in_one_word_and_one_sentence_and_then_what_to_do(
    opened: Opened, engine: Engine
) -> None:
    pole = opened()
    page = pole.get(pole.post("/pole/reading", **a_reading()))
    assert re.findall(r"<h1>(.*?)</h1>", page) == ["Accept"]
    said = text_of(page)
    order = ["Accept", a_verdict().say, "Lay the joint away and go on.", a_verdict().cautions[0][1], "Clean both ends"]
    assert [said.index(one) for one in order] == sorted(said.index(one) for one in order)
    assert "Still owed: The trace from the far end." in said
    assert next(iter(buttons(page))) == "Next joint"
    (row,) = Outcomes(engine).attempts()
    assert (row.fibre, row.joint, row.attempt, row.verdict) == ("T1F1", 1, 1, "accept")


def test_a_bad_one_leads_to_its_next_attempt_with_the_chance_that_it_helps_and_what_to_do(opened: Opened) -> None:
    pole = opened()
    page = pole.get(pole.post("/pole/reading", **a_reading(loss_1310="0.4")))
    assert re.findall(r"<h1>(.*?)</h1>", page) == ["Redo"]
    another = a_verdict().another
    assert another is not None
    assert f"{another.said} Make it again now." in text_of(page)
    again = pole.get(buttons(page)["Enter the next attempt"])
    assert "Fibre T1F1, joint 1, attempt 2" in again
    assert "Attempt 1: 0.40 dB at 1310 nm; Redo" in text_of(again)
    assert 'name="loss_1310" dir="auto" value=""' in again


def test_one_that_waits_is_told_again_as_the_same_attempt_with_all_that_was_typed(
    opened: Opened, engine: Engine
) -> None:
    wait = {"verdict": "withheld", "do_first": "measure_other_way", "do_first_said": "measure from the other end"}
    pole = opened(verdict=wait)
    page = pole.get(pole.post("/pole/reading", **a_reading(way="from_near", loss_1310="0.2")))
    assert re.findall(r"<h1>(.*?)</h1>", page) == ["Withheld"]
    assert "First: measure from the other end" in text_of(page)
    more = pole.get(buttons(page)["Tell what is missing"])
    assert "attempt 1" in text_of(more)
    assert 'value="0.2"' in more
    assert 'value="from_near" checked autofocus' in more
    assert f'value="{MADE_AT}"' in more
    pole.post("/pole/reading", **a_reading(key="k2"))
    (row,) = [one for one in Outcomes(engine).attempts() if one.verdict]
    assert row.attempt == 1


@pytest.mark.parametrize(
    ("do_first", "field"),
    [
        ("measure_loss", "loss_1310"),
        ("measure_reflectance", "reflectance_db"),
        ("trace_whole_link", "level_below_record_db"),
        ("pull_test", "pull_test"),
        ("clean", "inspection"),
    ],
)
def test_what_a_verdict_waits_for_is_open_and_in_focus(opened: Opened, do_first: str, field: str) -> None:
    pole = opened(verdict={"verdict": "withheld", "do_first": do_first, "do_first_said": "do this"})
    page = pole.get(pole.post("/pole/reading", **a_reading()))
    more = pole.get(buttons(page)["Tell what is missing"])
    (focus,) = re.findall(r"<input [^>]*autofocus>", more)
    assert f'name="{field}"' in focus
    folded = more.index("<details") < more.index(focus)
    assert not folded or "<details open>" in more


def test_a_joint_is_asked_for_from_the_first_step_that_makes_one_on(opened: Opened) -> None:
    pole = opened(joining())
    page = at_step(pole)
    assert "A joint was measured" not in buttons(page)
    page = pole.get(ticked=ticked_up_to(pole, "Step 2 of 2"))
    assert "A joint was measured" in buttons(page)
    for at in ("list", "end"):
        assert "A joint was measured" in buttons(pole.get(at=at))


def test_of_a_fibre_with_one_joint_nobody_is_asked_which(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    one = Repair(datetime.now(UTC), ("single_mode",), ("fusion_splice",), joints_planned=1, fibres=1)
    monkeypatch.setattr(Recording, "repair", lambda *_: one)
    pole = opened()
    page = pole.get(at="joint")
    assert '<input type="hidden" name="joint" value="1">' in page
    assert "allowed: 1 to 1" in pole.refused(422, at="reading", fibre="T1F1", joint="2")
    assert "Fibre T1F1, joint 1, attempt 1" in pole.get(at="reading", fibre="T1F1", joint="1")


def test_a_reading_of_a_joint_whose_verdict_waits_is_of_the_same_attempt(opened: Opened) -> None:
    pole = opened(verdict={"verdict": "withheld"})
    pole.post("/pole/reading", **a_reading())
    assert "Fibre T1F1, joint 1, attempt 1" in pole.get(at="reading", fibre="T1F1", joint="1")


def test_a_verdict_is_shown_under_its_own_advice_alone(opened: Opened) -> None:
    pole = opened()
    report = parse_qs(urlsplit(pole.post("/pole/reading", **a_reading())).query)["report"][0]
    assert "No verdict is kept" in opened().refused(404, at="verdict", report=report)


def test_one_to_be_handed_on_says_whom_to_ring_and_what_to_read_out(opened: Opened) -> None:
    hand_on = {"verdict": "escalate", "to_whom": "owner of the cable", "with_what": ("attempt 1: 0.40 dB",)}
    pole = opened(verdict=hand_on)
    page = pole.get(pole.post("/pole/reading", **a_reading(loss_1310="0.4")))
    said = text_of(page)
    assert re.findall(r"<h1>(.*?)</h1>", page) == ["Escalate"]
    assert "Ring: owner of the cable" in said
    assert "attempt 1: 0.40 dB" in said
    assert "Enter the next attempt" not in said


def test_a_reading_sent_twice_is_kept_once(opened: Opened, engine: Engine) -> None:
    pole = opened()
    assert pole.post("/pole/reading", **a_reading()) == pole.post("/pole/reading", **a_reading())
    assert Outcomes(engine).count() == 1


def test_another_reading_from_the_same_page_is_held_up_and_may_be_sent_as_a_correction(
    opened: Opened, engine: Engine
) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading())
    page = pole.post("/pole/reading", 409, **a_reading(loss_1310="0.14"))
    assert "Something else was sent from this page before" in page
    assert 'value="0.14"' in page
    assert "Attempt 1: 0.04 dB at 1310 nm; Accept" in text_of(page)
    assert Outcomes(engine).count() == 1
    (key,) = set(re.findall(r'name="key" value="([0-9a-f]+)"', page))
    pole.post("/pole/reading", **a_reading(loss_1310="0.14", key=key))
    assert "0.14 dB at 1310 nm; Accept" in text_of(pole.get(at="end"))


@pytest.mark.parametrize(
    ("changes", "field", "fault"),
    [
        ({"loss_1310": "99"}, "loss_1310", "Loss at 1310 nm, dB = 99: is out of range; allowed: -0.15 to 20 (dB)"),
        ({"loss_1310": "-0.4"}, "loss_1310", "is out of range; allowed: -0.15 to 20 (dB)"),
        ({"loss_1310": "0,0,4"}, "loss_1310", "is not a number; allowed: digits with a decimal point (dB)"),
        ({"loss_1310": SCRIPT}, "loss_1310", "is not a number"),
        ({"loss_1310": RIGHT_TO_LEFT}, "loss_1310", "is not a number"),
        ({"loss_1310": "9" * 10_000}, "loss_1310", "is 10000 characters long; allowed: up to 400"),
        ({"way": ""}, "way", "How it was read: is missing beside a loss; allowed: from both ends, averaged"),
        ({"way": "sideways"}, "way", "no such word"),
        ({"attempt": "99"}, "attempt", "Attempt = 99: is out of range; allowed: 1 to 20"),
        ({"attempt": "x"}, "attempt", "is not a"),
        ({"made_at": "2999-01-01T00:00:00Z"}, "made_at", "lies after now"),
        ({"made_at": "noon"}, "made_at", "not a time"),
        ({"reflectance_db": "40"}, "reflectance_db", "is out of range; allowed: -90 to 0 (dB)"),
        ({"tray_fibre_near_m": "11"}, "tray_fibre_near_m", "is out of range; allowed: 0 to 10 (m)"),
        ({"person": "Orrin <b>"}, "person", "is no id"),
        ({"method": "glue"}, "method", "no such method makes a joint"),
    ],
)
def test_a_reading_that_cannot_be_right_is_refused_by_field_value_range_and_unit_and_nothing_typed_is_lost(
    opened: Opened, engine: Engine, changes: dict[str, str], field: str, fault: str
) -> None:
    pole = opened()
    told = a_reading(pull_test="passed", loss_1550="0.03", machine="M-0412", **changes)
    page = pole.post("/pole/reading", 422, **told)
    assert fault in html.unescape(page)
    assert f'href="#{field}"' in page
    assert f'id="{field}"' in page
    assert "<script" not in page
    for name, value in told.items():
        if name in ("way", "method"):
            assert value == "" or value in ("sideways", "glue") or f'value="{value}"' in page
        elif name != "key":
            assert f'name="{name}"' in page
            assert f'value="{value}"' in html.unescape(page)
    assert 'value="passed" checked' in page
    assert Outcomes(engine).count() == 0


@pytest.mark.parametrize(
    ("typed", "db"), [("0,05", "0.05"), (".5", "0.50"), (",5", "0.50"), ("0.05", "0.05"), ("1,234", "1.23")]
)
def test_a_decimal_comma_is_read_and_so_is_a_number_without_its_nought(opened: Opened, typed: str, db: str) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading(loss_1310=typed))
    assert f"Attempt 1: {db} dB at 1310 nm" in text_of(pole.get(at="end"))


@pytest.mark.parametrize("minus", ["-", "\N{MINUS SIGN}", "\N{EN DASH}"])
def test_what_it_throws_back_may_have_a_decimal_comma_and_any_minus(opened: Opened, minus: str) -> None:
    opened().post("/pole/reading", **a_reading(reflectance_db=f"{minus}55,5"))


@pytest.mark.parametrize(("typed", "mps"), [("2,5", 2.5), (".5", 0.5), ("18 km/h", 5.0), ("18,0 km/h", 5.0)])
def test_a_number_that_was_found_may_have_a_decimal_comma(opened: Opened, typed: str, mps: float) -> None:
    pole = opened()
    pole.post("/pole/found", wind_gust_mps=typed)
    assert pole.method.asked[-1][0].state("wind_gust_mps") == Known(mps)


def test_what_may_be_thousands_is_not_read_as_a_decimal(opened: Opened) -> None:
    pole = opened(current(checks_on_arrival=(a_check(facts=("spare_near_m",)),)))
    link = buttons(at_check(pole))["It is not so, or I cannot tell"]
    of = {name: values[0] for name, values in parse_qs(urlsplit(link).query).items() if name in ("of", "ticked")}
    assert "1,200" in pole.post("/pole/found", 422, **of, spare_near_m="1,200 m")


@pytest.mark.parametrize("key", ["", "k" * 64, "k" * 65, "k" * 10_000])
def test_whatever_the_key_another_reading_under_another_one_is_no_conflict(
    opened: Opened, engine: Engine, key: str
) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading(key=key))
    other = key[:-1] + "x" if key else key
    pole.post("/pole/reading", **a_reading(key=other, fibre="T1F2"))
    assert Outcomes(engine).count() == 2
    if key:
        pole.post("/pole/reading", 409, **a_reading(key=key, fibre="T1F3"))


def test_everything_that_is_wrong_with_a_reading_is_told_at_once(opened: Opened) -> None:
    page = opened().post("/pole/reading", 422, **a_reading(loss_1310="99", way="", attempt="99"))
    for name in ("loss_1310", "way", "attempt"):
        assert f'<a href="#{name}">' in page


@pytest.mark.parametrize("fibre", ["", "x" * 10_000])
def test_a_fibre_that_is_none_is_refused_before_its_reading_is_asked_for(opened: Opened, fibre: str) -> None:
    pole = opened()
    page = pole.refused(422, at="reading", fibre=fibre, joint="1")
    assert "Which joint?" in page
    assert 'href="#fibre"' in page
    assert ("Fibre: is missing" if not fibre else "is 10000 characters long; allowed: 1 to 64") in page


@pytest.mark.parametrize("joint", ["", "0", "3", "x", "\u0663", "1" * 10_000, SCRIPT])
def test_a_joint_that_the_repair_does_not_make_is_refused(opened: Opened, joint: str) -> None:
    page = opened().refused(422, at="reading", fibre="T1F1", joint=joint)
    assert "is no joint of this repair; allowed: 1 to 2" in page
    assert "<script" not in page


def test_a_fibre_named_by_a_script_is_harmless(opened: Opened) -> None:
    pole = opened()
    for page in (pole.get(pole.post("/pole/reading", **a_reading(fibre=SCRIPT))), pole.get(at="end")):
        assert "<script" not in page
    assert SCRIPT in html.unescape(page)


def test_a_fibre_whose_name_is_none_is_asked_for_beside_its_reading(opened: Opened) -> None:
    page = opened().post("/pole/reading", 422, **a_reading(fibre='T1;"F1'))
    assert "is no name; allowed: 1 to 64 printable characters" in page
    assert 'id="fibre"' in page
    assert 'value="0.04"' in page


def test_where_nothing_can_be_kept_that_is_said_and_what_was_typed_may_be_sent_again(
    opened: Opened, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    pole = opened()

    def broken(*_: object) -> None:
        raise RecordsError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(WorkDone, "report", broken)
        page = pole.post("/pole/reading", 503, **a_reading())
        assert "Nothing can be kept just now." in page
        assert "disk" not in page
        assert f'value="{pole.id}"' in page
    assert Outcomes(engine).count() == 0
    pole.post("/pole/reading", **a_reading())
    assert Outcomes(engine).count() == 1


def test_the_card_for_where_there_is_no_signal_is_one_press_away(opened: Opened) -> None:
    pole = opened()
    assert f'href="/cards/{pole.id}"' in pole.get()


def test_of_a_stretch_the_one_that_failed_is_asked_for_again_and_what_is_kept_of_it_counts(opened: Opened) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading(fibre="T1F1..T1F12"))
    page = pole.get(pole.post("/pole/reading", **a_reading(fibre="T1F7", attempt="2", loss_1310="0.4", key="k2")))
    assert "Fibre T1F7, joint 1, attempt 2" in text_of(page)
    again = pole.get(buttons(page)["Enter the next attempt"])
    assert "Fibre T1F7, joint 1, attempt 3" in again
    assert "Fibre T1F1..T1F12, joint 1, attempt 3" in pole.get(at="reading", fibre="T1F1..T1F12", joint="1")


def test_whoever_does_it_otherwise_has_the_cautions_of_the_step_and_who_decides_before_him(opened: Opened) -> None:
    pole = opened(current(defers_to="The authorised person on the spot overrides this advice."))
    page = pole.get()
    while "Step 2 of 2" not in page:
        page = pole.get(forward(page))
    said = text_of(pole.get(buttons(page)["I do it otherwise"]))
    assert a_caution().text in said
    assert "The authorised person on the spot overrides this advice." in said


def test_a_stretch_of_fibres_is_told_at_once(opened: Opened, engine: Engine) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading(fibre="T1F1..T1F12"))
    assert Outcomes(engine).count() == 12
    assert "T1F1..T1F12, joint 1. Attempt 1: 0.04 dB at 1310 nm; Accept" in text_of(pole.get(at="end"))


def test_a_report_that_is_nobodys_has_no_verdict(opened: Opened) -> None:
    pole = opened()
    for report in ("", "x", "0" * 32):
        assert "No verdict is kept" in pole.refused(404, at="verdict", report=report)


@pytest.mark.parametrize(
    ("helps", "do"),
    [
        (0.9, "Make it again now."),
        (0.89, "Clean tools"),
        (0.7, "Clean tools"),
        (0.4, "Look for the cause"),
        (0.39, "Ring the control"),
    ],
)
def test_what_to_do_about_another_attempt_goes_by_its_chance(opened: Opened, helps: float, do: str) -> None:
    another = a_verdict().another
    assert another is not None
    pole = opened(verdict={"verdict": "redo", "another": replace(another, chance_it_helps=helps)})
    assert f"{another.said} {do}" in text_of(pole.get(pole.post("/pole/reading", **a_reading())))


# --- the end --------------------------------------------------------------------------------------------------


def test_the_end_says_what_is_open_what_was_done_what_is_owed_and_where_it_is_kept(opened: Opened) -> None:
    pole = opened()
    pole.post("/pole/reading", **a_reading())
    pole.post("/pole/reading", **a_reading(fibre="T1F2", loss_1310="0.4", key="k2"))
    page = pole.get(at="end")
    said = text_of(page)
    assert "Still open: 7." in said
    assert "T1F1, joint 1. Attempt 1: 0.04 dB at 1310 nm; Accept" in said
    assert "T1F2, joint 1. Attempt 1: 0.40 dB at 1310 nm; Redo" in said
    assert "Still owed by 11 May 2021 09:10 UTC: The trace from the far end." in said
    assert f'href="/v1/advice/{pole.id}"' in page
    assert f'href="/v1/advice/{pole.id}/outcomes"' in page


def test_nothing_done_does_not_read_as_done(opened: Opened) -> None:
    said = text_of(opened().get(at="end"))
    assert "No joint has been measured: nothing is proven yet." in said
    assert "No joint has been reported." in said
    assert "Everything is ticked." not in said


def test_every_joint_of_the_plan_that_nobody_reported_is_owed(opened: Opened) -> None:
    """Two fibres with two joints each."""
    pole = opened()
    ticked = everything_ticked(pole)
    page = pole.get(at="end", ticked=ticked)
    assert thing(page) == "No joint has been measured: nothing is proven yet."
    assert "Not measured yet: 4 joints (2 fibres, 2 joints on each)." in text_of(page)
    pole.post("/pole/reading", **a_reading())
    said = text_of(pole.get(at="end", ticked=ticked))
    assert "nothing is proven" not in said
    assert "Everything is ticked. It is not all done: what is owed stands below." in said
    assert "T1F1, joint 2: not measured yet." in said
    assert "Not measured yet: 2 joints (one fibre, 2 joints on each)." in said
    for fibre, joint in (("T1F1", "2"), ("T1F2", "1"), ("T1F2", "2")):
        pole.post("/pole/reading", **a_reading(fibre=fibre, joint=joint, key=fibre + joint))
    said = text_of(pole.get(at="end", ticked=ticked))
    assert "ot measured yet" not in said


def test_where_nobody_said_how_many_fibres_every_joint_of_each_is_owed(
    opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    many = Repair(datetime.now(UTC), ("single_mode",), ("fusion_splice",), joints_planned=2)
    monkeypatch.setattr(Recording, "repair", lambda *_: many)
    said = text_of(opened().get(at="end"))
    assert "2 joints on each. Nobody has said how many fibres there are." in said


def test_a_repair_that_makes_no_joint_owes_none(opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    none = Repair(datetime.now(UTC), ("single_mode",), ("fusion_splice",), joints_planned=0, fibres=2)
    monkeypatch.setattr(Recording, "repair", lambda *_: none)
    said = text_of(opened().get(at="end"))
    assert "proven" not in said
    assert "ot measured yet" not in said


def test_a_temporary_repair_owes_a_day_and_whoever_sees_to_it(opened: Opened) -> None:
    pole = opened(current(plan=a_plan(stage="temporary_then_permanent")))
    assert "No day is set: set the day and who sees to it before you leave." in text_of(pole.get(at="end"))
    pole.post("/pole/closing", evidence="photograph of tray 1", due_on="2031-05-20", responsible="k-7")
    said = text_of(pole.get(at="end"))
    assert "It is due on 2031-05-20." in said
    assert "photograph of tray 1" in said


@pytest.mark.parametrize(
    ("told", "field"),
    [
        ({}, "evidence"),
        ({"evidence": "x" * 10_000}, "evidence"),
        ({"due_on": "soon"}, "temporary.due_on"),
        ({"responsible": "Orrin Mill"}, "temporary.responsible"),
    ],
)
def test_a_closing_that_cannot_be_used_is_refused_and_kept_on_the_page(
    opened: Opened, told: dict[str, str], field: str
) -> None:
    pole = opened(current(plan=a_plan(stage="temporary_then_permanent")))
    page = pole.post("/pole/closing", 422, **told)
    assert f'href="#{field.rpartition(".")[2]}"' in page
    for value in told.values():
        assert f'value="{value}"' in page


def test_a_caution_of_a_step_can_be_read_again_beside_it(opened: Opened) -> None:
    pole = opened()
    page = pole.get()
    while "Step 2 of 2" not in page:
        page = pole.get(forward(page))
    (again,) = re.findall(r'<a class="aside" href="([^"]*)">Caution again</a>', page)
    assert thing(pole.get(html.unescape(again))) == a_caution().text


def test_every_caution_is_one_press_away_from_every_step(opened: Opened) -> None:
    pole = opened()
    page = pole.get()
    seen = 0
    while "<h1>What is done" not in page:
        if "<h1>Step" in page or "<h1>Check" in page:
            seen += 1
            (link,) = re.findall(r'<a class="aside" href="([^"]*)">All cautions</a>', page)
            link = html.unescape(link)
            said = text_of(pole.get(link))
            assert all(one.text in said for one in an_advice().cautions)
            assert said.index("They hold all the time") < said.index(an_advice().cautions[0].text)
            back = parse_qs(urlsplit(forward(pole.get(link))).query)
            assert back["at"] == parse_qs(urlsplit(link).query)["of"]
        page = pole.get(forward(page))
    assert seen == 3


# --- whatever is sent --------------------------------------------------------------------------------------------

VALUES = ("", "start", "x" * 10_000, SCRIPT, RIGHT_TO_LEFT, "0", "1", "-1", "1e9", "\x00", "..", "a.b", "{value}", "%")
VALUES += ("both_ways", "0.04", "99", "T1F1", "T1F1..T9F2", "T1F1..T1F99999", "T1F3..T1F1", "none", "\U0001f600")
NAMES = ("ticked", "otherwise", "at", "of", "earlier", "fibre", "joint", "attempt", "method", "made_at", "loss_1310")
NAMES += ("way", "bound", "pull_test", "inspection", "reflectance_db", "report", "key", "reason", "evidence", "due_on")
NAMES += ("responsible", "danger_seen", "wind_gust_mps", "place", "joints_read", "ribbon", "person")
VIEWS = ("", "list", "failed", "otherwise", "stopped", "cautions", "joint", "reading", "verdict", "end")


@pytest.mark.long
def test_whatever_is_sent_is_answered_or_refused_and_never_runs(
    opened: Opened, share: Callable[[int, int, int], int]
) -> None:
    seed = 5
    draw = random.Random(seed)
    pole = opened(current(a_crowded_advice()))
    statuses = set()
    for _ in range(share(4000, 200, seed)):
        told = {"advice": pole.id, **{name: draw.choice(VALUES) for name in draw.sample(NAMES, draw.randint(1, 9))}}
        if draw.random() < 0.7:
            told |= {"at": draw.choice(VIEWS), "joint": "1"}
        sent = draw.choice(("", "", "found", "otherwise", "reading", "closing"))
        answer = pole.client.post(f"/pole/{sent}", data=told) if sent else pole.client.get("/pole", query_string=told)
        assert answer.status_code in (200, 303, 404, 409, 422), (sent, told)
        assert b"<script" not in answer.data, (sent, told)
        statuses.add(answer.status_code)
    assert {200, 303, 422} <= statuses
