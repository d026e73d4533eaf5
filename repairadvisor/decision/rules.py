"""A policy compiled to cells, implicants, plan masks and loss tables, once.

Everything that takes an exp, a log or a search happens here; a request looks up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from repairadvisor.decision.as_it_was import AsItWas, screens_as_they_were
from repairadvisor.decision.cells import axes_of
from repairadvisor.decision.floors import budget_screens, owner_limit_screens
from repairadvisor.decision.light import Light, compile_light
from repairadvisor.decision.plan_rows import PlanRows, rows_of
from repairadvisor.decision.screens import CompiledRules, compile_rules
from repairadvisor.decision.stored_light import from_plain
from repairadvisor.facts.context import NOT_MORE_THAN
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import Condition
from repairadvisor.policy.model import Policy, Screen
from repairadvisor.policy.plan import Plan, PlanBits
from repairadvisor.policy.read_numbers import ordered_facts
from repairadvisor.policy.read_rules import parents_of


@dataclass(frozen=True, slots=True, repr=False)
class Rules:
    """A compiled policy. Bit i of a plan mask stands for ``policy.plans[i]``.

    ``screens`` are the policy's own and the budget screens made from its floors; the compiled conditions hold, one
    after the other, those of screens, cautions, steps, kit, slots and hazard controls, from the index that
    ``starts`` names. Of the budget screens one half speaks where the loss that is cut out is on record, the other
    where it is not; the two ``unused`` sets name, by index, those that do not.
    """

    policy: Policy
    light: Light
    screens: tuple[Screen, ...]
    screen_plans: tuple[int, ...]
    compiled: CompiledRules
    starts: Mapping[str, int]
    order: tuple[str, ...]
    rows: Mapping[str, PlanRows]
    #: Facts that a price or a slot can hang on, and for each fact those that hang on it.
    priced: frozenset[str]
    hang_on: Mapping[str, tuple[str, ...]]
    unused_with_record: frozenset[int]
    unused_without_record: frozenset[int]
    #: Screens that overlays loosened, as they were.
    as_they_were: tuple[AsItWas, ...] = ()
    #: What a second visit costs, by what is known then: a memory, emptied when it grows too large.
    second_visits: dict[tuple[object, ...], float] = field(default_factory=dict, compare=False, repr=False)

    def __repr__(self) -> str:
        """Short: the whole would be millions of characters in the first message that mentions it."""
        return f"Rules(policy {self.policy_id[:12]})"

    @property
    def policy_id(self) -> str:
        """The SHA-256 of the canonical policy."""
        return self.policy.id

    @property
    def wording(self) -> Mapping[str, object]:
        """The policy's words."""
        return self.policy.wording

    def index(self, kind: str, i: int) -> int:
        """Where the condition of the i-th row of a kind stands among the compiled ones."""
        return self.starts[kind] + i


def compiled(policy: Policy, stored: Mapping[str, Any] | None = None) -> Rules:
    """Compile a policy, with what was stored of its light where there is any. Raises PolicyError for a rule of too many
    combinations, and what :func:`repairadvisor.decision.stored_light.from_plain` raises."""
    light = compile_light(policy) if stored is None else from_plain(policy, stored)
    policy = replace(policy, derived={**policy.derived, **light.derived})
    bits = PlanBits(policy.plans)
    of_key = _plans_by_key(policy.plans, light)
    budgets = (*budget_screens(policy, light), *owner_limit_screens(policy, light))
    screens = (*policy.screens, *(budget.screen for budget in budgets))
    named = _named_conditions(policy, screens)
    starts: dict[str, int] = {}
    for i, (kind, _, _) in enumerate(named):
        starts.setdefault(kind, i)
    for kind in ("screen", "caution", "step", "item", "slot", "control"):
        starts.setdefault(kind, len(named))
    conditions = [condition for _, _, condition in named]
    axes = axes_of(policy, conditions)
    masks = compile_rules([(f"{kind} {name}", one) for kind, name, one in named], axes, policy.derived)
    return Rules(
        policy=policy,
        light=light,
        screens=screens,
        screen_plans=(
            *(bits.fitting(screen.plans) for screen in policy.screens),
            *(of_key[budget.key] for budget in budgets),
        ),
        unused_with_record=_bits(len(policy.screens), [budget.recorded is False for budget in budgets]),
        unused_without_record=_bits(len(policy.screens), [budget.recorded is True for budget in budgets]),
        compiled=masks,
        starts=starts,
        order=(*policy.derived, *ordered_facts(policy.facts)),
        rows=rows_of(policy, bits),
        priced=_priced(policy),
        hang_on=_hang_on(policy),
        as_they_were=screens_as_they_were(policy),
    )


#: What one more attempt, its limits and the light of a plan hang on, besides what prices name.
_OF_JOINTS = (
    *("attempts_so_far_count", "owner_joint_limit_db", "tray_fibre_near_m", "tray_fibre_far_m", "ribbon_size_count"),
    *("mechanical_splice_count", "sleeve_count", "field_plug_apc_count", "field_plug_upc_count", "plug_polish_far"),
    *("fibres_down_count", "fibres_in_service_count", "outage_value_cu_per_h", "service_kind", "place", "fault_seen"),
    *("fibre_type_near", "fibre_type_far", "insert_fibre_type", "recorded_loss_cut_out_db", "link_class"),
    *("link_length_m", "link_plug_pairs_count", "link_splices_count", "splitter_first", "splitter_second"),
    *("margin_db", "mode_field_loss_db", "mode_field_loss_inserted_db", "owner_reserve_db"),
    *("received_power_before_dbm", "receiver_needs_dbm"),
)


def _priced(policy: Policy) -> frozenset[str]:
    """Facts that minutes, prices, joints, slots or other facts' bounds hang on."""
    found = set(_OF_JOINTS)
    found.update(name for row in policy.minutes for name in (row.by, row.per) if name)
    found.update(name for row in policy.prices for name in (row.by, row.per) if name)
    found.update(name for slot in policy.slots for name, _ in slot.after if name)
    found.update(fact.name for fact in BY_NAME.values() if fact.time_runs)
    found.update(name for pair in NOT_MORE_THAN for name in pair)
    return frozenset(found)


def _hang_on(policy: Policy) -> dict[str, tuple[str, ...]]:
    """For each fact those whose prior, meaning or words hang on it, and those that stand in a sum with it."""
    found: dict[str, dict[str, None]] = {}
    for fact in BY_NAME.values():
        within = [fact.within[0]] if fact.within is not None else []
        parent = policy.facts[fact.name].parent
        for name in (*(one for one, _ in fact.applies), *within, *([parent] if parent else [])):
            found.setdefault(name, {})[fact.name] = None
    for derived in policy.derived.values():
        names = parents_of(derived)
        for name in names:
            found.setdefault(name, {}).update(dict.fromkeys(one for one in names if one != name))
    return {name: tuple(others) for name, others in found.items()}


def _named_conditions(policy: Policy, screens: Sequence[Screen]) -> list[tuple[str, str, Condition]]:
    return [
        *(("screen", screen.id, screen.bars_when) for screen in screens),
        *(("caution", caution.tag, caution.when) for caution in policy.cautions),
        *(("step", step.id, step.when) for step in policy.steps),
        *(("item", item.id, item.when) for item in policy.kit),
        *(("slot", slot.id, slot.when) for slot in policy.slots),
        *(("control", control.id, control.hazard) for control in policy.controls),
    ]


def _bits(start: int, chosen: Sequence[bool]) -> frozenset[int]:
    """The screens, by index, that do not speak in one of the two cases."""
    return frozenset(start + i for i, one in enumerate(chosen) if one)


def _plans_by_key(plans: Sequence[Plan], light: Light) -> dict[tuple[str, ...], int]:
    """For each key of a budget or of an owner's limit, the plans that have it, as bits."""
    found: dict[tuple[str, ...], int] = {}
    for i, plan in enumerate(plans):
        for key in (light.budget_key(plan), light.owner_limit_key(plan)):
            found[key] = found.get(key, 0) | 1 << i
    return found
