"""axe-core, the accessibility engine, run in a page.

``REPAIRADVISOR_TEST_AXE`` names its ``axe.min.js`` (npm package axe-core; ``.ci/run`` installs it in a temporary
folder). Where there is none these tests are skipped; with ``REPAIRADVISOR_REQUIRE_ALL=1`` they fail.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from playwright.sync_api import Page

#: WCAG 2.2 levels A and AA, by the tags that axe-core documents for them.
_TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa")
_RUN = """tags => axe.run(document, {runOnly: {type: "tag", values: tags}, resultTypes: ["violations"]}).then(found =>
    found.violations.flatMap(one => one.nodes.map(node => `${one.id}: ${node.html.slice(0, 120)}`)))"""


@pytest.fixture(scope="session")
def axe() -> str:
    """The engine's source."""
    named = os.environ.get("REPAIRADVISOR_TEST_AXE")
    if named is None:
        if os.environ.get("REPAIRADVISOR_REQUIRE_ALL") == "1":
            pytest.fail("REPAIRADVISOR_TEST_AXE names no axe.min.js")
        pytest.skip("REPAIRADVISOR_TEST_AXE names no axe.min.js")
    return Path(named).read_text(encoding="utf-8")


def violations(page: Page, axe: str) -> list[str]:
    """What axe-core finds against WCAG 2.2 AA, a line each. The page needs its scripts switched on."""
    page.evaluate(axe)
    found: list[str] = page.evaluate(_RUN, list(_TAGS))
    return found
