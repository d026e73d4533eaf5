"""What may be concluded from what was read, and what not.

The average of both ways is the loss. A reading from one end also holds a step where the fibres are unlike (10 log of
the ratio of their mode fields), a gain from the wider into the narrower: it only bounds the loss. As much too much at
both wavelengths is the joint; more at the longer one is a bend beside it. Joints nearer to each other than the dead
zone are one event, so their sum is judged. Plus, minus, times, divide and square roots only.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from repairadvisor.decision.fibre_width import step_of_widths_db
from repairadvisor.decision.light import MULTIMODE, SINGLE_MODE, Light
from repairadvisor.decision.thrown_back import settled_number
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import MULTIMODE_TYPES, SINGLE_MODE_TYPES
from repairadvisor.optics.constants import GROUP_INDEX
from repairadvisor.optics.otdr import event_dead_zone_m, one_way_sigma_db
from repairadvisor.outcome.reported import Attempt, Reading
from repairadvisor.policy.model import Number

#: A difference of two readings in hundredths is known to this.
_ROUNDING_DB = 1e-9
_NEAR, _FAR, _INSERTED = "near", "far", "inserted"


@dataclass(frozen=True, slots=True)
class Sides:
    """The two fibres at a joint: between what the step lies that a trace from the near end shows too much (a gain is
    below nothing), the narrowest mode field (µm), and whether both are known to be alike."""

    step_low_db: float
    step_high_db: float
    narrowest_um: float
    alike: bool


@dataclass(frozen=True, slots=True)
class Concluded:
    """What one reading says: the loss lies between ``low_db`` and ``high_db``, which differ only where a reading from
    one end may hold several steps, give or take ``sigma_db``. ``ways`` 1 or 2; ``gain``: below nothing from one end.
    ``bound`` as it was reported."""

    nm: int
    ways: int
    read_db: float
    low_db: float
    high_db: float
    sigma_db: float
    bound: str

    @property
    def gain(self) -> bool:
        """Whether one end showed a gain."""
        return self.ways == 1 and self.read_db < 0.0

    @property
    def loss_db(self) -> float:
        """The middle of what it may be."""
        return 0.5 * (self.low_db + self.high_db)


def concluded(reading: Reading, sides: Sides, figures: Mapping[str, Number]) -> Concluded:
    """What a reading says of the loss at a joint between two fibres."""
    read = reading.loss_db
    if reading.ways == 2:
        sigma = figures["reading_both_ways_sigma_db"].value
        return Concluded(reading.nm, 2, read, read, read, sigma, reading.bound)
    steps = (sides.step_low_db, sides.step_high_db)
    if reading.from_near_db is None:
        steps = (-steps[1], -steps[0])
    return Concluded(
        reading.nm, 1, read, read - steps[1], read - steps[0], _one_way_sigma_db(sides, figures), reading.bound
    )


def _one_way_sigma_db(sides: Sides, figures: Mapping[str, Number]) -> float:
    read = figures["reading_one_way_sigma_db"].value
    if sides.narrowest_um == 0.0:
        return read
    glass = one_way_sigma_db(figures["mode_field_tolerance_um"].value, sides.narrowest_um)
    return math.sqrt(read * read + glass * glass)


def sides_of(light: Light, context: Context, mode: str, *, inserts: bool, joint: int) -> Sides:
    """The fibres at a joint of a fibre (1 is the nearest), by their widths on record, else by their types; where nobody
    has said, all that there may be. With a length let in its first joint lies between near and new, its last between
    new and far; between lengths of one cable both are alike."""
    at = (_NEAR, _FAR)
    if inserts:
        at = (_NEAR, _INSERTED) if joint == 1 else (_INSERTED, _FAR) if joint == 2 else (_INSERTED, _INSERTED)
    if mode == MULTIMODE:
        return _multimode_sides(context, at)
    widths = [settled_number(context, f"mode_field_{side}_um") if side != _INSERTED else None for side in at]
    types = [_types(context, side) for side in at]
    narrowest = min(light.policy.light.mode_field_um[one] for many in types for one in many)
    if widths[0] is not None and widths[1] is not None:
        step = step_of_widths_db(widths[0], widths[1]) * (1.0 if widths[1] >= widths[0] else -1.0)
        return Sides(step, step, min(widths[0], widths[1]), alike=widths[0] == widths[1])
    steps = [light.one_way_step_db[near, far] for near, far in itertools.product(types[0], types[1])]
    alike = len(types[0]) == 1 and types[0] == types[1]
    return Sides(min(steps), max(steps), narrowest, alike)


def _multimode_sides(context: Context, at: Sequence[str]) -> Sides:
    """Graded cores of one size show no step; of two sizes nobody joins them."""
    types = [_types(context, side, MULTIMODE_TYPES) for side in at]
    return Sides(0.0, 0.0, 0.0, alike=len(types[0]) == 1 and types[0] == types[1])


def _types(context: Context, side: str, every: tuple[str, ...] = SINGLE_MODE_TYPES) -> tuple[str, ...]:
    name = "insert_fibre_type" if side == _INSERTED else f"fibre_type_{side}"
    told = [one for one in context.possible[name].words if one in every] if name in context.held else []
    return tuple(told) or every


def bend_excess_db(by_nm: Mapping[int, Concluded], mode: str) -> float | None:
    """How much more the longest wavelength read loses than the shortest; None for multimode fibre, for one wavelength,
    and where one was read from both ends and the other from one."""
    if mode != SINGLE_MODE or len(by_nm) < 2:
        return None
    short, long_ = by_nm[min(by_nm)], by_nm[max(by_nm)]
    if short.ways != long_.ways:
        return None
    return long_.read_db - short.read_db


def is_bend(excess_db: float | None, figures: Mapping[str, Number]) -> bool:
    """Whether what the longer wavelength loses more is a bend."""
    return excess_db is not None and excess_db >= figures["bend_excess_db"].value - _ROUNDING_DB


def joints_in_reading(attempt: Attempt, figures: Mapping[str, Number]) -> int:
    """How many joints the readings hold: as reported, and the next one too where it lies within the dead zone."""
    if attempt.pulse_ns is None or attempt.to_next_joint_m is None:
        return attempt.joints_read
    zone = event_dead_zone_m(attempt.pulse_ns, GROUP_INDEX["G.652", 1310].value) * figures["dead_zone_pulses"].value
    return max(attempt.joints_read, 2) if attempt.to_next_joint_m < zone else attempt.joints_read


def below_record_db(attempts: Sequence[Attempt]) -> float | None:
    """How far the light of the link lies below its record: as told last, else by the power before and after."""
    for one in reversed(attempts):
        if one.level_below_record_db is not None:
            return one.level_below_record_db
        if one.power_before_dbm is not None and one.power_after_dbm is not None:
            return one.power_before_dbm - one.power_after_dbm
    return None
