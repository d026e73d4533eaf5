"""What the joints of a link lose in the end, made and kept by the best limits of :mod:`repairadvisor.optics.redo`.

The limits look at the governing wavelength; the loss can be asked for at any wavelength that the joints' laws hold.
Plus, minus, times, divide and comparisons only, in one fixed order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from repairadvisor.optics.redo import Redo
from repairadvisor.optics.valid_range import in_range

_ANY = math.inf
_NEVER = 1e-9  # what is less likely is left out
_CLOSE_DB, _CLOSE_CHANCE = 1e-4, 4e-6

#: (governing loss, loss at the wavelength asked for, shared redos left, chance)
_Outcome = tuple[float, float, int, float]


@dataclass(slots=True)
class KeptLoss:
    """The loss of all joints of a :class:`~repairadvisor.optics.redo.Redo`, as a distribution at each wavelength."""

    redo: Redo
    _reached: dict[tuple[int, int, float], list[tuple[int, float, float]]] = field(default_factory=dict)
    _turned_out: dict[tuple[int, int, float, int], list[_Outcome]] = field(default_factory=dict)

    def chance_above(self, nm: int, y_db: float) -> float:
        """P(loss of all joints at ``nm`` > y), by the best limits."""
        return self._above(0, self.redo.redos_at_first, 0.0, nm, y_db)

    def mean_db(self, nm: int) -> float:
        """Expected loss of all joints at ``nm``, by the best limits."""
        return self._mean(0, self.redo.redos_at_first, 0.0, nm)

    def loss_at_chance_above(self, nm: int, chance: float, near_db: float) -> float:
        """The loss of all joints at ``nm`` that is passed with ``chance`` (above 0, below 1), to 1e-4 dB or 4e-6 of it.

        ``near_db`` is a guess above nothing. Errors: OpticsError.
        """
        in_range("chance", chance, 1e-9, 1.0 - 1e-9, "1")
        middle, off, step = in_range("guess", near_db, 1e-6, 60.0, "dB"), 0.0, 0.015
        low, off_low, high, off_high = 0.0, 1.0 - chance, 60.0, -chance
        while step < 64.0:  # from the guess outwards until the loss is between two
            off = self.chance_above(nm, middle) - chance
            if off > 0.0:
                low, off_low = middle, off
            else:
                high, off_high = middle, off
            if low > 0.0 and high < 60.0:
                break
            middle = min(middle * (1.0 + step) + 1e-4, 60.0) if off > 0.0 else middle * max(1.0 - step, 0.0)
            step *= 3.0
        moved_low = 0
        while high - low > _CLOSE_DB:
            # a secant; an end that stays put twice loses half its weight, so that both ends close in
            middle = low + min(max(off_low / (off_low - off_high), 0.02), 0.98) * (high - low)
            off = self.chance_above(nm, middle) - chance
            if abs(off) <= _CLOSE_CHANCE:
                return middle
            if off > 0.0:
                low, off_low = middle, off
                off_high *= 0.5 if moved_low > 0 else 1.0
                moved_low = 1
            else:
                high, off_high = middle, off
                off_low *= 0.5 if moved_low < 0 else 1.0
                moved_low = -1
        return high

    def _stages(self, joint: int, redos_left: int, so_far_db: float) -> list[tuple[int, float, float]]:
        """(attempts before, limit, chance of coming to that attempt) of a joint, as far as it is ever come to."""
        key = (joint, redos_left, so_far_db)
        found = self._reached.get(key)
        if found is None:
            found = self._reached[key] = []
            reached = 1.0
            for used in range(self.redo.tries(joint)):
                limit = self.redo.limit_db(joint, redos_left - used, used, so_far_db)
                found.append((used, limit, reached))
                reached *= self.redo.laws[joint].tail(used, limit) if limit < _ANY else 0.0
                if reached < _NEVER:
                    break
        return found

    def _outcomes(self, joint: int, redos_left: int, so_far_db: float, nm: int) -> list[_Outcome]:
        """How a joint that is not the last can turn out, all attempts together."""
        key = (joint, redos_left, so_far_db, nm)
        found = self._turned_out.get(key)
        if found is None:
            merged: dict[tuple[float, float, int], float] = {}
            for used, limit, reached in self._stages(joint, redos_left, so_far_db):
                for loss, at_nm, chance in self.redo.laws[joint].losses_at(used, nm, limit):
                    outcome = (loss, at_nm, min(redos_left - used, self.redo.usable[joint + 1]))
                    merged[outcome] = merged.get(outcome, 0.0) + reached * chance
            found = [(*outcome, chance) for outcome, chance in merged.items() if chance >= _NEVER]
            self._turned_out[key] = found
        return found

    def _above(self, joint: int, redos_left: int, so_far_db: float, nm: int, y_db: float) -> float:
        """P(loss at ``nm`` of this joint and what follows > y)."""
        law, total = self.redo.laws[joint], 0.0
        if joint + 1 == len(self.redo.laws):
            for used, limit, reached in self._stages(joint, redos_left, so_far_db):
                total += reached * law.tail_within(used, nm, y_db, limit)
            return total
        for loss, at_nm, left, chance in self._outcomes(joint, redos_left, so_far_db, nm):
            total += chance * self._above(joint + 1, left, so_far_db + loss, nm, y_db - at_nm)
        return total

    def _mean(self, joint: int, redos_left: int, so_far_db: float, nm: int) -> float:
        law, total = self.redo.laws[joint], 0.0
        for used, limit, reached in self._stages(joint, redos_left, so_far_db):
            total += reached * law.mean_within(used, nm, limit)
        if joint + 1 < len(self.redo.laws):
            for loss, _, left, chance in self._outcomes(joint, redos_left, so_far_db, nm):
                total += chance * self._mean(joint + 1, left, so_far_db + loss, nm)
        return total
