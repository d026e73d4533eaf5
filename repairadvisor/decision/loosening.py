"""Overlays laid over a policy one after the other; where one loosens a screen that protects people, somebody stands for
it by name.

A screen is as strict as it was if it bars in every world in which it barred, over the cells of both conditions, still
speaks of every plan it spoke of, is not settled on arrival where it was not before, and observations of what it hangs
on count for no longer. Where that cannot be shown it is loosened. Whoever loosens says so in a row of the same overlay.
"""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.implicants import MOST_WORLDS, grouped, is_possible
from repairadvisor.errors import PolicyError
from repairadvisor.policy.canonical import canonical_text, plain_of
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some, facts_of, holds
from repairadvisor.policy.lay_over import lay_over
from repairadvisor.policy.load import load_canonical, parsed, read_policy
from repairadvisor.policy.model import Derived, Loosened, Policy, Screen, Slot
from repairadvisor.policy.overlay import Overlay
from repairadvisor.policy.read_rules import LOOSENED_KEYS, parents_of
from repairadvisor.policy.table import Table

#: Kinds of screens that protect people.
PROTECTING = ("scope", "danger", "safety")
#: Where the canonical text holds the policy that ships and the overlays, where one of them loosened a screen.
OVERLAID = "overlaid.toml"
_ANY_TIME = float("inf")
#: What a slot gives for a fact that nobody will know.
_UNKNOWN_AGAIN = "?"


def policy_with(texts: Mapping[str, str], overlays: Sequence[Overlay]) -> Policy:
    """The policy of files, by name and text, with overlays laid over it one after the other.

    Raises PolicyError for an overlay that cannot be used, and for one that loosens a screen without saying who stands
    for it.
    """
    return _laid_over({name: parsed(name, text) for name, text in texts.items()}, overlays)


def policy_of(canonical: bytes) -> Policy:
    """The policy again from its canonical text, with what overlays loosened in it.

    Raises PolicyError where this is none that this program can read.
    """
    laid: Any = plain_of(canonical).get(OVERLAID)
    if laid is None:
        return load_canonical(canonical)
    try:
        overlays = [
            Overlay(one["name"], one["parent"], one["files"], one.get("words_only", False)) for one in laid["overlays"]
        ]
        policy = _laid_over(laid["default"], overlays)
    except (KeyError, TypeError, AttributeError) as error:
        raise PolicyError(OVERLAID, "does not hold a policy and what was laid over it") from error
    if policy.canonical != canonical:
        raise PolicyError("policy", "is no canonical text")
    return policy


def _laid_over(default: Mapping[str, Any], overlays: Sequence[Overlay]) -> Policy:
    raw: dict[str, Any] = dict(default)
    policy = read_policy(raw)
    found: list[tuple[Loosened, Policy]] = []
    for overlay in overlays:
        raw = lay_over(raw, overlay)
        after = read_policy(raw)
        found += [(one, policy) for one in _loosened_by(overlay, policy, after)]
        policy = after
    left = tuple(one for one, before in found if why_looser(one.screen, before, policy))
    if not left:
        return policy
    # An advice says what was loosened, so the id stands for that too: it is made anew only from every layer.
    layers = [_as_layer(one) for one in overlays]
    canonical = canonical_text({**raw, OVERLAID: {"default": default, "overlays": layers}})
    return replace(policy, id=hashlib.sha256(canonical).hexdigest(), canonical=canonical, loosened=left)


def _as_layer(overlay: Overlay) -> dict[str, Any]:
    layer: dict[str, Any] = {"name": overlay.name, "parent": overlay.parent, "files": overlay.raw}
    return {**layer, "words_only": True} if overlay.words_only else layer


def _loosened_by(overlay: Overlay, before: Policy, after: Policy) -> list[Loosened]:
    rows = {
        row.get("id"): Table(f"{file}: {row.get('id')}", row)
        for file, raw in overlay.raw.items()
        for row in raw.get("screen", [])
    }
    found = []
    for screen in before.screens:
        if screen.kind not in PROTECTING:
            continue
        why = why_looser(screen, before, after)
        if not why:
            continue
        row = rows.get(screen.id, Table(f"{overlay.name}: {screen.id}", {}))
        missing = [key for key in LOOSENED_KEYS if not row.take(key, object, "")]
        if missing:
            said = f"is loosened: {why}. Nobody stands for it: its row lacks {', '.join(missing)}"
            raise PolicyError(row.where, said, "loosened_by, loosened_because and loosened_on in a row of this overlay")
        who, because, day = row.text("loosened_by"), row.text("loosened_because"), row.day("loosened_on")
        longer = tuple(_holds_longer(screen, before, after))
        slots = tuple(_said_by_slots(screen, before, after))
        found.append(Loosened(screen, before.derived, longer, slots, who, because, day))
    return found


def why_looser(screen: Screen, before: Policy, after: Policy) -> str:
    """Why a screen of one policy is looser in another, or cannot be shown not to be; "" where it is as strict."""
    now = next((one for one in after.screens if one.id == screen.id), None)
    if now is None:
        return "it is gone"
    if now.kind != screen.kind:
        return f"it is of the kind {now.kind}, no longer {screen.kind}"
    if now.check and not screen.check:
        return "it may be settled on arrival, which it could not be before"
    freed = [plan for plan in after.plans if plan.fits(screen.plans) and not plan.fits(now.plans)]
    if freed:
        return f"it no longer speaks of {len(freed)} plans, {freed[0].id} for one"
    longer = _holds_longer(screen, before, after)
    if longer:
        return f"what was seen of {longer[0]} counts for longer"
    slots = _said_by_slots(screen, before, after)
    if slots:
        return f"a slot says otherwise than before what {slots[0]} will be"
    return _why_bars_less(screen.bars_when, before, now.bars_when, after)


def _roots(screen: Screen, before: Policy) -> tuple[str, ...]:
    """The facts of the vocabulary that a screen hangs on."""
    return tuple(
        dict.fromkeys(
            root
            for name in facts_of(screen.bars_when)
            for root in (parents_of(before.derived[name]) if name in before.derived else (name,))
        )
    )


def _holds_longer(screen: Screen, before: Policy, after: Policy) -> list[str]:
    return [name for name in _roots(screen, before) if _lasts(after, name) > _lasts(before, name)]


def _said_by_slots(screen: Screen, before: Policy, after: Policy) -> list[str]:
    """The facts a screen hangs on of which a slot says what will be the case and before did not say so, or later, or on
    other grounds."""
    old = {slot.id: slot for slot in before.slots}
    bold = [slot for slot in after.slots if slot.id not in old or not _as_careful(slot, old[slot.id])]
    said = {name for slot in bold for name, value in slot.then.items() if value != _UNKNOWN_AGAIN}
    return [name for name in _roots(screen, before) if name in said]


def _as_careful(slot: Slot, was: Slot) -> bool:
    """Whether a slot says the same, on the same grounds (limits aside), and no sooner."""
    least, least_was = (sum(factor for name, factor in one.after if not name) for one in (slot, was))
    facts, facts_were = ([part for part in one.after if part[0]] for one in (slot, was))
    same = slot.then == was.then and facts == facts_were and _form(slot.when) == _form(was.when)
    return same and least >= least_was


def _form(condition: Condition) -> Condition:
    """A condition with every limit at nothing: which facts and limits it names, and how."""
    if isinstance(condition, Every | Some):
        return type(condition)(tuple(_form(part) for part in condition.parts))
    if isinstance(condition, Not):
        return Not(_form(condition.part))
    return condition if isinstance(condition, IsOneOf) else replace(condition, value=0.0)


def _lasts(policy: Policy, fact: str) -> float:
    lasts = policy.facts[fact].lasts_min
    return _ANY_TIME if lasts is None else lasts


def _why_bars_less(old: Condition, before: Policy, new: Condition, after: Policy) -> str:
    for name in facts_of(old):
        if name in before.derived and before.derived[name].terms != after.derived[name].terms:
            return f"{name} is another sum"
    beside = Every((_as_derived_now(old, before.derived, after.derived), Not(new)))
    axes = axes_of(after, [beside])
    group = grouped(beside, axes)
    count = 1
    for classes in group.classes:
        count *= len(classes)
    if count > MOST_WORLDS:
        return "it is too entangled with what it was to be compared"
    for world in itertools.product(*group.classes):
        values = {name: axes[name].sample(cells[0]) for name, cells in zip(group.names, world, strict=True)}
        if is_possible(group.names, values) and holds(beside, values):
            return f"it no longer bars where {_told(values, facts_of(beside))}"
    return ""


def _as_derived_now(condition: Condition, before: Mapping[str, Derived], after: Mapping[str, Derived]) -> Condition:
    """The condition with its limits moved along where a derived fact it compares has another constant now."""
    if isinstance(condition, Every | Some):
        return type(condition)(tuple(_as_derived_now(part, before, after) for part in condition.parts))
    if isinstance(condition, Not):
        return Not(_as_derived_now(condition.part, before, after))
    if isinstance(condition, IsOneOf) or condition.fact not in before:
        return condition
    moved = condition.value + (after[condition.fact].constant - before[condition.fact].constant)
    kind: type[Below | AtLeast] = type(condition)
    return kind(condition.fact, condition.limit, moved)


def _told(values: Mapping[str, str | float | None], names: Sequence[str]) -> str:
    said = [
        f"{name} is {value:g}" if isinstance(value, float) else f"{name} is {value}"
        for name in names
        if (value := values[name]) is not None
    ]
    return " and ".join(said) or "nothing is known"
