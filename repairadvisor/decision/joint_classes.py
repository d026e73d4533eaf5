"""The joint class of a plan: all that decides what its joints lose."""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.policy.model import Policy
from repairadvisor.policy.plan import Plan
from repairadvisor.policy.read_light import LIKE_FOR_LIKE


@dataclass(frozen=True, slots=True)
class JointClass:
    """What decides the loss of a plan: its method, joints in a row, workplace and what is given back."""

    method: str
    joints: int
    factor: float
    gives_back: str
    inserts: bool

    @property
    def key(self) -> tuple[str, ...]:
        """The class as a tuple of texts."""
        inserted = "inserted" if self.inserts else ""
        return (self.method, str(self.joints), f"{self.factor:g}", self.gives_back, inserted)


def classes_of(policy: Policy) -> dict[str, JointClass]:
    """The class of every plan's joints, by the plan's id."""
    return {plan.id: _class_of(policy, plan) for plan in policy.plans if plan.method != "none"}


def workplace_factor(policy: Policy, plan: Plan) -> float:
    """How much worse offset and tilt are where and how a plan makes its joints, against a bench: 1 or more."""
    return max([1.0, *(one.factor for one in policy.light.adjust if plan.fits(one.plans))])


def _class_of(policy: Policy, plan: Plan) -> JointClass:
    back = policy.light.given_back[plan.layout]
    return JointClass(
        method=plan.method,
        joints=policy.light.joints_in_layout[plan.layout],
        factor=workplace_factor(policy, plan),
        gives_back=plan.method if back == LIKE_FOR_LIKE else back,
        inserts=plan.layout == "insert_section",
    )
