"""An advice as a page of plain text, 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping

from repairadvisor.decision.advice import Advice
from repairadvisor.render import sentences
from repairadvisor.render.headings import HEADINGS
from repairadvisor.render.placing import placed

WIDTH = 80


def render(advice: Advice, heading: Mapping[str, str] = HEADINGS) -> str:
    """The whole advice, ending with a line break. Cautions stand whole, before what they concern."""
    cautions = placed(advice)
    currency = sentences.currency(advice)
    parts: list[tuple[str, Iterable[str]]] = [
        ("cautions", [sentences.caution(text) for text in cautions.first]),
        ("call", advice.call),
        ("wait", sentences.wait(advice)),
        ("checks_on_arrival", sentences.checks(advice, cautions.beside)),
        ("loosened", sentences.loosened(advice)),
        ("plan", [*sentences.plan(advice), *sentences.crew(advice), *sentences.times_and_cost(advice)]),
        ("loss", sentences.light(advice)),
        ("limits", sentences.limits(advice)),
        ("questions", sentences.questions(advice)),
        ("steps", sentences.steps(advice, cautions.before)),
        ("kit", sentences.kit(advice)),
        ("turning_points", [one.said for one in advice.turning_points]),
        ("ranges", sentences.ranges(advice)),
        ("alternatives", [sentences.alternative(one, currency) for one in advice.alternatives]),
        ("barred", [sentences.barred(one) for one in advice.barred]),
        ("facts_used", [*sentences.facts_used(advice), *sentences.not_known(advice)]),
        ("not_yet_computed", advice.not_yet_computed),
        ("sources", sentences.sources(advice)),
    ]
    blocks = [
        _lines([sentences.headline(advice), *sentences.reason(advice)]),
        *(_block(heading[part], lines) for part, lines in parts),
        _lines(sentences.validity(advice)),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _block(heading: str, lines: Iterable[str]) -> str:
    body = _lines(lines, indent="  ")
    return f"{heading}\n{body}" if body else ""


def _lines(lines: Iterable[str], indent: str = "") -> str:
    wrapped = []
    for line in lines:
        deeper = indent + line[: len(line) - len(line.lstrip())]
        wrapped += textwrap.wrap(
            sentences.one_line(line),
            WIDTH,
            initial_indent=deeper,
            subsequent_indent=deeper + "  ",
            break_on_hyphens=False,
        )
    return "\n".join(wrapped)
