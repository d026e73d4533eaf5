"""How wide the light of the fibres at a joint is: what unlike widths lose, and for what width spreads hold."""

from __future__ import annotations

import itertools

from repairadvisor.decision.light import MULTIMODE, USUAL_CORE_UM, USUAL_RADIUS_UM, Light
from repairadvisor.facts.context import Context
from repairadvisor.facts.value import Between, Known, State
from repairadvisor.facts.vocabulary import MULTIMODE_TYPES, SINGLE_MODE_TYPES
from repairadvisor.optics.joint import mode_mismatch_loss_db
from repairadvisor.optics.otdr import step_db


def mismatch_of(light: Light, context: Context) -> State | None:
    """Loss for unlike mode fields: from both widths on record, else from both fibre types; None where no more than one
    side is told of, or where a record of the loss itself tells it."""
    held = context.held
    if "mode_field_loss_db" in held:
        return None
    widths = [_width_um(context, f"mode_field_{side}_um") for side in ("near", "far")]
    if widths[0] is not None and widths[1] is not None:
        return _mismatch_within(widths[0], widths[1])
    if "fibre_type_near" not in held or "fibre_type_far" not in held:
        return None
    pairs = itertools.product(context.possible["fibre_type_near"].words, context.possible["fibre_type_far"].words)
    losses = [light.mismatch_db[pair] for pair in pairs if pair in light.mismatch_db]
    return _state(min(losses), max(losses)) if losses else None


def inserted_mismatch_of(light: Light, context: Context) -> State | None:
    """The same for both joints of an inserted section: by three types where all are told of, else as for one joint of
    near and far, a new piece being taken to be like one of them."""
    names = ("fibre_type_near", "insert_fibre_type", "fibre_type_far")
    if "mode_field_loss_inserted_db" in context.held:
        return None
    if any(name not in context.held for name in names):
        return (
            context.state("mode_field_loss_db") if "mode_field_loss_db" in context.held else mismatch_of(light, context)
        )
    known = light.mismatch_db
    losses = [
        known[near, new] + known[new, far]
        for near, new, far in itertools.product(*(context.possible[name].words for name in names))
        if (near, new) in known and (new, far) in known
    ]
    return _state(min(losses), max(losses)) if losses else None


def _mismatch_within(near: tuple[float, float], far: tuple[float, float]) -> State:
    """Between what the loss of unlike widths lies: nothing where both may be the same. T = (2 ab / (a² + b²))²; a ratio
    is all that counts, and -10 log T is read off a table, since no logarithm is taken at request time."""
    low_ratio = max(1.0, near[0] / far[1], far[0] / near[1])
    high_ratio = max(near[1] / far[0], far[1] / near[0])
    return _state(_of_ratio(low_ratio), _of_ratio(high_ratio))


_RATIO_STEP = 0.002
_LOSS_OF_RATIO = tuple(mode_mismatch_loss_db(4.0, 4.0 * (1.0 + _RATIO_STEP * i)) for i in range(601))
_STEP_OF_RATIO = tuple(step_db(4.0, 4.0 * (1.0 + _RATIO_STEP * i)) for i in range(601))


def _of_ratio(ratio: float) -> float:
    """Loss in dB of two widths in a ratio of 1 to 2.2, within 0.00001 dB."""
    place = min((ratio - 1.0) / _RATIO_STEP, len(_LOSS_OF_RATIO) - 1.001)
    below = int(place)
    return _LOSS_OF_RATIO[below] + (place - below) * (_LOSS_OF_RATIO[below + 1] - _LOSS_OF_RATIO[below])


def step_of_widths_db(near_um: float, far_um: float) -> float:
    """What a trace from one end shows too much, or too little, where two widths meet: 10 log of their ratio."""
    place = min((max(near_um, far_um) / min(near_um, far_um) - 1.0) / _RATIO_STEP, len(_STEP_OF_RATIO) - 1.001)
    below = int(place)
    return _STEP_OF_RATIO[below] + (place - below) * (_STEP_OF_RATIO[below + 1] - _STEP_OF_RATIO[below])


def _state(low: float, high: float) -> State:
    return Known(low) if low == high else Between(low, high)


def _width_um(context: Context, name: str) -> tuple[float, float] | None:
    state = context.state(name)
    if isinstance(state, Between):
        return state.low, state.high
    return (state.value, state.value) if isinstance(state, Known) and isinstance(state.value, float) else None


def size_of(light: Light, context: Context, mode: str) -> float:
    """The width of fibre that a joint's spread is worked out for, µm: for single-mode the mode-field radius at 1310 nm
    of two fibres together (the root of their mean square, by which an offset counts), for multimode the core.

    From the record, else the type; where only one side is told of, the other is taken to be like it; where neither is,
    the usual one. Of several that may be, the one that loses most.
    """
    if mode == MULTIMODE:
        told = [context.possible[name].words for name in ("fibre_type_near", "fibre_type_far") if name in context.held]
        cores = {light.policy.light.core_um[word] for words in told for word in words if word in MULTIMODE_TYPES}
        return min(cores, default=USUAL_CORE_UM)
    radii = [_least_radius_um(light, context, side) for side in ("near", "far")]
    told_of = [radius for radius in radii if radius is not None]
    if not told_of:
        return USUAL_RADIUS_UM
    near, far = told_of[0], told_of[-1]
    return near if near == far else nearest_root(0.5 * (near * near + far * far), 0.5 * (near + far))


def nearest_root(square: float, guess: float) -> float:
    """The square root by four of Newton's steps from near by: plus, times and divide only."""
    for _ in range(4):
        guess = 0.5 * (guess + square / guess)
    return guess


def _least_radius_um(light: Light, context: Context, side: str) -> float | None:
    width = _width_um(context, f"mode_field_{side}_um")
    if width is not None:
        return width[0] / 2.0
    if f"fibre_type_{side}" not in context.held:
        return None
    sizes = light.policy.light.mode_field_um
    known = [sizes[word] for word in context.possible[f"fibre_type_{side}"].words if word in SINGLE_MODE_TYPES]
    return min(known) / 2.0 if known else None
