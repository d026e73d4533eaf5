"""Keep a joint that was read, or make it again: the rule of :mod:`repairadvisor.optics.redo` with a reading's noise.

Planning knows what a joint will lose once it is made; a crew knows what an instrument read. So the same rule is taken
over what the truth may be: keep if and only if E[g(X) | reading] <= c + V(k-1), and, where a limit for one joint holds,
P(X <= limit | reading) reaches a confidence. Without noise both say what planning says. What is thought of the truth
before it is read is the law of the attempt, in cells of a quarter of a hundredth, so that a reading far out is believed
less than it says; a grid finer still changes costs by less than a thousandth. Limits are told as readings: the greatest
hundredth that is kept. Plus, minus, times, divide and comparisons only.

Source: Bayes' rule; optimal stopping without recall (Moser, 1956).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from repairadvisor.optics.joint_law import JointLaw, nodes_of
from repairadvisor.optics.noisy_reading import ReadingNoise, given_reading
from repairadvisor.optics.redo import Expected, Redo
from repairadvisor.optics.redo_over_margins import tail_over
from repairadvisor.optics.valid_range import in_range

STEP_DB = 0.0025
#: Readings are told to a hundredth.
_READ_DB = 0.01
#: Losses beyond this are all too much.
MOST_DB = 20.0
#: Of a chance, what one stretch of a law may stand for here; planning takes a dozen at once and is content with more.
_TOLERANCE = 2e-5
#: No law says that a reading cannot be: what is less likely than this is as likely as this.
_LEAST_CHANCE = 1e-12


def refined(law: JointLaw) -> JointLaw:
    """The law in stretches short enough for one joint's verdict."""
    clean, failed = (replace(one, nodes=nodes_of(one.table, _TOLERANCE)) for one in (law.clean, law.failed))
    return replace(law, clean=clean, failed=failed)


def cells_of(law: JointLaw, used: int, step_db: float = STEP_DB) -> tuple[float, ...]:
    """The chance of each loss, in cells about the multiples of a step up to 20 dB, of the attempt after ``used``
    others."""
    edges = (np.arange(round(MOST_DB / step_db) + 1, dtype=np.float64) - 0.5) * step_db
    tail = np.zeros(len(edges))
    for share, branch in law.branches(used):
        tail += share * tail_over(branch.table, edges)
    tail[0] = 1.0
    cells = tail - np.concatenate((tail[1:], [0.0]))
    return tuple(cells.tolist())


def cells_of_sum(cells: Sequence[float], joints: int) -> tuple[float, ...]:
    """The same for the losses of several joints (1 to 50) that one reading holds."""
    in_range("joints read as one", joints, 1, 50, "1")
    one = total = np.array(cells)
    for _ in range(joints - 1):
        longer = np.zeros_like(total)
        for i in np.flatnonzero(one > _LEAST_CHANCE):
            longer[i:] += one[i] * total[: len(total) - i]
        total = longer
    return tuple(total.tolist())


@dataclass(slots=True)
class GivenReading:
    """The rule for one joint that was made and read, or for ``joints`` that were read as one.

    ``cells`` what was thought of the loss before it was read, on the grid of the ``noise``. ``redo`` holds the laws of
    the attempts that are left at this joint (once for each of ``joints``), then those of the joints still to be made,
    and what was left of the margin before this one. ``redos_left`` shared ones; ``may_redo`` whether this one can be
    made again at all. ``limit_db`` is the owner's limit, or the usual one, for what is read here (None: there is none),
    to be kept with ``confidence`` (0.5 to 0.999). Errors: OpticsError.
    """

    cells: tuple[float, ...]
    redo: Redo
    redos_left: int
    may_redo: bool
    limit_db: float | None
    confidence: float
    noise: ReadingNoise
    joints: int = 1
    _kept: dict[int, Expected] = field(default_factory=dict)

    def __post_init__(self) -> None:
        in_range("confidence", self.confidence, 0.5, 0.999, "1")
        in_range("joints read as one", self.joints, 1, len(self.redo.laws), "1")

    @property
    def again(self) -> float:
        """c + V(k-1): what making it again is expected to cost with all that follows; infinite where it cannot be."""
        if not self.may_redo or self.redos_left < self.joints:
            return math.inf
        first = self.joints * self.redo.attempts.redo_cost
        return first + self.redo.value(0, self.redos_left - self.joints, 0, 0.0).cost

    def after(self, reading_db: float) -> list[tuple[float, float]]:
        """(true loss, chance) once a reading is known, from the least on; beyond the ends of the grid as at them."""
        step = self.noise.step_db
        at = min(max(math.floor(reading_db / step + 0.5), 0), len(self.cells) - 1)
        reach = len(self.noise.weights)
        low, high = max(0, at - reach + 1), min(len(self.cells), at + reach)
        near = [max(chance, _LEAST_CHANCE) for chance in self.cells[low:high]]
        chances = given_reading(near, (at - low) * step, self.noise)
        return [((low + i) * step, chance) for i, chance in enumerate(chances)]

    def if_kept(self, reading_db: float) -> Expected:
        """E[g(X) | reading], and what it is made of."""
        cost = redos = missed = over = 0.0
        for loss, chance in self.after(reading_db):
            one = self._after(loss)
            cost += chance * one.cost
            redos += chance * one.redos
            missed += chance * one.missed
            over += chance * one.over_limit
        return Expected(cost, redos, missed, over)

    def within(self, reading_db: float) -> float:
        """P(X <= limit | reading), the cell at the limit by its share below it; 1 where there is no limit."""
        if self.limit_db is None:
            return 1.0
        total = 0.0
        for loss, chance in self.after(reading_db):
            share = (self.limit_db - loss) / self.noise.step_db + 0.5
            total += chance * min(max(share, 0.0), 1.0)
        return total

    def pays(self, reading_db: float) -> bool:
        """Whether keeping it is not dearer than making it again, whatever the limit."""
        again = self.again
        return again == math.inf or self.if_kept(reading_db).cost <= again

    def keeps(self, reading_db: float) -> bool:
        """Whether the rule keeps it: the limit is kept with the confidence, and it pays. Where it cannot be made again
        this says whether it is good enough, and not what to do with one that is not."""
        return self.within(reading_db) >= self.confidence and self.pays(reading_db)

    def greatest_kept_db(self) -> float | None:
        """The greatest reading that the rule keeps, to 0.01 dB; None where it keeps any, below nothing where none."""
        low, high = -1, round(MOST_DB / _READ_DB)
        if self.keeps(high * _READ_DB):
            return None
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.keeps(middle * _READ_DB) else (low, middle)
        return low * _READ_DB

    def _after(self, loss_db: float) -> Expected:
        key = round(loss_db / self.noise.step_db)
        if key not in self._kept:
            self._kept[key] = self.redo.value(self.joints, self.redos_left, 0, loss_db)
        return self._kept[key]
