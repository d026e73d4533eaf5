"""What axe-core finds wrong with a page for those who do not see, hear or use it as most do.

``REPAIRADVISOR_TEST_AXE`` names its file ``axe.min.js``. Where it is unset the tests that ask are skipped; with
``REPAIRADVISOR_REQUIRE_ALL=1`` they fail.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from playwright.sync_api import Page

#: The sets of its rules: WCAG 2.0, 2.1 and 2.2 at levels A and AA, and what its makers hold to be good practice.
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")

_RUN = """rules => axe.run(document, {runOnly: {type: "tag", values: rules}, resultTypes: ["violations"]}).then(
    found => found.violations.flatMap(one => one.nodes.map(
        node => `${one.id}: ${one.help}: ${node.target.join(" ")}: ${node.html.slice(0, 160)}`)))"""


def violations(page: Page) -> list[str]:
    """Every place of the page that breaks a rule: the rule, where, and what stands there.

    Works under any content security policy: the browser runs it, not the page. Scripts must be on in the page, since it
    waits for its own timers.
    """
    source = _source()
    assert page.evaluate("!matchMedia('(scripting: none)').matches"), (
        "scripts are off in this page: axe would wait for ever"
    )
    page.evaluate(source)
    found: list[str] = page.evaluate(_RUN, list(RULES))
    return found


def _source() -> str:
    named = os.environ.get("REPAIRADVISOR_TEST_AXE")
    if named:
        return Path(named).read_text(encoding="utf-8")
    reason = "REPAIRADVISOR_TEST_AXE names no axe.min.js"
    if os.environ.get("REPAIRADVISOR_REQUIRE_ALL") == "1":
        pytest.fail(reason)
    pytest.skip(reason)
