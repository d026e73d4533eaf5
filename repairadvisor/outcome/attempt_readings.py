"""What one attempt says of workmanship: how it was read, and what was to be expected where it was made.

Read both ways counts before read one way, and the shortest wavelength first, at which a bend beside the joint loses
least. One way, the step of unlike fibres is taken off, as far as it is known. What the machine showed counts where
nothing else was read, since attempts that it showed to be bad are cut unmeasured: left out, joints would look better
than they are. An attempt is left out only for what has nothing to do with how well it turned out, but where nothing at
all was read of it; then that is told.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from repairadvisor.decision.fibre_width import mismatch_of, size_of
from repairadvisor.decision.joint_classes import workplace_factor
from repairadvisor.decision.light import MULTIMODE, SINGLE_MODE, Light, joint_model
from repairadvisor.facts.context import Context, make_context
from repairadvisor.facts.value import Between, Known
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.optics.distribution import LossModel
from repairadvisor.outcome.conclusions import Sides, concluded, sides_of
from repairadvisor.outcome.reading_law import hundredths
from repairadvisor.outcome.reported import CARRIED_NM, EXACT, Attempt, Reading
from repairadvisor.policy.model import Policy
from repairadvisor.policy.plan import DIMENSIONS, Plan

BOTH_WAYS, ONE_WAY, SHOWN = "both ways", "one way", "machine's estimate"

NOTHING_READ = "nothing was read of it: were such joints cut because they looked bad, the others look too good"
NO_PLAN = "its advice names no plan, so nobody knows where it was made"
NO_MODE = "nobody said whether the fibre is single-mode or multimode"
NO_SPREAD = "no ends are joined by hand in it"
WHY_LEFT_OUT = (NOTHING_READ, NO_PLAN, NO_MODE, NO_SPREAD)

INSERTS = "insert_section"
#: Beyond it a reading says nothing whatever it is off by.
_MOST_NOISE_DB = 1.0


@dataclass(frozen=True, slots=True)
class Made:
    """An attempt, the id of the plan it was made by ("" where none was advised), and what was known of the fault."""

    attempt: Attempt
    plan: str
    context: Context | None


@dataclass(frozen=True, slots=True)
class Condition:
    """All that decides what is likely to be read of a joint: its set by method and mode, wavelength, the width of the
    fibre in µm, how much worse the workplace makes it, how many joints are read together, and the noise."""

    method: str
    mode: str
    nm: int
    size_um: float
    factor: float
    joints: int
    noise_db: float

    def model(self, policy: Policy, scale: float) -> LossModel:
        """One such joint, spreads wider by a scale (0.5 to 2)."""
        made = policy.joints[self.method, self.mode]
        return joint_model(made, self.factor * scale, self.nm, self.size_um)


@dataclass(frozen=True, slots=True)
class Usable:
    """A reading under its condition: bound, hundredths of a decibel less what unlike widths lose, how come by."""

    condition: Condition
    bound: str
    reading: int
    how: str


def usable(made: Made, light: Light) -> Usable | str:
    """What an attempt says of workmanship, or one of :data:`WHY_LEFT_OUT`."""
    attempt, policy = made.attempt, light.policy
    mode = _mode(made, policy)
    read = _best(attempt.readings)
    reason = _why_not(made, mode, read, policy)
    if reason:
        return reason
    plan = _plan(made.plan)
    assert plan is not None  # else there was a reason
    told = _nothing_told() if made.context is None else made.context
    size_um, unlike_db = _widths(told, mode, light)
    if plan.layout == INSERTS:
        unlike_db *= 0.5  # the piece is like one of its neighbours: one of the two joints has all of it
    sides = sides_of(light, told, mode, inserts=plan.layout == INSERTS, joint=attempt.joint)
    how, loss_db, noise_db = _as_read(attempt, read, sides, policy)
    condition = Condition(
        method=attempt.method,
        mode=mode,
        nm=CARRIED_NM[mode][0] if read is None else read.nm,
        size_um=size_um,
        factor=workplace_factor(policy, replace(plan, method=attempt.method)),
        joints=attempt.joints_read,
        noise_db=noise_db,
    )
    bound = EXACT if read is None else read.bound
    return Usable(condition, bound, hundredths(loss_db - unlike_db * attempt.joints_read), how)


def _as_read(attempt: Attempt, read: Reading | None, sides: Sides, policy: Policy) -> tuple[str, float, float]:
    """How a reading was come by, the loss it tells, and how far it may be off, dB, to a hundredth."""
    if read is None:
        return SHOWN, attempt.machine_estimate_db or 0.0, policy.rates["machine_estimate_sigma_db"].value
    found = concluded(read, sides, policy.after_work)
    # a step that is only bounded is as likely to lie anywhere between: an even spread, as wide as that in its variance
    unknown_db = (found.high_db - found.low_db) / math.sqrt(12.0)
    noise_db = round(math.hypot(found.sigma_db, unknown_db), 2)
    return BOTH_WAYS if found.ways == 2 else ONE_WAY, found.loss_db, min(noise_db, _MOST_NOISE_DB)


def _why_not(made: Made, mode: str, read: Reading | None, policy: Policy) -> str:
    attempt = made.attempt
    if read is None and attempt.machine_estimate_db is None:
        return NOTHING_READ
    if _plan(made.plan) is None:
        return NO_PLAN
    if not mode:
        return NO_MODE
    joint = policy.joints.get((attempt.method, mode))
    if joint is None or not (joint.sigma_offset_um or joint.sigma_tilt_deg):
        return NO_SPREAD
    return ""


def _best(readings: tuple[Reading, ...]) -> Reading | None:
    return min(readings, key=lambda one: (-one.ways, one.bound != EXACT, one.nm), default=None)


def _plan(plan_id: str) -> Plan | None:
    words = plan_id.split("/")
    return Plan(*words) if len(words) == len(DIMENSIONS) else None


def _mode(made: Made, policy: Policy) -> str:
    """The mode of the fibre: by the wavelengths read, else as told, else the only one of which the method has a set."""
    for mode, carried in CARRIED_NM.items():
        if any(one.nm in carried for one in made.attempt.readings):
            return mode
    told = () if made.context is None else made.context.possible["fibre_mode"].words
    modes = told or BY_NAME["fibre_mode"].words
    left = [mode for mode in (SINGLE_MODE, MULTIMODE) if mode in modes and (made.attempt.method, mode) in policy.joints]
    return left[0] if len(left) == 1 else ""


def _widths(context: Context, mode: str, light: Light) -> tuple[float, float]:
    """The width of the fibre, µm, to a tenth, and what unlike widths lose there, dB."""
    size_um = size_of(light, context, mode)
    if mode == MULTIMODE:
        return size_um, 0.0
    told = context.state("mode_field_loss_db") if "mode_field_loss_db" in context.held else mismatch_of(light, context)
    unlike_db = (
        told.value if isinstance(told, Known) else 0.5 * (told.low + told.high) if isinstance(told, Between) else 0
    )
    return round(size_um, 1), float(unlike_db)


@functools.cache
def _nothing_told() -> Context:
    return make_context(datetime(2031, 1, 1, tzinfo=UTC), {})[0]
