"""A ribbon is joined as one, so it is kept or made again as one: by the fibre of it that loses most.

Where no common cause is at work fibres of a ribbon fail and lose independently of each other: with one in a hundred
failing, all twelve are good in 89 of 100 ribbons, within what crews report. The worst of them passes a loss unless
every one keeps it. Plus, minus, times and divide only.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import accumulate

from repairadvisor.optics.distribution import LossTable, table_from_tail
from repairadvisor.optics.joint_law import Branch, JointLaw, nodes_of
from repairadvisor.optics.valid_range import in_range

#: Most fibres of one ribbon.
MOST_FIBRES = 24


def worst_of(law: JointLaw, fibres: int, failing: tuple[float, ...]) -> JointLaw:
    """The law of the fibre that loses most of ``fibres`` (1 to 24) made at once, at the governing wavelength.

    ``failing``: how often a ribbon holds a failed fibre, attempt by attempt. What one that does loses is taken from
    fibres that fail independently, as the first attempt of ``law``. Errors: OpticsError for a number of fibres outside.
    """
    in_range("fibres of a ribbon", fibres, 1, MOST_FIBRES, "1")
    if fibres == 1:
        return replace(law, failure_chances=failing)
    knots = tuple(sorted({*law.clean.table.knots_db, *law.failed.table.knots_db}))
    clean = [some_of(law.clean.table.chance_above(x), fibres) for x in knots]
    first = some_of(law.failure_chances[0], fibres)
    whole = [some_of(law.tail(0, x), fibres) for x in knots]
    failed = clean
    if first > 0.0:
        failed = [min(max((w - (1.0 - first) * c) / first, 0.0), 1.0) for w, c in zip(whole, clean, strict=True)]
    return JointLaw(law.governing_nm, _branch(knots, clean), _branch(knots, failed), failing)


def some_of(chance: float, fibres: int) -> float:
    """The chance that at least one of several does what each does with a chance."""
    none = 1.0
    for _ in range(fibres):
        none *= 1.0 - chance
    return 1.0 - none


def _branch(knots: tuple[float, ...], tail: list[float]) -> Branch:
    """A branch by its tail; straight between knots, so its mean is the area below."""
    falling = tuple(accumulate(tail, min))
    area = sum(
        0.5 * (before + after) * (high - low)
        for before, after, low, high in zip(falling, falling[1:], knots, knots[1:], strict=False)
    )
    table: LossTable = table_from_tail(knots[0], knots, falling, knots[0] + area)
    return Branch(table, nodes_of(table), {}, {}, {})
