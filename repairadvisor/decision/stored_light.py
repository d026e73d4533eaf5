"""Everything about light that took an exp, a log or a search to compile, as plain data and back.

What is read back gives the same bytes of advice as what was written: also on a machine whose exp differs in its last
bit, and after an upgrade of a library. Numbers, texts, lists and mappings only, so that JSON holds it without loss.
What follows from the policy by comparing alone is not written; it is made again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from repairadvisor.decision.joint_classes import classes_of
from repairadvisor.decision.light import Light, Tables, budgets_of
from repairadvisor.decision.reflections import Reflections
from repairadvisor.optics.distribution import LossTable
from repairadvisor.optics.joint_law import Branch, JointLaw, Node
from repairadvisor.optics.other_wavelengths import Line
from repairadvisor.policy.model import Policy


def as_plain(light: Light) -> dict[str, Any]:
    """Compiled light as plain data; each distribution stands there once."""
    tables = _Numbered(_table_as_plain)
    branches = _Numbered(lambda branch: _branch_as_plain(branch, tables))
    found: dict[str, Any] = {
        "of_class": [
            [list(key), mode, nm, tables.number(one.added), tables.number(one.net)]
            for (key, mode, nm), one in light.tables.items()
        ],
        "laws": [
            [*key, law.governing_nm, branches.number(law.clean), branches.number(law.failed), list(law.failure_chances)]
            for key, law in light.laws.items()
        ],
        "back": [[*key, tables.number(table)] for key, table in light.back.items()],
        "gel_db": [list(pair) for pair in light.reflections.gel_db],
        "dry_gel_db": light.reflections.dry_gel_db,
        "together_db": [[*key, value] for key, value in light.reflections.together_db.items()],
        "mismatch_db": [[*key, value] for key, value in light.mismatch_db.items()],
        "one_way_step_db": [[*key, value] for key, value in light.one_way_step_db.items()],
        "kept_by_most_db": [[*key, value] for key, value in light.kept_by_most_db.items()],
    }
    return {**found, "tables": tables.made, "branches": branches.made}


def from_plain(policy: Policy, plain: Mapping[str, Any]) -> Light:
    """Compiled light of the policy that it was compiled for.

    Raises KeyError, IndexError, TypeError or ValueError for what :func:`as_plain` did not make.
    """
    tables = [_table(*one) for one in plain["tables"]]
    branches = [_branch(one, tables) for one in plain["branches"]]
    return Light(
        policy=policy,
        classes=classes_of(policy),
        tables={
            (tuple(key), mode, nm): Tables(tables[added], tables[net])
            for key, mode, nm, added, net in plain["of_class"]
        },
        laws={
            (method, mode, factor, nm, size): JointLaw(governing, branches[clean], branches[failed], tuple(chances))
            for method, mode, factor, nm, size, governing, clean, failed, chances in plain["laws"]
        },
        back={(gives, joints, mode, nm): tables[i] for gives, joints, mode, nm, i in plain["back"]},
        reflections=Reflections(
            tuple((best, worst) for best, worst in plain["gel_db"]),
            plain["dry_gel_db"],
            {(db, joints, loss): value for db, joints, loss, value in plain["together_db"]},
        ),
        derived=budgets_of(policy),
        mismatch_db={(near, far): value for near, far, value in plain["mismatch_db"]},
        one_way_step_db={(near, far): value for near, far, value in plain["one_way_step_db"]},
        kept_by_most_db={(method, factor, name): value for method, factor, name, value in plain["kept_by_most_db"]},
    )


class _Numbered:
    """Things made plain once each, and the number under which each stands."""

    def __init__(self, plain: Any) -> None:
        self._plain = plain
        self._numbers: dict[int, int] = {}
        self._kept: list[object] = []  # alive, so that no other takes the place of one in memory
        self.made: list[Any] = []

    def number(self, one: object) -> int:
        """The number of a thing."""
        if id(one) not in self._numbers:
            made = self._plain(one)
            self._numbers[id(one)] = len(self.made)
            self._kept.append(one)
            self.made.append(made)
        return self._numbers[id(one)]


def _table_as_plain(table: LossTable) -> list[Any]:
    numbers = (table.mean_db, table.p50_db, table.p95_db, table.p99_db)
    return [table.offset_db, list(table.knots_db), list(table.tail), list(table.tail_integral), *numbers]


def _table(
    offset: float, knots: Iterable[float], tail: Iterable[float], beyond: Iterable[float], *rest: float
) -> LossTable:
    return LossTable(offset, tuple(knots), tuple(tail), tuple(beyond), *rest)


def _branch_as_plain(branch: Branch, tables: _Numbered) -> list[Any]:
    return [
        tables.number(branch.table),
        [[node.end_db, node.mean_db, node.tail_before, node.tail_after] for node in branch.nodes],
        [[nm, [_line_as_plain(line) for line in lines]] for nm, lines in branch.lines.items()],
        [[nm, mean] for nm, mean in branch.mean_db.items()],
        [[nm, tables.number(table)] for nm, table in branch.tables.items()],
    ]


def _branch(plain: Sequence[Any], tables: Sequence[LossTable]) -> Branch:
    table, nodes, lines, means, others = plain
    return Branch(
        tables[table],
        tuple(Node(*node) for node in nodes),
        {nm: _pair(low, high) for nm, (low, high) in lines},
        dict(means),
        {nm: tables[i] for nm, i in others},
    )


def _line_as_plain(line: Line) -> list[list[float]]:
    return [list(line.governing_db), list(line.other_db)]


def _pair(low: Sequence[Sequence[float]], high: Sequence[Sequence[float]]) -> tuple[Line, Line]:
    """Two lines; one and the same where they do not differ, which is quicker to read."""
    first = Line(*(tuple(part) for part in low))
    return first, first if low == high else Line(*(tuple(part) for part in high))
