"""Up to what reading a joint is kept: by joint, attempt, and what the joints before it lost, equal rows folded.

The same rule gives the verdict once a joint was read; the table is for whoever stands there without us. It says what
readings without noise are kept at, for the least margin there may be. Bodies that joints share are counted as if every
joint before took one attempt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from repairadvisor.decision.advice import KeepUpTo
from repairadvisor.decision.reasons import Words
from repairadvisor.optics.redo import Redo

#: What joints before this one may have lost, dB: ends of the stretches that are told apart.
LOST_DB = (*(0.05 * i for i in range(21)), 1.25, 1.5, 2.0, 3.0, 5.0)

#: (from, to, limit) of a stretch; ``inf`` for no end, and for any loss.
_Stretch = tuple[float, float, float]


def limits_table(redo: Redo, attempts: int, unlike_db: float, words: Words) -> tuple[KeepUpTo, ...]:
    """The rows, for joints made one after the other, of ``attempts`` each; readings hold ``unlike_db`` a joint. There
    are none where a joint is made once: then whatever it loses is reported."""
    found: list[KeepUpTo] = []
    for joint in range(len(redo.laws)):
        for attempt in range(1, attempts):
            for low, high, limit in _stretches(redo, joint, attempt, unlike_db):
                found.append(_row(joint + 1, attempt, low, high, limit))
    return tuple(_said(row, len(redo.laws), attempts, words) for row in _folded(found))


def _stretches(redo: Redo, joint: int, attempt: int, unlike_db: float) -> list[_Stretch]:
    """Over what the joints before lost: the lower limit of both ends of each stretch, equal neighbours folded."""
    ends = [*LOST_DB, math.inf] if joint else [0.0, math.inf]
    limits = [_limit(redo, joint, attempt, lost, unlike_db) for lost in ends[:-1]]
    found: list[_Stretch] = []
    for i, low in enumerate(ends[:-1]):
        limit = min(limits[i : i + 2])
        if found and found[-1][2] == limit:
            found[-1] = (found[-1][0], ends[i + 1], limit)
        else:
            found.append((low, ends[i + 1], limit))
    return found


def _limit(redo: Redo, joint: int, attempt: int, lost_db: float, unlike_db: float) -> float:
    """To a hundredth, rounded down: a limit that is printed is one that holds."""
    own = max(lost_db - joint * unlike_db, 0.0)
    limit = redo.limit_db(joint, redo.redos_at_first - (attempt - 1), attempt - 1, own)
    return limit if limit == math.inf else math.floor(100.0 * (max(limit, 0.0) + unlike_db) + 1e-3) / 100.0


def _row(joint: int, attempt: int, low: float, high: float, limit: float) -> KeepUpTo:
    return KeepUpTo(
        joint_from=joint,
        joint_to=joint,
        attempt_from=attempt,
        attempt_to=attempt,
        lost_from_db=round(low, 6),
        lost_to_db=None if high == math.inf else round(high, 6),
        keep_up_to_db=None if limit == math.inf else round(limit, 6),
        said="",
    )


def _folded(rows: Sequence[KeepUpTo]) -> list[KeepUpTo]:
    """Attempts of a joint with the same stretches and limits as one, then joints with the same rows as one."""
    by_attempt = _merged(_grouped(rows, "attempt"), "attempt")
    by_joint = _merged(_grouped([row for group in by_attempt for row in group], "joint"), "joint")
    return [row for group in by_joint for row in group]


def _grouped(rows: Sequence[KeepUpTo], by: str) -> list[list[KeepUpTo]]:
    """Rows of one joint, or of one attempt at one joint, together."""
    groups: dict[tuple[int, ...], list[KeepUpTo]] = {}
    for row in rows:
        key = (row.joint_from,) if by == "joint" else (row.joint_from, row.attempt_from)
        groups.setdefault(key, []).append(row)
    return list(groups.values())


def _merged(groups: Sequence[list[KeepUpTo]], over: str) -> list[list[KeepUpTo]]:
    """Groups that differ in ``over`` alone as one, if they follow each other."""
    found: list[list[KeepUpTo]] = []
    for group in groups:
        if found and [_but(row, over) for row in found[-1]] == [_but(row, over) for row in group]:
            pairs = zip(found[-1], group, strict=True)
            found[-1] = [
                replace(old, joint_to=row.joint_to) if over == "joint" else replace(old, attempt_to=row.attempt_to)
                for old, row in pairs
            ]
        else:
            found.append(list(group))
    return found


def _but(row: KeepUpTo, over: str) -> tuple[object, ...]:
    """All of a row but its joints, or its attempts; of one joint attempts are of that joint only."""
    rest = (row.lost_from_db, row.lost_to_db, row.keep_up_to_db)
    return (row.attempt_from, row.attempt_to, *rest) if over == "joint" else (row.joint_from, *rest)


def _said(row: KeepUpTo, joints: int, attempts: int, words: Words) -> KeepUpTo:
    """The row with its sentence: of what it holds for, only what is not all there is."""
    parts = []
    if (row.joint_from, row.joint_to) != (1, joints):
        parts.append(_from_to(words, "joint", row.joint_from, row.joint_to))
    if (row.attempt_from, row.attempt_to) != (1, attempts - 1):
        parts.append(_from_to(words, "attempt", row.attempt_from, row.attempt_to))
    if row.lost_to_db is not None:
        lost = {"low": f"{row.lost_from_db:.2f}", "high": f"{row.lost_to_db:.2f}"}
        parts.append(words.say("keep", "lost_between", **lost))
    elif row.lost_from_db > 0.0:
        parts.append(words.say("keep", "lost_over", low=f"{row.lost_from_db:.2f}"))
    where = words.listed(parts, words.say("plan", "list_separator")) if parts else words.say("keep", "always")
    if row.keep_up_to_db is None:
        return replace(row, said=words.say("keep", "any", where=where))
    return replace(row, said=words.say("keep", "up_to", where=where, limit=f"{row.keep_up_to_db:.2f}"))


def _from_to(words: Words, what: str, low: int, high: int) -> str:
    if low == high:
        return words.say("keep", what, n=low)
    return words.say("keep", f"{what}s", low=low, high=high)
