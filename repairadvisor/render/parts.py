"""The parts of an advice in the order in which they are read, each with its heading's name and its lines.

Cautions that come before everything stand first, every other one in the part and before the line that it concerns.
"""

from __future__ import annotations

from collections.abc import Iterable

from repairadvisor.decision.advice import Advice
from repairadvisor.render import sentences
from repairadvisor.render.placing import placed
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice

#: Answers under which nobody repairs: what is to be done instead comes before all else.
HELD = ("make_safe_and_wait", "stand_off", "out_of_scope")
#: What the policy rests on stands there as the policy has it, in its own units.
_AS_THE_POLICY_HAS_IT = ("sources",)


def parts(advice: Advice, voice: Voice) -> list[tuple[str, list[str]]]:
    """Name of the heading and lines of each part, also of those that have nothing to say. A line that begins with
    blanks belongs to the one before it."""
    return [
        (name, list(lines) if name in _AS_THE_POLICY_HAS_IT else [prose(voice, line) for line in lines])
        for name, lines in _metric(advice, voice)
    ]


def _metric(advice: Advice, voice: Voice) -> list[tuple[str, Iterable[str]]]:
    cautions = placed(advice)
    currency = sentences.currency(advice)
    steps = ("steps", sentences.steps(advice, cautions.before, voice))
    checks = sentences.checks(advice, cautions.beside, voice)
    is_held = advice.action in HELD
    is_later = advice.action == "make_safe_and_wait"
    return [
        ("cautions", [sentences.caution(text, voice) for text in cautions.first]),
        ("call", advice.call),
        ("wait", sentences.wait(advice, voice)),
        *([steps] if is_held else []),
        # What is made certain before a repair that cannot be begun yet must not be taken for something to do now.
        ("checks_later" if is_later else "checks_on_arrival", checks),
        ("loosened", sentences.loosened(advice)),
        (
            "plan",
            [
                *sentences.plan(advice, voice),
                *sentences.crew(advice, voice),
                *sentences.times_and_cost(advice, voice),
            ],
        ),
        ("loss", sentences.light(advice, voice)),
        ("limits", sentences.limits(advice)),
        ("questions", sentences.questions(advice, voice)),
        *([] if is_held else [steps]),
        ("kit", sentences.kit(advice, voice)),
        ("turning_points", [one.said for one in advice.turning_points]),
        ("ranges", sentences.ranges(advice)),
        ("alternatives", [sentences.alternative(one, currency, voice) for one in advice.alternatives]),
        ("barred", [sentences.barred(one, voice) for one in advice.barred]),
        ("facts_used", [*sentences.facts_used(advice, voice), *sentences.not_known(advice, voice)]),
        ("not_yet_computed", advice.not_yet_computed),
        ("sources", sentences.sources(advice, voice)),
    ]
