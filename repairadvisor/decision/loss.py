"""The loss of a plan as the document states it: per wavelength, against before the fault, with what comes back."""

from __future__ import annotations

from repairadvisor.decision.advice import Loss, WavelengthLoss
from repairadvisor.decision.light import (
    BUDGET_INSERT,
    MULTIMODE,
    SINGLE_MODE,
    JointClass,
    Light,
    attenuation_db_per_m,
    inserted_ends_m,
    mode_of,
)
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Between, Known
from repairadvisor.optics.many_fibres import joint_chance_bounds
from repairadvisor.policy.plan import Plan

ATTEMPTS_EACH = 1


def stated_loss(rules: Rules, context: Context, plan: Plan) -> tuple[Loss | None, str]:
    """The loss of a plan for one fibre, or None and why none is promised."""
    words = Words(rules.wording)
    if plan.method == "none":
        return None, words.say("withheld", "spare_route" if plan.layout.startswith("re_route") else "nothing_joined")
    services = context.possible["service_kind"].words
    modes = {mode_of(service) for service in services}
    if len(modes) != 1:
        return None, words.say("withheld", "fibre_mode_unknown")
    mode = modes.pop()
    light, joint = rules.light, rules.light.joint(plan)
    if (joint.method, mode) not in rules.policy.joints:
        return None, words.say("withheld", "outside_range")
    looked_at = _looked_at(light, services)
    return _loss(rules, context, plan, joint, mode, looked_at), ""


def _looked_at(light: Light, services: tuple[str, ...]) -> tuple[int, ...]:
    """Every wavelength that one of the services looks at, the first one's governing wavelength first."""
    return tuple(dict.fromkeys(nm for service in services for nm in light.wavelengths(service)))


def _loss(rules: Rules, context: Context, plan: Plan, joint: JointClass, mode: str, looked_at: tuple[int, ...]) -> Loss:
    light, words = rules.light, Words(rules.wording)
    recorded = "recorded_loss_cut_out_db" in context.held
    low, high = light.budget_interval(light.budget_fact(plan), context)
    known_margin = "margin_db" in context.held
    inserted = _inserted_m(rules, context, plan)
    mismatch = _middle(context, "mode_field_loss_db")
    by_wavelength: dict[str, WavelengthLoss] = {}
    misses = []
    for nm in looked_at:
        tables = light.tables[joint.key, mode, nm]
        held_against = tables.added if recorded else tables.net
        shift = mismatch + attenuation_db_per_m(rules.policy, mode, nm) * _middle(context, "gap_m") * joint.inserts
        miss = held_against.mean_chance_above(low, high) if high > low else held_against.chance_above(low)
        misses.append(miss)
        left = (low + high) / 2.0 - held_against.p50_db if known_margin else None
        by_wavelength[str(nm)] = WavelengthLoss(
            mean_db=_tidy(tables.added.mean_db + shift),
            p50_db=_tidy(tables.added.p50_db + shift),
            p95_db=_tidy(tables.added.p95_db + shift),
            p99_db=_tidy(tables.added.p99_db + shift),
            margin_left_db=None if left is None else _tidy(left),
            chance_to_close=_tidy(1.0 - miss) if known_margin else None,
        )
    at_least, at_most = joint_chance_bounds(misses)
    given_back, why = _given_back(rules, context, joint, mode, looked_at[0])
    return Loss(
        joints=joint.joints,
        attempts_each=ATTEMPTS_EACH,
        by_wavelength=by_wavelength,
        inserted_m=_tidy(inserted),
        inserted_loss_db=_tidy(inserted * attenuation_db_per_m(rules.policy, mode, looked_at[0])),
        given_back_db=given_back,
        given_back_why=why,
        chance_to_close_at_least=_tidy(at_least) if known_margin else None,
        chance_to_close_at_most=_tidy(at_most) if known_margin else None,
        chance_said=chance_said(words, at_least, at_most) if known_margin else words.say("chance", "unknown"),
        reflectance_db=_reflectance(rules, context, joint, mode),
        reflectance_limit_db=_known(context, "reflectance_limit_db"),
        how_made=words.say("loss", "how_made_one_attempt"),
    )


def _tidy(number: float) -> float:
    """Six decimals: far below what anybody measures, and the same text everywhere."""
    return round(number, 6)


def _known(context: Context, name: str) -> float | None:
    state = context.state(name)
    return state.value if isinstance(state, Known) and isinstance(state.value, float) else None


def _middle(context: Context, name: str) -> float:
    """A number as stated, the middle of a bounded one, nothing where nobody has said."""
    state = context.state(name)
    if isinstance(state, Between):
        return (state.low + state.high) / 2.0
    return _known(context, name) or 0.0


def _inserted_m(rules: Rules, context: Context, plan: Plan) -> float:
    if rules.light.budget_fact(plan) != BUDGET_INSERT:
        return 0.0
    return inserted_ends_m(rules.policy) + _middle(context, "gap_m")


def inserted_m(rules: Rules, context: Context, plan: Plan) -> float:
    """Metres of cable a plan lets in."""
    return _inserted_m(rules, context, plan)


def _given_back(rules: Rules, context: Context, joint: JointClass, mode: str, nm: int) -> tuple[float | None, str]:
    words = Words(rules.wording)
    if "recorded_loss_cut_out_db" in context.held:
        back = _middle(context, "recorded_loss_cut_out_db")
        return _tidy(back), words.say("loss", "given_back", loss=f"{back:.2f}")
    if not joint.gives_back:
        return 0.0, words.say("loss", "given_back_nothing")
    tables = rules.light.tables[joint.key, mode, nm]
    return _tidy(tables.added.mean_db - tables.net.mean_db), words.say("loss", "given_back_unknown")


def _reflectance(rules: Rules, context: Context, joint: JointClass, mode: str) -> float | None:
    """The reflectance a method is held to: of an end by its polish, the worse of both where nobody has said."""
    numbers = rules.policy.joints[joint.method, mode].reflectance_db
    polish = context.possible["plug_polish_far"].words if mode == SINGLE_MODE else ()
    values = [number.value for key, number in numbers.items() if key in polish or key == "any"]
    if not values and mode == MULTIMODE:
        values = [number.value for number in numbers.values()]
    return max(values, default=None)


def chance_said(words: Words, chance: float, at_most: float) -> str:
    """A chance to close, between its bounds, in words, with what to do about it; the lower bound decides that."""
    bands = words.wording["chance"]["band"]  # type: ignore[index]
    do = next(band["do"] for band in bands if chance >= band["at_least"])
    low, high = int(chance * 100.0), int(at_most * 100.0)
    if chance > 0.99:
        closes = words.say("chance", "closes_nearly_all")
    elif high > low + 1:
        closes = words.say("chance", "closes_between", low=low, high=high)
    elif chance < 0.01:
        closes = words.say("chance", "closes_hardly_any")
    else:
        closes = words.say("chance", "closes", n=low)
    return words.say("chance", "template", closes=closes, do=do)
