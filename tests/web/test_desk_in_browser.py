"""The pages in a real browser, with scripts switched off, on a telephone and on a desk, by day, at night and on paper.

The browser is the one that ``REPAIRADVISOR_TEST_CHROMIUM`` names, or the ``chromium`` on the path. Where there is none
these tests are skipped; with ``REPAIRADVISOR_REQUIRE_ALL=1`` they fail.
"""

from __future__ import annotations

import itertools
import os
import random
import re
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import urlencode

import orjson
import pytest
from builders import NOW, VOICE, a_database_url, an_advice
from flask import Flask, render_template, render_template_string
from markupsafe import Markup
from outcome.recorded_work import BEGAN, light, made
from playwright.sync_api import Browser, Locator, Page
from werkzeug.serving import make_server
from whole_jobs import whole_jobs

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules_in_force import RulesInForce
from repairadvisor.delivery.published import plain_delivery
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.methods import PreparedMethod, policy_in_force, prepared_method
from repairadvisor.outcome.attempt_readings import Made
from repairadvisor.outcome.workmanship_charts import Workmanship, workmanship_of
from repairadvisor.policy.model import Claim
from repairadvisor.render import cost_picture, loss_picture, terminal, turning_picture
from repairadvisor.render.chart_picture import HIGH, WIDE, picture
from repairadvisor.render.voice import FEET, Voice
from repairadvisor.schemas.delivery import CAUSES, STATES, TROUBLED_STATES
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings, cache_folder, overlay_folder
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.deliveries import Delivery
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app
from web.axe import violations
from web.looking import CONTRAST, CONTRASTS, DESK_PX, OVERHANG_PX, PHONE_PX, SCREENS, Watch, focused, is_dark, opened

pytestmark = [
    pytest.mark.browser,
    # A browser that goes on to the next page drops what the development server is sending: its thread then lets go of
    # the file.
    pytest.mark.filterwarnings("ignore:unclosed file .*static:ResourceWarning"),
]

#: A fingertip in a working glove; the usual least size for bare fingers is 44.
TARGET_PX = 48
DELIVERY = Delivery(id="", cause="event", source="desk", key="k", received_at=NOW, changed_at=NOW, state="waiting")

#: Everything to press, but links in the middle of a sentence.
_TARGETS = "select, input:not([type=hidden]), textarea, button, summary, [role=alert] a, .again, footer a"


@dataclass
class Remembering:
    """The method of this program, with the advice it gave last; asked the same again it says the same."""

    method: PreparedMethod
    last: Advice | None = None
    given: dict[bytes, Advice] = field(default_factory=dict)

    @property
    def policy_id(self) -> str:
        return self.method.policy_id

    @property
    def policy_text(self) -> bytes:
        return self.method.policy_text

    @property
    def wording(self) -> Mapping[str, object]:
        return self.method.wording

    def plan_ids(self) -> frozenset[str]:
        return self.method.plan_ids()

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        asked = orjson.dumps([context.as_given(), turning], option=orjson.OPT_SORT_KEYS)
        if asked not in self.given:
            self.given[asked] = self.method.advise(context, issued_plan, turning=turning)
        self.last = self.given[asked]
        return self.last

    @property
    def claims(self) -> Sequence[Claim]:
        return self.method.claims

    def rules_in_force(self) -> RulesInForce:
        return self.method.rules_in_force()

    def standing_cautions(self, context: Context) -> tuple[str, ...]:
        return self.method.standing_cautions(context)

    def workmanship(self, made: Iterable[Made]) -> Workmanship:
        return self.method.workmanship(made)


@pytest.fixture(scope="session")
def method() -> Remembering:
    return Remembering(prepared_method(cache_folder(os.environ)))


@pytest.fixture(scope="module")
def desk_app(method: Remembering, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    url = a_database_url(tmp_path_factory.mktemp("browser"))
    engine = open_database(url)
    migrate(engine)
    app = create_app(Settings(database_url=url), Advisor(method, Records(engine)))
    app.add_url_rule("/against-the-policy", view_func=_against_the_policy)
    app.add_url_rule("/without-names", view_func=_without_names)
    app.add_url_rule("/pictures", view_func=_pictures)
    app.add_url_rule("/charts", view_func=_charts)
    app.add_url_rule("/deliveries-in-every-state", view_func=_deliveries)
    yield app
    engine.dispose()


def _against_the_policy() -> str:
    """A page with a style of its own and a picture from elsewhere, to see that the watch would notice."""
    return '<!doctype html><p style="color: navy">styled</p><img alt="far" src="http://127.0.0.1:9/far.png">'


def _without_names() -> str:
    """A page that nobody can use by ear, to see that it would be noticed."""
    return '<!doctype html><html><body bgcolor="#fff" text="#bbb"><p>pale</p><input><img src="x"></body></html>'


def _pictures() -> str:
    """All pictures of an advice with something in every part, on a page like any other."""
    names = {"spare_near_m": "spare cable on the exchange side"}
    advice = an_advice()
    drawn = [
        loss_picture.render(advice, VOICE),
        cost_picture.render(advice, VOICE),
        turning_picture.render(advice, names, VOICE),
    ]
    page = '{% extends "frame.html" %}{% block main %}<h1>Pictures</h1>{{ drawn }}{% endblock %}'
    return render_template_string(page, drawn=Markup("".join(drawn)))


def _charts() -> str:
    """The page of workmanship with charts that signalled, both ways, and silent ones."""
    slipping = [made(i, 2.0, machine="m-1", cleaver="c-1", person="k-1") for i in range(12)]
    better = [made(i, -0.14, machine="m-2") for i in range(12, 42)]
    found = workmanship_of([*slipping, *better, made(42, 0.03, machine="m-3"), made(43)], light())
    shown = [(chart, picture(chart, found.interval, VOICE)) for chart in found.charts]
    assert {one.side for chart, _ in shown for one in chart.signals} == {"upper", "lower"}
    return render_template(
        "workmanship.html",
        found=found,
        since=BEGAN,
        signalled=[one for one in shown if one[0].signals],
        silent=[one for one in shown if not one[0].signals],
        wide=WIDE,
        high=HIGH,
    )


def _deliveries() -> str:
    """The page of deliveries with one in every state, of every cause."""
    causes = itertools.cycle(CAUSES)
    rows = [
        plain_delivery(
            replace(
                DELIVERY,
                id=f"{number:032x}",
                state=state,
                cause=next(causes),
                reference="LF-20310504-0017" if number % 2 else None,
                reason="the ticket system does not answer" if number % 3 else "",
                due_at=NOW if number % 2 else None,
                attempt=number % 3,
                healed=number % 2,
                advice_id="5d" * 16,
                revision=number or None,
            )
        )
        for number, state in enumerate(STATES)
    ]
    troubled = [row for row in rows if row["state"] in TROUBLED_STATES]
    return render_template(
        "deliveries.html",
        is_set_up=True,
        ticket="",
        counts={row["state"]: 3 for row in rows},
        sources_in_trouble={"desk": "does not answer"},
        troubled=troubled,
        others=[row for row in rows if row not in troubled],
    )


@pytest.fixture(scope="module")
def site(desk_app: Flask) -> Iterator[str]:
    """Where the application listens, without a slash at the end."""
    server = make_server("127.0.0.1", 0, desk_app, threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(params=SCREENS, ids=[f"{width}-{scheme}" for width, scheme in SCREENS])
def any_screen(request: pytest.FixtureRequest, browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    """The first page, on each screen in turn."""
    yield from opened(browser, site, watch, *request.param)


@pytest.fixture(params=[PHONE_PX, DESK_PX])
def any_width(request: pytest.FixtureRequest, browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    yield from opened(browser, site, watch, request.param, "light")


@pytest.fixture
def phone(browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    yield from opened(browser, site, watch, PHONE_PX, "light")


@pytest.fixture
def desk_at_night(browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    yield from opened(browser, site, watch, DESK_PX, "dark")


@pytest.fixture(params=SCREENS, ids=[f"{width}-{scheme}" for width, scheme in SCREENS])
def with_scripts(request: pytest.FixtureRequest, browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    """The first page, on each screen in turn, with scripts on: what looks at it is one."""
    yield from opened(browser, site, watch, *request.param, scripts=True)


#: What the caller of the story says, fact by fact; asked in which order is up to the advice.
CALLER = {
    "place": "customer_home",
    "danger_seen": "none",
    "fault_seen": "cut",
    "distance_to_plug_m": "2",
    "spare_near_m": "2",
}
#: The least that letters may be high in a picture, in pixels of the screen. Common practice, no source.
LEAST_LETTER_PX = 11


def told(**more: str) -> str:
    """The address of the advice at the end of the story."""
    return "/?" + urlencode({"now": "2031-05-04T07:30:00+00:00", **CALLER, "fibre_mode": "single_mode", **more})


def answer(page: Page) -> str:
    """Give the answer of the story to the question that stands first; which fact that was."""
    asked = page.locator(".answers button[value], .answers input:not([type=hidden])").first
    name = asked.get_attribute("name") or ""
    with page.expect_navigation():
        if BY_NAME[name].words:
            page.locator(f".answers button[name={name}][value={CALLER[name]}]").click()
        else:
            asked.fill(CALLER[name])
            asked.press("Enter")
    return name


def check_look(page: Page) -> None:
    """Nothing hangs over the edge, every piece of text stands out, everything to press is large enough."""
    assert page.evaluate(OVERHANG_PX) == 0
    contrasts = page.evaluate(CONTRASTS)
    assert contrasts
    assert [piece for piece in contrasts if piece[1] < CONTRAST] == []
    heights = page.locator(_TARGETS).evaluate_all(
        "found => found.filter(element => element.checkVisibility())"
        ".map(element => [element.outerHTML.slice(0, 60), element.getBoundingClientRect().height])"
    )
    assert heights
    assert [target for target in heights if target[1] < TARGET_PX] == []


def words(text: str) -> list[str]:
    return text.split()


def without_its_address(page: Page) -> str:
    """All that is said on the page but how it can be had again."""
    return re.sub("Link to all of this|The address of this page shows all of this again.", "", page.inner_text("main"))


@pytest.mark.long
@pytest.mark.whole_run
def test_the_callers_story_from_the_first_fact_to_the_advice(any_width: Page, watch: Watch, site: str) -> None:
    asked = []
    while not any_width.locator(".headline").is_visible() or not any_width.inner_text(".headline").startswith("REPAIR"):
        watch.requests.clear()
        asked.append(answer(any_width))
        # One round trip an answer: the page, and what belongs to every page.
        pages = [url for url in watch.requests if not url.startswith(f"{site}/static/")]
        assert len(pages) == 1
        # The next question, or that there is none, stands where the eye is, and the advice is there.
        top = any_width.locator("h1").bounding_box()
        assert top is not None
        assert top["y"] < 60
        assert any_width.locator(".headline").is_visible()
        if any_width.viewport_size == {"width": DESK_PX, "height": 740}:
            beside = any_width.locator(".headline").bounding_box()
            assert beside is not None
            assert beside["x"] > top["x"] + top["width"]
            assert beside["y"] < 60
    assert asked[:2] == ["place", "danger_seen"]
    assert set(asked) == set(CALLER)
    assert any_width.locator("#told").input_value().count("\n") == len(CALLER) - 1
    for part in ("cautions", "plan", "loss", "kit", "alternatives", "barred"):
        assert any_width.locator(f"#part-{part}").is_visible()
    changed = any_width.locator(".changed").inner_text()
    assert "Now repair; before, ask first." in changed
    assert any_width.locator("svg:has(#cost-title)").is_visible()
    any_width.locator("#fibre_mode").select_option("single_mode")
    any_width.locator("#margin_db").fill("2.4")
    with any_width.expect_navigation():
        any_width.get_by_role("button", name="Ask for advice").click()
    assert any_width.locator("svg:has(#loss-title)").is_visible()
    assert "Margin before the fault: 2.4 dB (new)" in any_width.locator(".changed").inner_text()
    said = without_its_address(any_width)
    any_width.goto(any_width.url)
    assert without_its_address(any_width) == said


def test_what_nobody_can_say_stays_unknown_and_the_next_question_comes(phone: Page) -> None:
    answer(phone)
    first = phone.locator("h1").inner_text()
    with phone.expect_navigation():
        phone.get_by_role("button", name=re.compile("^Nobody can say")).click()
    assert phone.locator("h1").inner_text() != first
    assert "danger or no danger at the place" in phone.locator(".unknown").inner_text()
    assert phone.locator("#danger_seen option:checked").inner_text().strip() == "not known"
    assert phone.inner_text(".headline").startswith("ASK FIRST")


def test_facts_may_be_typed_in_any_order_and_taken_back(any_width: Page) -> None:
    any_width.locator("#told").fill("spare_near_m = 2\nfault_seen: cable cut\nplace of the break = customer's home")
    any_width.locator("#margin_db").fill("4.2")
    with any_width.expect_navigation():
        any_width.locator("#margin_db").press("Enter")
    lines = any_width.locator("#told").input_value().split("\n")
    assert lines == [
        "place of the break = customer's home",
        "what is seen of the fault = cable cut",
        "spare cable on the exchange side = 2 m",
        "margin before the fault = 4.2 dB",
    ]
    any_width.locator("#told").fill("\n".join(lines[:3]))
    with any_width.expect_navigation():
        any_width.get_by_role("button", name="Ask for advice").click()
    assert "Margin before the fault: no longer 4.2 dB" in any_width.locator(".changed").inner_text()
    assert any_width.locator("#margin_db").input_value() == ""


PAGES = (
    "/",
    told(),
    "/?place=pole_top&margin_db=99",
    "/facts?place=pole_top",
    "/policy",
    "/policy/compare",
    "/deliveries",
    "/workmanship",
)


#: Pages that are made for these tests, with something in every part.
WITH_DATA = ("/charts", "/deliveries-in-every-state")


def test_every_page_fits_every_screen(any_screen: Page, request: pytest.FixtureRequest) -> None:
    screen = request.node.callspec.id
    # The pages share one style sheet: what is dark is looked at on the wide screen, what is narrow by day, and the desk
    # on all of them.
    for path in (*PAGES, *WITH_DATA) if screen in ("360-light", "1280-dark") else ("/", told()):
        any_screen.goto(path)
        assert is_dark(any_screen) == screen.endswith("dark")
        check_look(any_screen)
    any_screen.goto(told())
    with any_screen.expect_navigation():
        any_screen.get_by_role("button", name="Keep this advice").click()
    check_look(any_screen)


@pytest.mark.parametrize("width", [DESK_PX // 2, 320])
def test_twice_and_four_times_as_large_nothing_is_lost(browser: Browser, site: str, watch: Watch, width: int) -> None:
    """WCAG 2.2, success criteria 1.4.4 (200 %) and 1.4.10 (320 px wide, which is 1280 px at 400 %), from memory."""
    looked_at = opened(browser, site, watch, width, "light")
    page = next(looked_at)
    for path in PAGES:
        page.goto(path)
        assert page.evaluate(OVERHANG_PX) == 0
        cut_off = page.locator("main *:not(svg *)").evaluate_all(
            "all => all.filter(one => one.checkVisibility() && one.scrollWidth > one.clientWidth + 1 && one.clientWidth"
            " && !['inline', 'contents'].includes(getComputedStyle(one).display) && one.tagName !== 'TEXTAREA')"
            ".map(one => one.outerHTML.slice(0, 80))"
        )
        assert cut_off == []
    looked_at.close()


def test_pictures_fit_and_can_be_read(any_width: Page) -> None:
    any_width.goto("/pictures")
    for name in ("cost", "loss", "turning"):
        picture = any_width.locator(f"svg:has(#{name}-title)")
        assert picture.get_attribute("role") == "img"
        box = picture.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= (any_width.viewport_size or {})["width"]
        sizes = picture.locator("text").evaluate_all(
            "all => all.map(one => one.getBoundingClientRect()).map(box => [box.height, box.left, box.right])"
        )
        assert min(height for height, _, _ in sizes) >= LEAST_LETTER_PX
        assert min(left for _, left, _ in sizes) >= box["x"] - 1
        assert max(right for _, _, right in sizes) <= box["x"] + box["width"] + 1
        tree = any_width.get_by_role("img", name=re.compile(any_width.locator(f"#{name}-title").text_content() or "?"))
        assert tree.count() == 1


#: Of every text in a picture that leaves it: the text; and the least size in which letters are shown, in pixels.
_LEAVES_ITS_PICTURE = """() => {
    const out = [];
    let least = Infinity;
    for (const svg of document.querySelectorAll("svg.picture")) {
        const wide = svg.viewBox.baseVal.width, high = svg.viewBox.baseVal.height;
        for (const text of svg.querySelectorAll("text")) {
            const box = text.getBBox();
            if (box.x < -0.5 || box.x + box.width > wide + 0.5 || box.y < -2 || box.y + box.height > high + 2)
                out.push([text.textContent, box.x, box.y, box.width, box.height]);
            const size = parseFloat(svg.getAttribute("font-size")) * svg.getBoundingClientRect().width / wide;
            least = Math.min(least, size);
        }
    }
    return [out, least];
}"""
IN_SPANISH = Voice(Words(policy_in_force(overlay_folder("spanish")).wording))


@pytest.mark.long
@pytest.mark.parametrize("width", [PHONE_PX, DESK_PX])
@pytest.mark.parametrize("voice", [VOICE, IN_SPANISH, Voice(VOICE.words, FEET)], ids=["english", "spanish", "feet"])
def test_no_word_leaves_the_picture_of_a_whole_job(
    browser: Browser,
    site: str,
    watch: Watch,
    method: Remembering,
    share: Callable[[int, int, int], int],
    voice: Voice,
    width: int,
) -> None:
    jobs = random.Random(7).sample(whole_jobs(), share(len(whole_jobs()), 6, 7))
    drawn = []
    for number, job in enumerate(jobs):
        advice = method.advise(parse_context(job.facts, job.now), turning=number % 10 < 3)
        names = {name: voice.fact(name) for name in BY_NAME}
        drawn += [loss_picture.render(advice, voice), cost_picture.render(advice, voice)]
        drawn.append(turning_picture.render(advice, names, voice))
    assert sum(map(bool, drawn)) > 4
    for page in opened(browser, site, watch, width, "light"):
        sheet = f'<link rel="stylesheet" href="{site}/static/page.css">'
        page.set_content(f'{sheet}<main class="wide">{"".join(drawn)}</main>')
        page.wait_for_load_state("networkidle")
        leaves, least = page.evaluate(_LEAVES_ITS_PICTURE)
        assert leaves == []
        assert least >= 11


def test_charts_can_be_read_and_their_words_do_not_stand_in_each_other(any_width: Page) -> None:
    any_width.goto("/charts")
    for chart in any_width.locator("svg.chart").all():
        if not chart.is_visible():
            continue
        boxes = chart.locator("text").evaluate_all(
            "all => all.map(one => one.getBoundingClientRect()).map(box => [box.left, box.top, box.right, box.bottom])"
        )
        assert min(bottom - top for _, top, _, bottom in boxes) >= LEAST_LETTER_PX
        assert max(right for _, _, right, _ in boxes) <= (any_width.viewport_size or {})["width"]
        for (left, top, right, bottom), other in itertools.combinations(boxes, 2):
            apart = right <= other[0] or other[2] <= left or bottom <= other[1] + 3 or other[3] <= top + 3
            assert apart, (left, top, other)


def test_patterns_of_a_picture_differ_without_their_colour(phone: Page) -> None:
    """Every bar is painted with a pattern or not at all, in the one colour of the text."""
    phone.goto(told())
    paints = phone.locator("svg :is(rect, path, circle, text)").evaluate_all(
        "all => all.flatMap(one => ['fill', 'stroke'].map(paint => getComputedStyle(one)[paint]))"
        ".filter(paint => paint !== 'none' && !paint.startsWith('url('))"
    )
    ink, paper = (phone.evaluate(f"getComputedStyle(document.body).{one}") for one in ("color", "backgroundColor"))
    assert set(paints) == {ink, paper}


def test_the_whole_advice_that_was_kept_is_shown(phone: Page, method: Remembering) -> None:
    phone.goto(told())
    method.last = None
    with phone.expect_navigation():
        phone.get_by_role("button", name="Keep this advice").click()
    shown = phone.locator(".headline, .part, .validity").all_inner_texts()
    assert method.last is not None
    assert words(" ".join(shown)) == words(terminal.render(method.last, VOICE))
    assert phone.get_by_role("heading", level=2).count() >= 5
    assert phone.get_by_role("link", name=re.compile("^[0-9a-f]{32}$")).is_visible()


def test_lines_of_the_kept_advice_fill_a_telephone(phone: Page) -> None:
    """A line that was broken for a terminal is not broken there again: that would leave ragged halves."""
    phone.goto(told())
    with phone.expect_navigation():
        phone.get_by_role("button", name="Keep this advice").click()
    pieces = phone.locator(".headline pre, .part li, .validity pre").all_inner_texts()
    assert max(len(piece) for piece in pieces) > 2 * terminal.WIDTH
    assert [piece for piece in pieces if "\n" in piece] == []


def test_what_is_wrong_stands_beside_its_field(any_width: Page) -> None:
    any_width.locator("#place").select_option("pole_top")
    any_width.locator("#spare_near_m").fill("two")
    any_width.locator("#margin_db").fill("99")
    with any_width.expect_navigation():
        any_width.get_by_role("button", name="Ask for advice").click()
    said = {"spare_near_m": "“two” is not a number; allowed: 0 to 500 m", "margin_db": "allowed: -10 to 40 dB"}
    typed = {"spare_near_m": "two", "margin_db": "99"}
    for entry in any_width.locator(".entry :is(select, input:not([type=hidden]))").all():
        name = entry.get_attribute("id") or ""
        assert entry.get_attribute("aria-invalid") == ("true" if name in said else None)
        described = (entry.get_attribute("aria-describedby") or "").split()
        assert (f"{name}-fault" in described) == (name in said)
        if name in said:
            fault = any_width.locator(f"#{name}-fault")
            assert said[name] in fault.inner_text()
            assert entry.input_value() == typed[name]
            check_beside(fault, entry)
    assert any_width.locator("#place").input_value() == "pole_top"
    assert "A fall kills." in any_width.get_by_role("alert").inner_text()


def check_beside(fault: Locator, entry: Locator) -> None:
    above, below = fault.bounding_box(), entry.bounding_box()
    assert above is not None
    assert below is not None
    assert above["x"] == below["x"]
    assert 0 <= below["y"] - (above["y"] + above["height"]) < 12


def test_what_is_wrong_leads_to_its_field(phone: Page) -> None:
    phone.goto("/?margin_db=99")
    phone.get_by_role("alert").get_by_role("link").click()
    phone.wait_for_url("**/*#margin_db")
    for seen in ("label[for=margin_db]", "#margin_db-fault", "#margin_db"):
        box = phone.locator(seen).bounding_box()
        assert box is not None
        assert 0 <= box["y"] <= 740 - box["height"]


def test_the_keyboard_is_enough(phone: Page) -> None:
    phone.keyboard.press("Tab")
    assert focused(phone).inner_text() == "customer's home"
    with phone.expect_navigation():
        phone.keyboard.press("Enter")
    phone.keyboard.press("Tab")
    assert focused(phone).inner_text() == "none seen"  # the first answer to the question, nothing before it
    with phone.expect_navigation():
        phone.keyboard.press("Space")
    while phone.locator(":focus").count() == 0 or focused(phone).get_attribute("id") != "told":
        phone.keyboard.press("Tab")
    phone.keyboard.press("Control+End")
    phone.keyboard.type("\nmargin_db = 4.2")
    while focused(phone).inner_text() != "Ask for advice":
        phone.keyboard.press("Tab")
    with phone.expect_navigation():
        phone.keyboard.press("Enter")
    assert "margin before the fault = 4.2 dB" in phone.locator("#told").input_value()


def test_everything_to_press_is_reached_in_the_order_of_the_page(desk_at_night: Page) -> None:
    desk_at_night.goto(told())
    pressed = "a[href], button, select, input:not([type=hidden]), textarea, summary"
    there = desk_at_night.locator(pressed).evaluate_all("all => all.map(one => one.outerHTML)")
    reached = []
    for _ in there:
        desk_at_night.keyboard.press("Tab")
        reached.append(focused(desk_at_night).evaluate("one => one.outerHTML"))
    assert reached == there


def test_nothing_comes_from_elsewhere_and_nothing_is_tried_against_the_policy(
    phone: Page, watch: Watch, site: str
) -> None:
    for path in PAGES:
        again = phone.goto(path)
        assert again is not None
        assert "default-src 'none'" in again.headers["content-security-policy"]
    assert f"{site}/static/page.css" in watch.requests
    assert [url for url in watch.requests if not url.startswith(f"{site}/")] == []
    assert watch.violations == []


def test_the_watch_would_notice(phone: Page, watch: Watch) -> None:
    phone.goto("/against-the-policy")
    assert any("style" in text for text in watch.violations)
    assert any("far.png" in text for text in watch.violations)


def test_a_script_that_was_typed_does_not_run(browser: Browser, site: str) -> None:
    """With scripts switched on, for once."""
    page = browser.new_page(base_url=site)
    ran: list[str] = []
    page.on("dialog", lambda dialog: (ran.append(dialog.message), dialog.dismiss())[1])
    script = "</textarea></svg><img src=x onerror=alert(1)><script>alert(2)</script>"
    page.goto("/")
    for name in ("told", "margin_db"):
        page.locator(f"#{name}").fill(script)
    with page.expect_navigation():
        page.get_by_role("button", name="Ask for advice").click()
    assert page.locator("#told").input_value() == script
    assert page.locator("#margin_db").input_value() == script
    assert page.get_by_role("alert").is_visible()
    assert ran == []
    page.close()


def test_words_that_run_the_other_way_stay_where_they_are(phone: Page) -> None:
    """Right-to-left text does not move the words around it: they stand to the left of it, as they are written."""
    phone.goto("/?" + urlencode({"margin_db": "\u05e2\u05de\u05d5\u05d3 99"}))
    typed = phone.locator("#margin_db")
    assert typed.evaluate("one => getComputedStyle(one).direction") == "rtl"
    fault = phone.locator("#margin_db-fault")
    edges = fault.evaluate(
        "one => { const edge = node => { const range = document.createRange(); range.selectNodeContents(node);"
        " return range.getBoundingClientRect().left };"
        " return [edge(one.querySelector('bdi')), getComputedStyle(one).direction, one.lastChild.data] }"
    )
    assert edges[1] == "ltr"
    assert edges[2].startswith("” is not a number")
    assert phone.evaluate(OVERHANG_PX) == 0


def test_on_paper_it_is_black_on_white_has_nothing_to_press_and_folds_nothing(
    desk_at_night: Page, method: Remembering
) -> None:
    desk_at_night.goto(told())
    barred = [advice.barred for advice in method.given.values() if advice.plan is not None]
    desk_at_night.emulate_media(media="print", color_scheme="dark")
    assert desk_at_night.locator(".headline").is_visible()
    for pressed in ("button", "select", "input", "summary", "footer"):
        assert [one for one in desk_at_night.locator(pressed).all() if one.is_visible()] == []
    for element in ("body", ".headline", ".caution"):
        style = desk_at_night.locator(element).first.evaluate(
            "element => [getComputedStyle(element).color, getComputedStyle(element).backgroundColor]"
        )
        assert style == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    lines = desk_at_night.locator("#told")
    assert lines.is_visible()
    assert lines.evaluate("one => one.scrollHeight - one.clientHeight") <= 0
    items = desk_at_night.locator(".barred li")
    assert items.count() in {len(bars) for bars in barred} - {0}
    assert all(one.evaluate("one => one.checkVisibility({contentVisibilityAuto: true})") for one in items.all())


def test_names_and_words_are_those_of_the_policy(phone: Page, method: Remembering) -> None:
    said: Mapping[str, Any] = method.wording
    for entry in phone.locator(".entry :is(select, input:not([type=hidden]))").all():
        name = entry.get_attribute("id") or ""
        labelled = phone.get_by_label(re.compile(f"^{re.escape(said['fact_name'][name])}"))
        assert labelled.get_attribute("id") == name
        if BY_NAME[name].words:
            choices = [choice.strip() for choice in entry.locator("option").all_text_contents()]
            assert choices == ["not known", *(said["word"][name][word] for word in BY_NAME[name].words)]
    assert "dry" in [one.strip() for one in phone.locator("#precipitation option").all_text_contents()]


def test_nothing_stands_in_the_way_of_those_who_do_not_see_the_page(with_scripts: Page) -> None:
    """WCAG 2.2, levels A and AA, as far as axe-core can tell."""
    found = {}
    for path in (*PAGES, *WITH_DATA, "/pictures", "/?margin_db=99"):
        with_scripts.goto(path)
        found[path] = violations(with_scripts)
    with_scripts.goto(told())
    with with_scripts.expect_navigation():
        with_scripts.get_by_role("button", name="Keep this advice").click()
    found["kept"] = violations(with_scripts)
    assert {path: wrong for path, wrong in found.items() if wrong} == {}


def test_what_stands_in_the_way_would_be_noticed(with_scripts: Page) -> None:
    with_scripts.goto("/without-names")
    found = {one.partition(":")[0] for one in violations(with_scripts)}
    assert {"color-contrast", "document-title", "html-has-lang", "image-alt", "label"} <= found
