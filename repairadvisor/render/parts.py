"""The parts of an advice in the order in which they are read, each with its heading's name and its lines.

Cautions that come before everything stand first, every other one in the part and before the line that it concerns.
"""

from __future__ import annotations

from collections.abc import Iterable

from repairadvisor.decision.advice import Advice
from repairadvisor.render import sentences
from repairadvisor.render.placing import placed


def parts(advice: Advice) -> list[tuple[str, Iterable[str]]]:
    """Name of the heading and lines of each part, also of those that have nothing to say. A line that begins with
    blanks belongs to the one before it."""
    cautions = placed(advice)
    currency = sentences.currency(advice)
    return [
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
