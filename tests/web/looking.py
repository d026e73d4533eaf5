"""How a page is looked at in a browser: on which screens, how legible, what it asks for, where the focus is."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Browser, Locator, Page, sync_playwright

PHONE_PX, DESK_PX = 360, 1280
SCREENS = [(width, scheme) for width in (PHONE_PX, DESK_PX) for scheme in ("light", "dark")]
#: WCAG 2.2, success criterion 1.4.6 (level AAA): contrast of text.
CONTRAST = 7.0
#: Chromium on a machine without a network: it is not to look for one.
QUIET = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

#: The text of a page in its order, of every piece its least contrast against the nearest painted ground.
CONTRASTS = """() => {
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
OVERHANG_PX = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


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


def a_browser() -> Iterator[Browser]:
    """The one that ``REPAIRADVISOR_TEST_CHROMIUM`` names, or the ``chromium`` on the path.

    Where there is none the test is skipped; with ``REPAIRADVISOR_REQUIRE_ALL=1`` it fails.
    """
    program = os.environ.get("REPAIRADVISOR_TEST_CHROMIUM") or shutil.which("chromium")
    if program is None:
        reason = "there is no chromium on the path, and REPAIRADVISOR_TEST_CHROMIUM names none"
        if os.environ.get("REPAIRADVISOR_REQUIRE_ALL") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=[*QUIET], chromium_sandbox=False)
        yield started
        started.close()


def opened(
    browser: Browser, site: str, watch: Watch, width: int, scheme: str, *, scripts: bool = False
) -> Iterator[Page]:
    context = browser.new_context(
        base_url=site,
        viewport={"width": width, "height": 740},
        color_scheme="dark" if scheme == "dark" else "light",
        java_script_enabled=scripts,
    )
    context.set_default_timeout(180_000)
    page = context.new_page()
    watch.over(page)
    page.goto("/")
    yield page
    context.close()


def focused(page: Page) -> Locator:
    """What has the focus; it must be seen to have it."""
    entry = page.locator(":focus")
    assert float(entry.evaluate("element => getComputedStyle(element).outlineWidth").removesuffix("px")) >= 3
    assert entry.evaluate("element => getComputedStyle(element).outlineStyle") == "solid"
    return entry


def is_dark(page: Page) -> bool:
    """Whether the page is light on dark; it must be one or the other, without shades between."""
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    lightest = max(int(part) for part in re.findall(r"[0-9]+", ground)[:3])
    assert lightest < 40 or lightest == 255
    return lightest < 40
