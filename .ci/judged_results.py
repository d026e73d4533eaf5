# ruff: noqa: T201 -- part of a script, which prints
"""Compares verdicts on joints that were made with those of somebody who judged them by hand; see judged_jobs.py.

A follow-up is a result in the file's words: facts of the repair, and what was measured. Each is put to the program as
it stands, and once more at each of its turning points, all else as given.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.outcome.judging import judge
from repairadvisor.outcome.reported import Attempt, Reading
from repairadvisor.outcome.verdict import Verdict
from repairadvisor.policy.after_work import VERDICTS
from repairadvisor.policy.plan import Plan

Facts = Mapping[str, Any]
Result = Mapping[str, Any]

METHODS = {"fusion_single": "fusion_splice", "fusion_ribbon": "ribbon_fusion_splice", "mechanical": "mechanical_splice"}
#: What is measured, and nothing to plan with.
MEASURED = (
    *("joint_method", "attempt_number", "earlier_results_db", "joint_loss_1310_db", "joint_loss_1550_db"),
    *("measured_ways", "machine_estimate_db", "joint_reflectance_db", "pull_test", "plug_inspected"),
    *("link_level_below_record_db", "tray_fibre_near_m", "tray_fibre_far_m", "far_end_open"),
    *("loss_change_1310_db", "loss_change_1550_db", "spare_near_m"),
)
NAMES = {"glass_near_mfd_um": "mode_field_near_um", "glass_far_mfd_um": "mode_field_far_um"}
#: A turning point below a value is looked at so little below it.
STEP = 0.01


def repair_facts(facts: Facts) -> dict[str, object]:
    """What the context is told."""
    return {NAMES.get(name, name): value for name, value in facts.items() if name not in MEASURED}


def attempts_of(facts: Facts, at: datetime) -> list[Attempt]:
    """The results, earlier ones first. What was neither told nor called unknown gets its ordinary harmless value."""
    method = METHODS.get(facts["joint_method"], facts["joint_method"])
    earlier = facts.get("earlier_results_db", [])[: facts["attempt_number"] - 1]
    found = [
        Attempt("judged", "1", 1, method, i + 1, at, (Reading(1310, both_ways_db=loss),), pull_test="passed")
        for i, loss in enumerate(earlier)
    ]
    inspected = facts.get("plug_inspected")
    last = Attempt(
        advice="judged",
        fibre="1",
        joint=1,
        method=method,
        attempt=facts["attempt_number"],
        made_at=at,
        readings=tuple(_reading(nm, facts) for nm in (1310, 1550)),
        machine_estimate_db=facts.get("machine_estimate_db"),
        reflectance_db=facts.get("joint_reflectance_db"),
        pull_test=facts.get("pull_test", "passed"),
        inspection="clean" if inspected else "unknown",
        level_below_record_db=facts.get("link_level_below_record_db"),
        tray_fibre_near_m=facts.get("tray_fibre_near_m"),
        tray_fibre_far_m=facts.get("tray_fibre_far_m"),
    )
    return [*found, last]


def _reading(nm: int, facts: Facts) -> Reading:
    loss = facts[f"joint_loss_{nm}_db"]
    if facts["measured_ways"] == "two_way":
        return Reading(nm, both_ways_db=loss)
    return Reading(nm, from_near_db=loss)


def plan_of(rules: Rules, facts: Facts) -> Plan:
    """The plan that such a result is of: the first permanent one by its method."""
    method = METHODS.get(facts["joint_method"], facts["joint_method"])
    layout = "re_terminate" if method.startswith("field_fit") else "join_directly"
    wanted = {"method": (method,), "layout": (layout,), "stage": ("permanent",)}
    return next(plan for plan in rules.policy.plans if plan.fits(wanted))


def turned(facts: Facts, point: Mapping[str, Any]) -> dict[str, Any]:
    """The facts at a turning point."""
    value = point["value"] - STEP if point["op"] == "<" else point["value"]
    if point["fact"] == "attempt_number":
        value = point["value"] - 1 if point["op"] == "<" else point["value"]
    found = {**facts, point["fact"]: value}
    if point["fact"].startswith("joint_loss_1310") and "glass_near_mfd_um" in facts:
        found["joint_loss_1550_db"] = value  # the same excess at both: the joint
    if point["fact"] == "measured_ways" and value == "two_way" and facts["joint_loss_1310_db"] < 0.0:
        # what one end showed as a gain cannot be the mean of both; the greatest mean that was judged is taken
        found["joint_loss_1310_db"] = found["joint_loss_1550_db"] = facts["owner_joint_limit_db"]
    if point["fact"] == "attempt_number" and "like results before" in point["then"]:
        found["earlier_results_db"] = [facts["joint_loss_1310_db"]] * (value - 1)
    return found


def report(results: Sequence[Result], rules: Rules, read: Callable[[Mapping[str, object]], Context]) -> None:
    """Print a block a result and a line for each that differs."""
    apart: list[str] = []
    for one in results:
        got = _verdict(rules, one["facts"], read)
        wanted = (one["verdict"], one.get("do_first", got.do_first))
        agreed = (got.verdict, got.do_first) == wanted
        print(f"{one['id']} {'agrees' if agreed else 'DIFFERS'}  {got.say}")
        if not agreed:
            apart.append(f"{one['id']}: {' '.join(wanted)} was judged: {one['why']} -- the program: {got.say}")
        tags = {tag for tag, _ in got.cautions}
        missing = [warn["tag"] for warn in one["must_warn"] if warn["tag"] not in tags]
        if missing:
            print(f"      cautions not shown: {', '.join(missing)}")
        for point in one["turning_points"]:
            _report_turn(one["facts"], point, rules, read)
    print(f"\n{len(results) - len(apart)} of {len(results)} results agree")
    for line in apart:
        print(line)


def _report_turn(
    facts: Facts, point: Mapping[str, Any], rules: Rules, read: Callable[[Mapping[str, object]], Context]
) -> None:
    there = f"{point['fact']} {point['op']} {point['value']}"
    got = _verdict(rules, turned(facts, point), read)
    if not any(word in point["then"] for word in VERDICTS):
        print(f"      at {there}: {point['then']} -- {got.say}")
        return
    agreed = got.verdict in point["then"] or (got.verdict == "withheld" and got.do_first == "re_lay" in point["then"])
    print(f"      {'turns' if agreed else 'TURNS OTHERWISE'} at {there}: {point['then']} -- {got.say}")


def _verdict(rules: Rules, facts: Facts, read: Callable[[Mapping[str, object]], Context]) -> Verdict:
    context = read(repair_facts(facts))
    (found,) = judge(rules, context, plan_of(rules, facts), attempts_of(facts, context.now), context.now)
    return found
