"""An advice as a page of plain text, 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from repairadvisor.decision.advice import Advice
from repairadvisor.render import sentences
from repairadvisor.render.placing import placed

WIDTH = 80


def render(advice: Advice) -> str:
    """The whole advice, ending with a line break. Cautions stand whole, before what they concern."""
    cautions = placed(advice)
    blocks = [
        _lines([sentences.headline(advice), *sentences.reason(advice)]),
        _block("BEFORE ANYTHING", [sentences.caution(text) for text in cautions.first]),
        _block("CALL", sentences.call(advice)),
        _block("WAIT", sentences.wait(advice)),
        _block("CHECK FIRST", _checks(advice, cautions.beside)),
        _block("PLAN", [*sentences.plan(advice), *sentences.crew(advice), *sentences.times_and_cost(advice)]),
        _block("LIGHT", sentences.light(advice)),
        _block("ASK", [sentences.question(one) for one in advice.questions]),
        _block("STEPS", _steps(advice, cautions.before)),
        _block("CARRY", sentences.kit(advice)),
        _block("WHAT WOULD TURN IT", advice.turning_points),
        _block("OTHER PLANS", [sentences.alternative(one, sentences.currency(advice)) for one in advice.alternatives]),
        _block("BARRED", [sentences.barred(one) for one in advice.barred]),
        _block("FACTS", [*sentences.facts_used(advice), *sentences.not_known(advice)]),
        _block("SOURCES", sentences.sources(advice)),
        _lines(sentences.validity(advice)),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _checks(advice: Advice, beside: dict[str, tuple[str, ...]]) -> list[str]:
    lines = []
    for check in advice.checks_on_arrival:
        lines += [sentences.caution(text) for text in beside[check.screen]]
        lines += sentences.check(check)
    return lines


def _steps(advice: Advice, before: dict[int, tuple[str, ...]]) -> list[str]:
    lines = []
    for step in advice.steps:
        lines += [sentences.caution(text) for text in before[step.number]]
        lines.append(sentences.step(step))
    return lines


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
