"""What a plan's joints throw back, as the document states it: one, all together, and against which limit."""

from __future__ import annotations

from typing import Any

from repairadvisor.decision.joint_classes import JointClass
from repairadvisor.decision.light import MULTIMODE, SINGLE_MODE, together_key
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.reflections import (
    COLDEST_C,
    COUNTED_DB,
    GEL_METHODS,
    HOTTEST_C,
    published_as,
    published_limit,
)
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Known
from repairadvisor.optics.constants import Constant
from repairadvisor.policy.plan import Plan


def thrown_back(rules: Rules, context: Context, plan: Plan, mode: str, governing_nm: int) -> dict[str, Any]:
    """Reflectance of one joint and of all, the limit, and both in words: the fields of a document's loss."""
    light, joint = rules.light, rules.light.joint(plan)
    value = _reflectance(rules, context, joint, mode)
    owner, published = settled_number(context, "reflectance_limit_db"), published_limit(context)
    limit = owner if owner is not None else (None if published is None else published.value)
    p50_db = light.tables[joint.key, mode, governing_nm].added.p50_db
    known = light.reflections.together_db
    together = None if value is None else known.get(together_key(joint, value, p50_db))
    said = () if value is None else _reflectance_said(rules, context, joint, mode, value, (owner, published), together)
    return {
        "reflectance_db": value,
        "reflectance_together_db": None if together is None else round(together, 6),
        "reflectance_limit_db": limit,
        "reflectance_said": said,
    }


def _reflectance_said(
    rules: Rules,
    context: Context,
    joint: JointClass,
    mode: str,
    value: float,
    limits: tuple[float | None, Constant | None],
    together: float | None,
) -> tuple[str, ...]:
    owner, published = limits
    say, limit = Words(rules.wording).say, owner
    if owner is not None:
        lines = [say("loss", "reflectance", value=f"{value:g}", limit=f"{owner:g}")]
    elif published is None:
        lines = [say("loss", "reflectance_no_limit", value=f"{value:g}")]
    else:
        limit, source = published.value, say("published_source", published_as(context))
        verify = say("loss", "verify") if published.mark == "from memory" else ""
        of = say("loss", "reflectance_published", value=f"{value:g}", limit=f"{limit:g}", source=source)
        lines = [of + verify]
    if joint.method in GEL_METHODS and mode == SINGLE_MODE:
        lines += _gel_said(rules, context, limit)
    if together is not None and joint.joints > 1 and value > COUNTED_DB:
        now = settled_number(context, "air_temperature_c") if joint.method in GEL_METHODS else None
        worst = value if now is None else rules.light.reflections.gel_at(now)[0]
        lines.append(say("loss", "reflectance_together", n=joint.joints, value=f"{together + worst - value:.0f}"))
    return tuple(lines)


def _gel_said(rules: Rules, context: Context, limit: float | None) -> list[str]:
    reflections, say = rules.light.reflections, Words(rules.wording).say
    lines = []
    temperature = settled_number(context, "air_temperature_c")
    if temperature is not None:
        most, least = reflections.gel_at(temperature)
        lines.append(say("loss", "gel_now", t=f"{temperature:g}", least=f"{least:.0f}", most=f"{most:.0f}"))
    keeps = None if limit is None else reflections.gel_keeps(limit)
    if keeps is not None and (keeps[0] > COLDEST_C or keeps[1] < HOTTEST_C):
        lines.append(say("loss", "gel_keeps", cold=f"{keeps[0]}", hot=f"{keeps[1]}"))
    return [*lines, say("loss", "gel_dry", value=f"{reflections.dry_gel_db:.0f}")]


def _reflectance(rules: Rules, context: Context, joint: JointClass, mode: str) -> float | None:
    """The reflectance a method is held to: of an end by its polish, the worse of both where nobody has said."""
    numbers = rules.policy.joints[joint.method, mode].reflectance_db
    polish = context.possible["plug_polish_far"].words if mode == SINGLE_MODE else ()
    values = [number.value for key, number in numbers.items() if key in polish or key == "any"]
    if not values and mode == MULTIMODE:
        values = [number.value for number in numbers.values()]
    return max(values, default=None)


def settled_number(context: Context, name: str) -> float | None:
    """A number that is told and settled."""
    state = context.state(name)
    return state.value if isinstance(state, Known) and isinstance(state.value, float) else None
