"""A pocket card that no longer holds, that is spoilt, of which two are open, or that repairs nothing: in a browser.

One card is made for all of these; each test opens it in a browser that knows nothing yet.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect
from whole_jobs import whole_jobs

from repairadvisor.methods import PreparedMethod
from repairadvisor.render.placing import placed
from repairadvisor.store.outcomes import reports
from web.card_in_hand import (
    DROP,
    SCRIPT_WORDS,
    WORDS,
    Service,
    a_context,
    a_service,
    all_certain,
    note,
    only_beware_and_ring,
    press,
    until,
    watched,
)

pytestmark = pytest.mark.browser
_HAS_HEARD = "localStorage.getItem('cards heard') !== null"


@dataclass(frozen=True)
class Carried:
    """A service and one card of it, which nobody changes."""

    service: Service
    advice_id: str

    @property
    def address(self) -> str:
        return f"/cards/{self.advice_id}"

    @property
    def advice(self) -> Any:
        return self.service.advisor.answer_given(self.advice_id).advice


@pytest.fixture(scope="module")
def carried(method: PreparedMethod, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Carried]:
    for service in a_service(method, tmp_path_factory.mktemp("carried")):
        yield Carried(service, service.kept(DROP))


@pytest.fixture
def context(browser: Browser, carried: Carried) -> Iterator[BrowserContext]:
    opened = a_context(browser, carried.service.site, service_workers="block")
    yield opened
    opened.close()


def as_json(route: Route) -> bool:
    return route.request.headers.get("accept") == "application/json"


def answered_with(page: Page, status: int, body: Any, kind: str = "application/json") -> None:
    """Have the service say this of the card; the card itself comes as it is."""

    def answer(route: Route) -> None:
        if as_json(route):
            route.fulfill(status=status, body=orjson.dumps(body), content_type=kind)
        else:
            route.continue_()

    page.route("**/cards/*", answer)


def no_answer(page: Page) -> None:
    page.route("**/cards/*", lambda route: route.abort() if as_json(route) else route.continue_())


def in_force(carried: Carried, **changes: Any) -> dict[str, Any]:
    return {
        "id": carried.advice_id,
        "policy": carried.advice.policy,
        "policy_in_force": carried.advice.policy,
        "valid_until": carried.advice.valid_until,
        "now": datetime.now(UTC).isoformat(),
    } | changes


def only_standing(page: Page, carried: Carried, why: str) -> None:
    expect(page.locator("#walk .standing").first).to_contain_text(SCRIPT_WORDS[why])
    only_beware_and_ring(page, carried.advice)


# --- an open card runs out, and looks whatever waits ------------------------------------------------------------


def test_an_open_card_asks_time_and_again_though_nothing_waits(context: BrowserContext, carried: Carried) -> None:
    page, _ = watched(context)
    page.clock.install()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url) if request.resource_type == "fetch" else None)
    page.goto(carried.address)
    expect(page.locator("#walk h1")).to_be_visible()
    until(page, lambda: len(asked) == 1)
    page.clock.run_for(15_000)
    until(page, lambda: len(asked) == 2)
    answered_with(page, 200, in_force(carried, policy_in_force="0" * 64))
    page.evaluate("dispatchEvent(new Event('online'))")
    only_standing(page, carried, "other_policy")
    page.unroute("**/cards/*")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.locator("#walk .standing")).to_have_count(0)  # they are in force again: the service says so
    answered_with(page, 200, in_force(carried, policy_in_force="0" * 64))
    page.evaluate("dispatchEvent(new Event('pageshow'))")
    only_standing(page, carried, "other_policy")


def test_an_answer_that_comes_after_that_to_a_later_question_counts_for_nothing(
    context: BrowserContext, carried: Carried
) -> None:
    page, _ = watched(context)
    page.goto(carried.address)
    expect(page.locator("#walk h1")).to_be_visible()
    until(page, lambda: page.evaluate(_HAS_HEARD))
    page.wait_for_load_state("networkidle")
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page.route("**/cards/*", hold)
    for _ in range(2):
        page.evaluate("dispatchEvent(new Event('online'))")
    until(page, lambda: len(held) == 2)
    for route, policy in ((held[1], carried.advice.policy), (held[0], "0" * 64)):
        with page.expect_response("**/cards/*") as answered:
            route.fulfill(json=in_force(carried, policy_in_force=policy))
        answered.value.finished()
    page.wait_for_timeout(300)
    assert page.locator("#walk .standing").count() == 0
    with page.expect_response("**/cards/*") as answered:
        page.evaluate("dispatchEvent(new Event('online'))")
        until(page, lambda: len(held) == 3)
        held[2].fulfill(json=in_force(carried, policy_in_force="0" * 64))
    only_standing(page, carried, "other_policy")  # the same answer counts where nothing was asked since


@pytest.mark.parametrize("moved_by_h", [-20, 0, 2])
def test_an_open_card_runs_out_by_the_service_time_that_has_gone_by(
    context: BrowserContext, carried: Carried, moved_by_h: int
) -> None:
    page, _ = watched(context)
    page.clock.install(time=datetime.now(UTC) + timedelta(hours=moved_by_h))
    page.goto(carried.address)
    expect(page.locator("#walk h1")).to_be_visible()
    until(page, lambda: page.evaluate(_HAS_HEARD))
    no_answer(page)
    page.clock.fast_forward("00:20:00")
    assert page.locator("#walk .standing").count() == 0
    page.clock.fast_forward("02:00:00")
    only_standing(page, carried, "expired")


def test_time_that_has_gone_by_counts_though_somebody_sets_the_clock_back(
    context: BrowserContext, carried: Carried
) -> None:
    page, _ = watched(context)
    page.clock.install()
    page.goto(carried.address)
    until(page, lambda: page.evaluate(_HAS_HEARD))
    no_answer(page)
    page.clock.set_system_time(datetime.now(UTC) - timedelta(days=1))
    page.clock.run_for(2 * 3600 * 1000)
    only_standing(page, carried, "expired")


# --- what was heard outlasts the page ---------------------------------------------------------------------------


def test_rules_known_to_be_out_of_force_stay_so_without_a_network(context: BrowserContext, carried: Carried) -> None:
    page, _ = watched(context)
    answered_with(page, 200, in_force(carried, policy_in_force="0" * 64))
    # The card itself is the one that was kept while its rules were in force.
    page.goto(carried.address)
    only_standing(page, carried, "other_policy")
    page.unroute("**/cards/*")
    sent = page.request.get(carried.address, headers={"Accept": "text/html"}).text()
    earlier = re.sub(r'"served":"[^"]+"', f'"served":"{datetime.now(UTC) - timedelta(minutes=5)}"', sent)
    page.close()
    page, wrong = watched(context)

    def kept(route: Route) -> None:
        if as_json(route):
            route.abort()
        else:
            route.fulfill(status=200, body=earlier, content_type="text/html; charset=utf-8")

    page.route("**/cards/*", kept)
    page.goto(carried.address)
    only_standing(page, carried, "other_policy")
    assert wrong == []


def test_the_time_of_the_service_is_remembered(context: BrowserContext, carried: Carried) -> None:
    page, _ = watched(context)
    later = datetime.fromisoformat(carried.advice.valid_until) - timedelta(seconds=2)
    answered_with(page, 200, in_force(carried, now=later.isoformat()))
    page.goto(carried.address)
    until(page, lambda: page.evaluate(_HAS_HEARD))
    page.unroute("**/cards/*")
    no_answer(page)
    page.wait_for_timeout(2_500)
    page.reload()
    only_standing(page, carried, "expired")


def test_an_advice_that_was_erased_bars_its_card_and_the_device_lets_go_of_it(
    browser: Browser,
    carried: Carried,
) -> None:
    context = a_context(browser, carried.service.site)
    page, _ = watched(context)
    page.goto(carried.address)
    expect(page.get_by_text(SCRIPT_WORDS["kept_here"])).to_be_visible()
    kept = "caches.open('cards').then((cache) => cache.match(location.pathname)).then(Boolean)"
    assert page.evaluate(kept)
    gone = {"type": "/problems/not-found", "title": "t", "status": 404, "detail": "d"}
    context.route(
        "**/cards/*",
        lambda route: route.fulfill(status=404, body=orjson.dumps(gone), content_type="application/problem+json"),
    )
    page.evaluate("dispatchEvent(new Event('online'))")
    only_standing(page, carried, "gone")
    until(page, lambda: not page.evaluate(kept))
    context.close()


# --- nothing that is spoilt opens anything ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "way",
    ["{bad", '{"way":[7]}', '{"way":5}', '{"checks":null}', '"way"', "null", '{"way":[-1]}', '{"ticked":[1]}', "[]"],
)
@pytest.mark.parametrize("is_over", [False, True])
def test_a_spoilt_way_is_begun_anew_and_opens_nothing(
    context: BrowserContext, carried: Carried, way: str, is_over: bool
) -> None:
    context.add_init_script(f"localStorage.setItem('card {carried.advice_id} way', {orjson.dumps(way).decode()})")
    page, wrong = watched(context)
    if is_over:
        no_answer(page)
        page.clock.set_system_time(datetime.now(UTC) + timedelta(hours=3))
    page.goto(carried.address)
    expect(page.locator("#walk")).to_be_visible()
    expect(page.locator("#paper")).to_be_hidden()
    if is_over:
        only_standing(page, carried, "expired")
    else:
        expect(page.get_by_role("button", name=SCRIPT_WORDS["certain"], exact=True)).to_be_visible()
        assert page.locator("#fibre").count() == 0
    assert wrong == []


def test_a_check_is_certain_only_where_that_very_word_stands(context: BrowserContext, carried: Carried) -> None:
    checks = {
        f" {one.screen}": value for one, value in zip(carried.advice.checks_on_arrival, (True, 1, "Yes"), strict=False)
    }
    kept = orjson.dumps({"way": [], "checks": checks}).decode()
    context.add_init_script(f"localStorage.setItem('card {carried.advice_id} way', {orjson.dumps(kept).decode()})")
    page, _ = watched(context)
    page.goto(carried.address)
    assert all_certain(page) == len(carried.advice.checks_on_arrival)


@pytest.mark.parametrize("entry", ["null", "{bad", "{}", "[]", '{"one":{}}', '{"one":null,"order":1}', '"x"'])
def test_a_spoilt_reading_is_left_out_and_another_one_is_kept(
    context: BrowserContext, carried: Carried, entry: str
) -> None:
    name = f"card {carried.advice_id} reading {'0' * 32}"
    context.add_init_script(f"localStorage.setItem('{name}', {orjson.dumps(entry).decode()})")
    page, wrong = watched(context)
    page.route("**/v1/outcomes", lambda route: route.abort())
    page.goto(carried.address)
    all_certain(page)
    note(page, "0.05")
    expect(page.locator(".reading")).to_have_count(1)
    assert wrong == []


@pytest.mark.parametrize(
    "spoils",
    [
        "const had = JSON.parse; JSON.parse = (text) => { if (/leaves/.test(text)) throw Error(); return had(text) }",
        "window.DecompressionStream = class { constructor() { throw new Error() } }",
        "Element.prototype.replaceChildren = () => { throw new Error() }",
        "Object.defineProperty(window, 'crypto', { value: null })",
    ],
)
def test_whatever_goes_wrong_leaves_what_to_beware_of_and_whom_to_ring_and_no_step(
    context: BrowserContext, carried: Carried, spoils: str
) -> None:
    context.add_init_script(spoils)
    page, wrong = watched(context)
    page.goto(carried.address)
    if "crypto" in spoils:  # goes wrong only once something is noted
        all_certain(page)
        note(page, "0.05")
    expect(page.locator("#paper .run-out").first).to_be_visible()
    expect(page.locator("#walk")).to_be_hidden()
    advice, shown = carried.advice, page.inner_text("main")
    assert SCRIPT_WORDS["make_safe"] in shown
    assert WORDS["call_desk"] in shown or all(one in shown for one in advice.call)
    assert [one.text for one in advice.cautions if one.text not in shown] == []
    assert [one.text for one in advice.steps if one.text in shown] == []
    assert [one.not_before for one in advice.checks_on_arrival if one.not_before in shown] == []
    assert advice.plan.phrase not in shown
    assert wrong


def test_a_browser_that_cannot_unpack_the_card_is_barred_all_the_same(
    context: BrowserContext, carried: Carried
) -> None:
    context.add_init_script("delete window.DecompressionStream")
    page, wrong = watched(context)
    page.clock.install()
    page.goto(carried.address)
    expect(page.locator("#paper .steps")).to_be_visible()
    no_answer(page)
    page.clock.fast_forward("02:10:00")
    expect(page.locator("#paper .run-out").first).to_be_visible()
    shown = page.inner_text("main")
    assert [one.text for one in carried.advice.steps if one.text in shown] == []
    assert wrong == []


# --- two pages, and clocks that are fast ------------------------------------------------------------------------


def test_two_pages_of_a_card_see_each_other_and_send_each_reading_once(
    context: BrowserContext, carried: Carried
) -> None:
    before = carried.service.count(reports)
    one, wrong = watched(context)
    other, more = watched(context)
    for page in (one, other):
        page.goto(carried.address)
    all_certain(one)
    expect(other.locator("#fibre")).to_be_visible()  # what was answered in one counts in the other
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)
        if len(held) > 1:
            route.continue_()

    context.route("**/v1/outcomes", hold)
    note(one, "0.05", fibre="T5F1")
    expect(other.locator(".reading")).to_have_count(1)
    until(one, lambda: len(held) == 1)
    press(other, "send_now")
    other.wait_for_timeout(1000)
    assert len(held) == 1  # the other one waits its turn
    held[0].continue_()
    for page in (one, other):
        expect(page.get_by_text(SCRIPT_WORDS["sent"])).to_be_visible()
    other.wait_for_timeout(300)
    assert carried.service.count(reports) == before + 1
    assert wrong == more == []


def test_what_is_sent_never_changes_and_is_not_later_than_the_service_has_it(
    context: BrowserContext, carried: Carried
) -> None:
    page, _ = watched(context)
    page.clock.set_system_time(datetime.now(UTC) + timedelta(hours=1))
    page.goto(carried.address)
    until(page, lambda: page.evaluate(_HAS_HEARD))
    all_certain(page)
    bodies: list[str] = []

    def lose(route: Route) -> None:
        bodies.append(route.request.post_data or "")
        route.abort()

    page.route("**/v1/outcomes", lose)
    note(page, "0.06", fibre="T5F2")
    until(page, lambda: len(bodies) == 1)
    page.clock.set_system_time(datetime.now(UTC) + timedelta(minutes=30))
    press(page, "send_now")
    until(page, lambda: len(bodies) == 2)
    assert bodies[0] == bodies[1]
    made_at = datetime.fromisoformat(orjson.loads(bodies[0])["attempts"][0]["made_at"])
    assert made_at <= datetime.now(UTC)
    page.unroute("**/v1/outcomes")
    press(page, "send_now")
    expect(page.get_by_text(SCRIPT_WORDS["sent"])).to_be_visible()


def test_a_key_that_the_service_has_means_that_the_reading_is_kept(context: BrowserContext, carried: Carried) -> None:
    page, _ = watched(context)
    page.goto(carried.address)
    all_certain(page)
    conflict = {"title": "t", "status": 409, "detail": "something else was reported before under this key"}

    def keeps(route: Route) -> None:
        route.fetch()
        route.fulfill(status=409, body=orjson.dumps(conflict), content_type="application/problem+json")

    page.route("**/v1/outcomes", keeps)
    note(page, "0.07", fibre="T5F3")
    expect(page.get_by_text(SCRIPT_WORDS["sent"])).to_be_visible()
    assert page.get_by_text(SCRIPT_WORDS["differ"]).count() == 0
    page.unroute("**/v1/outcomes")
    page.route(
        "**/v1/outcomes",
        lambda route: route.fulfill(status=409, body=orjson.dumps(conflict), content_type="application/problem+json"),
    )
    note(page, "0.08", fibre="T5F4")  # of this one the service knows nothing
    expect(page.get_by_text(conflict["detail"])).to_be_visible()


def test_what_is_known_to_be_sent_is_never_refused_afterwards(context: BrowserContext, carried: Carried) -> None:
    page, _ = watched(context)
    page.goto(carried.address)
    all_certain(page)
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page.route("**/v1/outcomes", hold)
    note(page, "0.09", fibre="T5F5")
    until(page, lambda: bool(held))
    page.evaluate(  # as another page of this card does, that was quicker
        "const name = Object.keys(localStorage).find((one) => localStorage[one].includes('T5F5'));"
        "localStorage[name] = JSON.stringify({ ...JSON.parse(localStorage[name]), state: 'sent', answer: null })"
    )
    held[0].fulfill(status=422, body=b'{"title": "t", "status": 422, "detail": "lies after now"}')
    expect(page.locator(".reading").first).to_contain_text(SCRIPT_WORDS["sent"])
    page.reload()
    expect(page.locator(".reading").first).to_contain_text(SCRIPT_WORDS["sent"])
    assert page.get_by_text("lies after now").count() == 0


# --- where nobody repairs -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("action", ["stand_off", "make_safe_and_wait", "out_of_scope"])
@pytest.mark.parametrize("has_script", [True, False])
def test_where_nobody_repairs_what_to_do_comes_first(
    browser: Browser,
    carried: Carried,
    action: str,
    has_script: bool,
) -> None:
    name = {
        "stand_off": "no-permit-for-the-shaft",
        "make_safe_and_wait": "low-over-the-road-at-saltgate",
        "out_of_scope": "cutting-beside-the-mill-branch-line",
    }[action]
    job = next(one for one in whole_jobs() if one.id == name)
    facts = {name: value for name, value in job.facts.items() if not name.endswith(("_until", "_at"))}
    advice_id = carried.service.kept(facts)
    advice = carried.service.advisor.answer_given(advice_id).advice
    if advice.questions and has_script:
        pytest.skip("asks first")
    assert advice.action == action
    context = a_context(browser, carried.service.site, java_script_enabled=has_script, service_workers="block")
    page, wrong = watched(context)
    page.goto(f"/cards/{advice_id}")
    shown = page.inner_text("#walk" if has_script else "#paper")
    order = [shown.index(advice.say), shown.index(placed(advice).first[0]), shown.index(advice.call[0])]
    order += [shown.index(one.text) for one in advice.steps]
    assert order[0] == min(order)
    assert order[3:] == sorted(order[3:])
    assert max(order[:3]) < order[3]
    assert [one.limit for one in advice.steps if one.limit not in shown] == []
    for check in advice.checks_on_arrival:
        assert check.not_before not in shown[: order[-1]]
    assert wrong == []
    context.close()


@pytest.mark.parametrize("has_script", [True, False])
def test_steps_that_come_first_stand_before_the_checks(
    browser: Browser,
    carried: Carried,
    has_script: bool,
) -> None:
    context = a_context(browser, carried.service.site, java_script_enabled=has_script, service_workers="block")
    page, _ = watched(context)
    page.goto(carried.address)
    first = [one for one in carried.advice.steps if one.first]
    assert first
    check = carried.advice.checks_on_arrival[0].not_before
    for media in ("screen",) if has_script else ("screen", "print"):
        page.emulate_media(media=media)
        shown = page.inner_text("main")
        for step in first:
            assert shown.index(step.text) < shown.index(check)
            assert step.limit in shown
            assert shown.count(step.text) == 1
    context.close()
