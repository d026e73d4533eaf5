"""A ribbon is joined as one, so it is kept or made again as one: by the fibre of it that loses most.

Fibres of a ribbon fail and lose independently of each other: with one fibre in a hundred failing, all twelve are good
in 89 of 100 ribbons, within what crews report. The worst of them passes a loss unless every one keeps it. Plus, minus,
times and divide only.
"""

from __future__ import annotations

from itertools import accumulate

from repairadvisor.optics.distribution import LossTable, table_from_tail
from repairadvisor.optics.joint_law import Branch, JointLaw, nodes_of
from repairadvisor.optics.valid_range import in_range

#: Most fibres of one ribbon.
MOST_FIBRES = 24


def worst_of(law: JointLaw, fibres: int) -> JointLaw:
    """The law of the fibre that loses most of ``fibres`` (1 to 24) made at once, at the governing wavelength.

    What a ribbon with a failed fibre loses is taken from the first attempt; how often one fails, attempt by attempt.
    Errors: OpticsError for a number of fibres outside.
    """
    in_range("fibres of a ribbon", fibres, 1, MOST_FIBRES, "1")
    if fibres == 1:
        return law
    knots = tuple(sorted({*law.clean.table.knots_db, *law.failed.table.knots_db}))
    clean = [_some(law.clean.table.chance_above(x), fibres) for x in knots]
    chances = tuple(_some(p, fibres) for p in law.failure_chances)
    first = chances[0]
    whole = [_some(law.tail(0, x), fibres) for x in knots]
    failed = clean
    if first > 0.0:
        failed = [min(max((w - (1.0 - first) * c) / first, 0.0), 1.0) for w, c in zip(whole, clean, strict=True)]
    return JointLaw(law.governing_nm, _branch(knots, clean), _branch(knots, failed), chances)


def _some(chance: float, fibres: int) -> float:
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
