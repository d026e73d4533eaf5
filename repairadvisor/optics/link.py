"""The margin of a link, and the chance that it still closes after a repair.

What is known only within bounds gives a margin within bounds: every quantity is a :class:`Span`. Nothing
here takes an exponential or a logarithm but :func:`ideal_splitter_loss_db`, so all else may be used per request.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from repairadvisor.errors import OpticsError
from repairadvisor.optics.budgets import SPLITTER_RANGE_DB
from repairadvisor.optics.distribution import LossTable
from repairadvisor.optics.valid_range import in_range


@dataclass(frozen=True, slots=True)
class Span:
    """A number known to lie between ``low`` and ``high``, both included; one value when they are equal.

    Errors: OpticsError when high is below low or one is no number.
    """

    low: float
    high: float

    def __post_init__(self) -> None:
        in_range("lower end", self.low, -1e9, 1e9, "as given")
        in_range("upper end", self.high, self.low, 1e9, "as given")

    def plus(self, other: Span) -> Span:
        """Every sum of a value here and one there."""
        return Span(self.low + other.low, self.high + other.high)

    def minus(self, other: Span) -> Span:
        """Every difference of a value here and one there, the two being independent."""
        return Span(self.low - other.high, self.high - other.low)

    def times(self, other: Span) -> Span:
        """Every product, for values that are not negative. Errors: OpticsError for a negative one."""
        in_range("factor", self.low, 0.0, self.high, "as given")
        in_range("factor", other.low, 0.0, other.high, "as given")
        return Span(self.low * other.low, self.high * other.high)


def exactly(value: float) -> Span:
    """A number that is known."""
    return Span(value, value)


def ideal_splitter_loss_db(ways: int) -> float:
    """10 log N in dB: what an ideal splitter of 2 to 256 ways takes. Errors: OpticsError. Source: definition."""
    in_range("ways of a splitter", ways, 2, 256, "1")
    return 10.0 * math.log10(ways)


def splitter_loss_db(ways: int) -> Span:
    """Planning range in dB of a splitter of 2, 4, ... 128 ways; errors: OpticsError for another number."""
    if ways not in SPLITTER_RANGE_DB:
        raise OpticsError("ways of a splitter", ways, ", ".join(map(str, SPLITTER_RANGE_DB)), "1")
    return Span(*SPLITTER_RANGE_DB[ways])


def fibre_loss_db(length_m: Span, attenuation_db_per_km: Span) -> Span:
    """Loss in dB of a length of fibre; 0 to 1,000 km, 0 to 10 dB/km. Errors: OpticsError."""
    in_range("length", length_m.low, 0.0, 1e6, "m")
    in_range("length", length_m.high, 0.0, 1e6, "m")
    in_range("attenuation", attenuation_db_per_km.low, 0.0, 10.0, "dB/km")
    in_range("attenuation", attenuation_db_per_km.high, 0.0, 10.0, "dB/km")
    loss = length_m.times(attenuation_db_per_km)
    return Span(loss.low / 1000.0, loss.high / 1000.0)


def margin_from_budget_db(budget_db: float, losses_db: Sequence[Span]) -> Span:
    """Budget of the class less everything in the link (fibre, splitters, pairs, splices), in dB.

    Negative where the link is beyond its budget. Budget 0 to 60 dB; errors: OpticsError.
    """
    in_range("budget", budget_db, 0.0, 60.0, "dB")
    margin = exactly(budget_db)
    for loss in losses_db:
        in_range("loss", loss.low, 0.0, 10_000.0, "dB")
        margin = margin.minus(loss)
    return margin


def margin_from_power_db(received_dbm: Span, sensitivity_dbm: float) -> Span:
    """Measured power at the receiver less the least it needs, in dB.

    Power -80 to 30 dBm, sensitivity -60 to 10 dBm. Errors: OpticsError.
    """
    in_range("received power", received_dbm.low, -80.0, 30.0, "dBm")
    in_range("received power", received_dbm.high, -80.0, 30.0, "dBm")
    in_range("sensitivity", sensitivity_dbm, -60.0, 10.0, "dBm")
    return received_dbm.minus(exactly(sensitivity_dbm))


def margin_before_joints_db(margin_before_fault_db: Span, given_back_db: Span, inserted_loss_db: Span) -> Span:
    """What the new joints may lose: margin before the fault + what comes back - inserted fibre.

    Errors: OpticsError for a negative loss.
    """
    in_range("loss given back", given_back_db.low, 0.0, 60.0, "dB")
    in_range("loss of inserted fibre", inserted_loss_db.low, 0.0, 60.0, "dB")
    return margin_before_fault_db.plus(given_back_db).minus(inserted_loss_db)


def chance_closes(joints: LossTable, margin_db: Span) -> float:
    """Chance that the joints' loss stays within a margin that is uniform over its span."""
    return 1.0 - joints.mean_chance_above(margin_db.low, margin_db.high)


def least_margin_for_chance_db(joints: LossTable, chance: float) -> float:
    """The smallest margin in dB with which the link closes with at least ``chance`` (0 to 1)."""
    in_range("chance", chance, 0.0, 1.0, "1")
    return joints.loss_at_chance_above(1.0 - chance)
