"""The first page in a real browser, with scripts switched off, on a telephone and on a desk, by day and by night.

The browser is the one that ``REPAIRADVISOR_TEST_CHROMIUM`` names, or the ``chromium`` on the path. Where there is none
these tests are skipped; with ``REPAIRADVISOR_REQUIRE_ALL=1`` they fail.
"""

from __future__ import annotations

import os
import re
import shutil
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import orjson
import pytest
from builders import a_database_url
from flask import Flask, render_template
from playwright.sync_api import Browser, Locator, Page, sync_playwright
from werkzeug.serving import make_server

from repairadvisor.decision.advice import Advice
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME, FIRST_ASKED
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.render import terminal
from repairadvisor.render.headings import headings
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings, cache_folder
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app

pytestmark = pytest.mark.browser

PHONE_PX, DESK_PX = 360, 1280
SCREENS = [(width, scheme) for width in (PHONE_PX, DESK_PX) for scheme in ("light", "dark")]
#: A fingertip in a working glove; the usual least size for bare fingers is 44.
TARGET_PX = 48
#: WCAG 2.2, success criterion 1.4.6 (level AAA): contrast of text.
CONTRAST = 7.0
#: Chromium on a machine without a network: it is not to look for one.
_QUIET = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

#: The text of a page in its order, of every piece its least contrast against the nearest painted ground.
_CONTRASTS = """() => {
    const parts = colour => colour.match(/[0-9.]+/g).map(Number);
    const linear = part => (part /= 255) <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4;
    const light = ([red, green, blue]) => 0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue);
    const ground = element => {
        for (let at = element; at; at = at.parentElement) {
            const painted = parts(getComputedStyle(at).backgroundColor);
            if (painted.length === 3 || painted[3] === 1) return painted;
        }
        return [255, 255, 255];
    };
    const found = [];
    for (const element of document.body.querySelectorAll("*")) {
        const own = [...element.childNodes].filter(node => node.nodeType === Node.TEXT_NODE && node.data.trim());
        if (!own.length || !element.checkVisibility() || element.tagName === "OPTION") continue;
        const [one, other] = [light(parts(getComputedStyle(element).color)), light(ground(element))];
        const ratio = (Math.max(one, other) + 0.05) / (Math.min(one, other) + 0.05);
        found.push([element.tagName + ": " + own[0].data.trim().slice(0, 40), ratio]);
    }
    return found;
}"""
_TARGETS = "select, input, button, [role=alert] a, .again, footer a"
_OVERHANG_PX = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


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
        asked = orjson.dumps(context.as_given(), option=orjson.OPT_SORT_KEYS)
        if asked not in self.given:
            self.given[asked] = self.method.advise(context, issued_plan, turning=turning)
        self.last = self.given[asked]
        return self.last

    def standing_cautions(self, context: Context) -> tuple[str, ...]:
        return self.method.standing_cautions(context)


@dataclass
class Watch:
    """What a page asks for over the network, and what it tries against the policy it was sent with."""

    requests: list[str] = field(default_factory=list)
    violations: list[str] = field(default_factory=list)

    def over(self, page: Page) -> None:
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self._heard(message.text))

    def _heard(self, text: str) -> None:
        if "Content Security Policy" in text:
            self.violations.append(text)


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
    yield app
    engine.dispose()


def _against_the_policy() -> str:
    """A page with a style of its own and a picture from elsewhere, to see that the watch would notice."""
    return '<!doctype html><p style="color: navy">styled</p><img alt="far" src="http://127.0.0.1:9/far.png">'


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


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = os.environ.get("REPAIRADVISOR_TEST_CHROMIUM") or shutil.which("chromium")
    if program is None:
        reason = "there is no chromium on the path, and REPAIRADVISOR_TEST_CHROMIUM names none"
        if os.environ.get("REPAIRADVISOR_REQUIRE_ALL") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=[*_QUIET], chromium_sandbox=False)
        yield started
        started.close()


@pytest.fixture
def watch() -> Watch:
    return Watch()


@pytest.fixture(params=SCREENS, ids=[f"{width}-{scheme}" for width, scheme in SCREENS])
def any_screen(request: pytest.FixtureRequest, browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    """The first page, on each screen in turn."""
    yield from _opened(browser, site, watch, *request.param)


@pytest.fixture(params=[PHONE_PX, DESK_PX])
def any_width(request: pytest.FixtureRequest, browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    yield from _opened(browser, site, watch, request.param, "light")


@pytest.fixture
def phone(browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    yield from _opened(browser, site, watch, PHONE_PX, "light")


@pytest.fixture
def desk_at_night(browser: Browser, site: str, watch: Watch) -> Iterator[Page]:
    yield from _opened(browser, site, watch, DESK_PX, "dark")


def _opened(browser: Browser, site: str, watch: Watch, width: int, scheme: str) -> Iterator[Page]:
    context = browser.new_context(
        base_url=site,
        viewport={"width": width, "height": 740},
        color_scheme="dark" if scheme == "dark" else "light",
        java_script_enabled=False,
    )
    context.set_default_timeout(30_000)
    page = context.new_page()
    watch.over(page)
    page.goto("/")
    yield page
    context.close()


def fill_in(page: Page) -> None:
    page.locator("#fibre_mode").select_option("single_mode")
    page.locator("#place").select_option("pole_top")
    page.locator("#precipitation").select_option("rain")
    page.locator("#spare_near_m").fill("3")
    page.locator("#spare_far_m").fill("0.5..2")
    page.locator("#margin_db").fill("4.2")


def press(page: Page) -> None:
    with page.expect_navigation():
        page.get_by_role("button").click()


def check_look(page: Page) -> None:
    """Nothing hangs over the edge, every piece of text stands out, everything to press is large enough."""
    assert page.evaluate(_OVERHANG_PX) == 0
    contrasts = page.evaluate(_CONTRASTS)
    assert contrasts
    assert [piece for piece in contrasts if piece[1] < CONTRAST] == []
    heights = page.locator(_TARGETS).evaluate_all(
        "found => found.map(element => [element.outerHTML.slice(0, 60), element.getBoundingClientRect().height])"
    )
    assert heights
    assert [target for target in heights if target[1] < TARGET_PX] == []


def words(text: str) -> list[str]:
    return text.split()


def is_dark(page: Page) -> bool:
    """Whether the page is light on dark; it must be one or the other, without shades between."""
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    lightest = max(int(part) for part in re.findall(r"[0-9]+", ground)[:3])
    assert lightest < 40 or lightest == 255
    return lightest < 40


def test_every_page_fits_every_screen(any_screen: Page, request: pytest.FixtureRequest) -> None:
    assert is_dark(any_screen) == request.node.callspec.id.endswith("dark")
    check_look(any_screen)
    any_screen.locator("#spare_near_m").fill("two")
    press(any_screen)
    assert any_screen.get_by_role("alert").is_visible()
    check_look(any_screen)
    fill_in(any_screen)
    press(any_screen)
    assert any_screen.locator(".headline").is_visible()
    check_look(any_screen)


def test_every_field_has_its_label(phone: Page) -> None:
    fields = phone.locator("select, input")
    assert [one.get_attribute("id") for one in fields.all()] == [*FIRST_ASKED]
    for name in FIRST_ASKED:
        label = phone.locator(f"label[for={name}]")
        assert label.count() == 1
        assert label.is_visible()
        assert phone.get_by_label(label.text_content() or "", exact=True).get_attribute("id") == name


def test_the_whole_advice_is_shown(phone: Page, method: Remembering) -> None:
    method.last = None
    fill_in(phone)
    press(phone)
    shown = phone.locator(".headline, .part, .validity").all_inner_texts()
    assert method.last is not None
    assert words(" ".join(shown)) == words(terminal.render(method.last, headings(method.wording)))
    assert phone.get_by_role("heading", level=2).count() >= 5
    assert phone.get_by_role("link", name=re.compile("^[0-9a-f]{32}$")).is_visible()


def test_lines_of_the_advice_fill_a_telephone(phone: Page) -> None:
    """A line that was broken for a terminal is not broken there again: that would leave ragged halves."""
    fill_in(phone)
    press(phone)
    pieces = phone.locator(".headline pre, .part li, .validity pre").all_inner_texts()
    assert max(len(piece) for piece in pieces) > 2 * terminal.WIDTH
    assert [piece for piece in pieces if "\n" in piece] == []


def test_what_is_wrong_stands_beside_its_field(any_width: Page) -> None:
    fill_in(any_width)
    any_width.locator("#spare_near_m").fill("two")
    any_width.locator("#margin_db").fill("99")
    press(any_width)
    said = {"spare_near_m": "“two” is not a number; allowed: 0 to 500 m", "margin_db": "allowed: -10 to 40 dB"}
    typed = {"spare_near_m": "two", "margin_db": "99"}
    for name in FIRST_ASKED:
        entry = any_width.locator(f"#{name}")
        assert entry.get_attribute("aria-invalid") == ("true" if name in said else None)
        described = (entry.get_attribute("aria-describedby") or "").split()
        assert (f"{name}-fault" in described) == (name in said)
        if name in said:
            fault = any_width.locator(f"#{name}-fault")
            assert said[name] in fault.inner_text()
            assert entry.input_value() == typed[name]
            check_beside(fault, entry)
    assert any_width.locator("#place").input_value() == "pole_top"


def check_beside(fault: Locator, entry: Locator) -> None:
    above, below = fault.bounding_box(), entry.bounding_box()
    assert above is not None
    assert below is not None
    assert above["x"] == below["x"]
    assert 0 <= below["y"] - (above["y"] + above["height"]) < 12


def test_what_is_wrong_leads_to_its_field(phone: Page) -> None:
    phone.locator("#margin_db").fill("99")
    press(phone)
    phone.get_by_role("alert").get_by_role("link").click()
    phone.wait_for_url("**/#margin_db")
    for seen in ("label[for=margin_db]", "#margin_db-fault", "#margin_db"):
        box = phone.locator(seen).bounding_box()
        assert box is not None
        assert 0 <= box["y"] <= 740 - box["height"]


def focused(page: Page) -> str:
    """The id, or else the text, of what has the focus; what has it must be seen to have it."""
    entry = page.locator(":focus")
    assert float(entry.evaluate("element => getComputedStyle(element).outlineWidth").removesuffix("px")) >= 3
    assert entry.evaluate("element => getComputedStyle(element).outlineStyle") == "solid"
    return entry.get_attribute("id") or entry.inner_text()


def test_the_keyboard_is_enough(phone: Page, method: Remembering) -> None:
    typed = dict(zip(FIRST_ASKED, ("single", "pole", "rain", "3", "0.5..2", "4.2"), strict=True))
    for name, text in typed.items():
        phone.keyboard.press("Tab")
        assert focused(phone) == name
        phone.keyboard.type(text)
    chosen = [phone.locator(f"#{name}").input_value() for name in FIRST_ASKED]
    assert chosen == ["single_mode", "pole_top", "rain", "3", "0.5..2", "4.2"]
    phone.keyboard.press("Tab")
    assert focused(phone) == "Ask for advice"
    with phone.expect_navigation():
        phone.keyboard.press("Enter")
    assert phone.locator(".headline").is_visible()
    phone.keyboard.press("Tab")
    assert re.fullmatch("[0-9a-f]{32}", focused(phone))
    phone.keyboard.press("Tab")
    assert focused(phone) == "Ask again"
    with phone.expect_navigation():
        phone.keyboard.press("Enter")
    assert phone.get_by_role("button").is_visible()


def test_enter_in_a_field_asks(phone: Page) -> None:
    phone.locator("#margin_db").fill("4.2")
    with phone.expect_navigation():
        phone.locator("#margin_db").press("Enter")
    assert phone.locator(".headline").is_visible()


def test_nothing_comes_from_elsewhere_and_nothing_is_tried_against_the_policy(
    phone: Page, watch: Watch, site: str
) -> None:
    phone.locator("#margin_db").fill("99")
    press(phone)
    phone.locator("#margin_db").fill("4.2")
    press(phone)
    assert phone.locator(".headline").is_visible()
    again = phone.goto("/")
    assert again is not None
    assert "default-src 'none'" in again.headers["content-security-policy"]
    assert f"{site}/static/page.css" in watch.requests
    assert [url for url in watch.requests if not url.startswith(f"{site}/")] == []
    assert watch.violations == []


def test_the_watch_would_notice(phone: Page, watch: Watch) -> None:
    phone.goto("/against-the-policy")
    assert any("style" in text for text in watch.violations)
    assert any("far.png" in text for text in watch.violations)


def test_on_paper_it_is_black_on_white_and_has_nothing_to_press(desk_at_night: Page) -> None:
    fill_in(desk_at_night)
    press(desk_at_night)
    desk_at_night.emulate_media(media="print", color_scheme="dark")
    assert desk_at_night.locator(".headline").is_visible()
    assert not desk_at_night.locator(".again").is_visible()
    for element in ("body", ".headline", ".caution"):
        style = desk_at_night.locator(element).first.evaluate(
            "element => [getComputedStyle(element).color, getComputedStyle(element).backgroundColor]"
        )
        assert style == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]


def test_names_and_words_are_those_of_the_policy(phone: Page, desk_app: Flask, method: Remembering) -> None:
    facts = [BY_NAME[name] for name in FIRST_ASKED]
    with desk_app.test_request_context():
        html = render_template("desk.html", facts=facts, given={}, error=None, wording=method.wording)
    phone.set_content(html)
    said: Mapping[str, Any] = method.wording
    for fact in facts:
        name = said["fact_name"][fact.name]
        entry = phone.get_by_label(re.compile(f"^{re.escape(name)}"))
        assert entry.get_attribute("id") == fact.name
        if fact.words:
            choices = entry.locator("option").all_text_contents()
            assert choices == ["not known", *(said["word"][fact.name][word] for word in fact.words)]
    assert "dry" in phone.locator("#precipitation option").all_text_contents()
