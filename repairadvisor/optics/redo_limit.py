"""Redo by a fixed limit: accept a joint within it, else cut and try again, and keep the last try.

The joint that is cut is gone: no recall. Tries are taken as independent here; see ``redo`` for limits that
money sets and for common causes. Plus, minus, times and divide only, on a compiled table.
"""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.optics.distribution import LossTable, table_from_tail
from repairadvisor.optics.valid_range import in_range


@dataclass(frozen=True, slots=True)
class RedoResult:
    """What a limit does: chance that one try passes it, expected tries, chance that the kept joint passes it."""

    chance_of_redo: float
    expected_tries: float
    chance_still_above: float
    loss: LossTable


def redo_by_limit(joint: LossTable, limit_db: float, most_tries: int) -> RedoResult:
    """The loss that is left after "accept up to ``limit_db``, at most ``most_tries`` (1 to 10) tries".

    With q = P(loss > limit): tail q^(N-1) P(loss > x) above the limit, 1 - F(x)(1 - q^N)/(1 - q) below it;
    exact on the table, which gains a knot at the limit. Quantiles are read off the table.
    Errors: OpticsError for a limit below the least loss of the joint. Source: geometric trials (derived).
    """
    in_range("number of tries", most_tries, 1, 10, "1")
    in_range("limit", limit_db, joint.knots_db[0], 60.0, "dB")
    q = joint.chance_above(limit_db)
    last = 1.0
    tries = 0.0
    for _ in range(most_tries):
        tries += last
        last *= q
    kept = last / q if q > 0.0 else 0.0  # q^(N-1)
    if most_tries == 1:
        kept = 1.0
    knots = list(joint.knots_db)
    tail = list(joint.tail)
    if limit_db not in knots:
        place = sum(1 for knot in knots if knot < limit_db)
        knots.insert(place, limit_db)
        tail.insert(place, q)
    after = [
        kept * chance if knot > limit_db else max(1.0 - (1.0 - chance) * tries, last)
        for knot, chance in zip(knots, tail, strict=True)
    ]
    mean_db = tries * (joint.mean_db - _mean_beyond(joint, limit_db, q)) + kept * _mean_beyond(joint, limit_db, q)
    table = table_from_tail(joint.offset_db, tuple(knots), tuple(after), mean_db)
    return RedoResult(q, tries, last, table)


def _mean_beyond(joint: LossTable, limit_db: float, q: float) -> float:
    """E[L; L > limit] = limit q + the integral of the tail beyond it."""
    return limit_db * q + joint.integral_beyond(limit_db)


def stopping_values_db(joint: LossTable, cost_db: float, draws: int) -> tuple[float, ...]:
    """Expected loss V_1, ... V_draws under the best limits when each further try costs ``cost_db``.

    V_1 = E[L]; with k tries left accept up to V_(k-1) + cost, V_k = E[min(L, V_(k-1) + cost)]. A cost in dB
    stands for a price only where every dB is worth the same; ``redo`` does it in money.
    Errors: OpticsError for a cost outside 0 to 20 dB or draws outside 1 to 20. Source: optimal stopping
    without recall; for a uniform loss on (0, 1) and no cost it is Cayley's problem (1875; Moser 1956).
    """
    in_range("cost of a try", cost_db, 0.0, 20.0, "dB")
    in_range("number of tries", draws, 1, 20, "1")
    first = joint.knots_db[0]
    values = [joint.mean_db]
    for _ in range(draws - 1):
        limit = values[-1] + cost_db
        lost = first + joint.tail_integral[0] - joint.integral_beyond(limit) if limit > first else limit
        values.append(min(lost, values[-1]))  # one more draw never costs more; a table's last digits may say so
    return tuple(values)
