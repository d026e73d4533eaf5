"""Claims: sentences about the whole policy, each with figures of its own, read as strictly as the rules they are about.

A claim may not use a screen's figure: it would prove no more than that the screen says what it says.
"""

from __future__ import annotations

from collections.abc import Mapping

from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.condition import ALWAYS, Condition, IsOneOf, comparisons, limits_of
from repairadvisor.policy.model import CLAIM_KINDS, CLAIMS_ON_PLANS, CLAIMS_ON_WORLDS, Claim, Derived, Number, Witness
from repairadvisor.policy.plan import PartialPlan
from repairadvisor.policy.table import Table, condition_at, read_number

CLAIM_FILE = "claims.toml"
_PERSONS = "persons"

Words = Mapping[str, tuple[str, ...]]


def read_claims(
    table: Table,
    words: Words,
    derived: Mapping[str, Derived],
    others: Mapping[str, Number],
    tags: tuple[str, ...],
) -> tuple[Claim, ...]:
    """The claims. Raises PolicyError for a figure that a rule uses too, for one in another unit than the fact it is
    compared with, and for one that no claim uses. ``others`` are the figures of the rules, ``tags`` the cautions."""
    limits = {name: read_number(name, row) for name, row in table.tables("limit")}
    for name in limits:
        if name in others:
            raise PolicyError(f"{table.where}: limit.{name}", "is a figure of the rules too; a claim has its own")
    claims = tuple(_claim(row, words, derived, limits, tags) for row in table.rows("claim"))
    table.done()
    used = {limit.name for claim in claims for limit in claim.limits}
    for name in limits:
        if name not in used:
            raise PolicyError(f"{table.where}: limit.{name}", "is used by no claim")
    return claims


def _claim(
    row: Table, words: Words, derived: Mapping[str, Derived], limits: Mapping[str, Number], tags: tuple[str, ...]
) -> Claim:
    kind = row.one_of("kind", CLAIM_KINDS)
    parts: dict[str, object] = {"caution": "", "any_action": False, "places": (), "least": None, "witnesses": ()}
    plans: PartialPlan = {}
    where: Condition = ALWAYS
    if kind in CLAIMS_ON_PLANS:
        plans = row.plans("plans", words)
    if kind in CLAIMS_ON_WORLDS:
        where = condition_at(row, "only_where" if kind == "permission" else "wherever", limits, tuple(derived))
        _check_units(row, where, derived, limits)
    if kind == "caution":
        parts["caution"] = row.one_of("caution", tags)
        parts["any_action"] = bool(row.take("any_action", bool, False))
        if parts["any_action"] and plans:
            raise PolicyError(row.where, "speaks of any action and of some plans", "one of any_action, plans")
    if kind == "crew":
        parts["places"], parts["least"] = _places(row), _persons(row, limits)
    if kind == "witness":
        parts["witnesses"] = _witnesses(row, words)
    named = (*limits_of(where), *([parts["least"].name] if isinstance(parts["least"], Number) else []))
    claim = Claim(
        id=row.text("id"),
        kind=kind,
        says=row.text("says"),
        plans=plans,
        where=where,
        limits=tuple(limits[name] for name in named),
        source=row.text("source"),
        known=row.known(),
        **parts,  # type: ignore[arg-type]
    )
    row.done()
    return claim


def _check_units(row: Table, where: Condition, derived: Mapping[str, Derived], limits: Mapping[str, Number]) -> None:
    for one in comparisons(where):
        if isinstance(one, IsOneOf):
            continue
        unit = BY_NAME[one.fact].unit if one.fact in BY_NAME else derived[one.fact].unit
        if limits[one.limit].unit != unit:
            raise PolicyError(
                f"{row.where}: {one.fact}", f"is compared with {one.limit} in {limits[one.limit].unit}", unit
            )


def _places(row: Table) -> tuple[str, ...]:
    places = row.texts("places")
    allowed = BY_NAME["place"].words
    for place in places:
        if place not in allowed:
            raise PolicyError(f"{row.where}: places", f"{place!r} is no place", ", ".join(allowed))
    return places or allowed


def _persons(row: Table, limits: Mapping[str, Number]) -> Number:
    name = row.one_of("least", tuple(limits))
    if limits[name].unit != _PERSONS:
        raise PolicyError(f"{row.where}: least", f"{name} is in {limits[name].unit}", _PERSONS)
    return limits[name]


def _witnesses(row: Table, words: Words) -> tuple[Witness, ...]:
    """One context for each method of the policy; facts are read when it is run."""
    found = []
    for one in row.rows("witness"):
        found.append(Witness(one.one_of("method", words["method"]), dict(one.take("told", dict))))
        one.done()
    missing = [word for word in words["method"] if word not in {one.method for one in found}]
    if missing:
        raise PolicyError(f"{row.where}: witness", f"there is none for {', '.join(missing)}")
    return tuple(found)
