"""Makers for results of the invented scenario: a fused joint at Pipit Court, well made unless it is said otherwise."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from repairadvisor.facts.parse import parse_context
from repairadvisor.outcome.judging import judge
from repairadvisor.outcome.reported import Attempt, Reading

NOW = datetime(2031, 5, 4, 12, 0, tzinfo=UTC)
FACTS = {
    "place": "street_cabinet",
    "network_part": "feeder",
    "service_kind": "single_mode_data",
    "owner_joint_limit_db": 0.15,
    "margin_db": 2.0,
    "reflectance_limit_db": -35,
    "fibre_type_near": "g652d",
    "fibre_type_far": "g652d",
    "recorded_loss_cut_out_db": 0.0,
}


def both(short=0.05, long_=None, nm=(1310, 1550)):
    """Averaged readings at both wavelengths."""
    return (Reading(nm[0], both_ways_db=short), Reading(nm[1], both_ways_db=short if long_ is None else long_))


def near(short, long_=None):
    """Readings from the near end alone."""
    return (Reading(1310, from_near_db=short), Reading(1550, from_near_db=short if long_ is None else long_))


def attempt(loss=0.05, **changes):
    """A first attempt at the only joint of fibre 1, made a few minutes ago."""
    made = Attempt(
        advice="advice-1",
        fibre="1",
        joint=1,
        method="fusion_splice",
        attempt=1,
        made_at=NOW - timedelta(minutes=10),
        readings=both(loss),
        machine_estimate_db=0.02,
        reflectance_db=-65.0,
        pull_test="passed",
        level_below_record_db=loss,
        tray_fibre_near_m=0.9,
        tray_fibre_far_m=0.9,
    )
    return replace(made, **changes)


def context(**changes):
    """The facts of the repair; None: nobody has told."""
    told = {name: value for name, value in {**FACTS, **changes}.items() if value is not None}
    return parse_context(told, NOW)


def plan(rules, method="fusion_splice", layout="join_directly", stage="permanent"):
    """The first plan of such words."""
    wanted = {"method": (method,), "layout": (layout,), "stage": (stage,)}
    return next(one for one in rules.policy.plans if one.fits(wanted))


def verdicts(rules, *attempts, facts=None, **words):
    """The verdicts on attempts."""
    return judge(rules, context(**(facts or {})), plan(rules, **words), attempts, NOW)


def verdict(rules, *attempts, facts=None, **words):
    """The only one."""
    (found,) = verdicts(rules, *attempts, facts=facts, **words)
    return found
