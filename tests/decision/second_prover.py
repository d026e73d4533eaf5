"""Claims proven a second time, by a solver for logic and linear arithmetic, from the policy's files as written.

It shares no code with the product's prover: conditions, derived facts and plans are read from the parsed TOML here, and
put into one formula a claim (Z3, de Moura and Bjørner, TACAS 2008). Of the product only the table of facts is used, as
data. Where the product asks plan by plan and branch by branch, a plan is here one more unknown, and sums are exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import z3

from repairadvisor.facts.context import NOT_MORE_THAN
from repairadvisor.facts.vocabulary import BY_NAME

Raw = Mapping[str, Any]
DIMENSIONS = ("method", "layout", "position", "access", "shelter", "stage")


class SecondProver:
    """The facts, derived facts and plans of a policy's parsed files as formulas; screens and cautions are given apart,
    so that other ones can be tried."""

    def __init__(self, files: Mapping[str, Raw]) -> None:
        self.limits_by_name = {
            name: one
            for key, file in files.items()
            if key != "claims.toml"
            for name, one in file.get("limit", {}).items()
        }
        every = {**self.limits_by_name, **files["claims.toml"]["limit"]}
        self.limits = {name: one["value"] for name, one in every.items()}
        self.derived = files["derived.toml"]["derived"]
        self.claims = files["claims.toml"]["claim"]
        self.solver = z3.Solver()
        self.word: dict[tuple[str, str], Any] = {}
        self.meant: dict[str, Any] = {}
        self.number: dict[str, Any] = {}
        self.plan: dict[tuple[str, str], Any] = {}
        self._facts()
        self._sums()
        self._plans(files["plan_words.toml"])

    def _facts(self) -> None:
        for fact in BY_NAME.values():
            self.meant[fact.name] = z3.Bool(f"{fact.name} is meant")
            for word in fact.words:
                self.word[fact.name, word] = z3.Bool(f"{fact.name} is {word}")
            if not fact.words:
                made = z3.Int(fact.name) if fact.whole else z3.Real(fact.name)
                self.number[fact.name] = made
                self.solver.add(made >= fact.low, made <= fact.high)
        for fact in BY_NAME.values():
            means = [z3.Or([self.word[parent, word] for word in words]) for parent, words in fact.applies]
            self.solver.add(self.meant[fact.name] == z3.And(means))
            if fact.words:
                mine = [self.word[fact.name, word] for word in fact.words]
                self.solver.add(z3.PbLe([(one, 1) for one in mine], 1), z3.Or(mine) == self.meant[fact.name])
            if fact.within is not None:
                parent, table = fact.within
                for key, words in table.items():
                    beside = z3.Or([self.word[fact.name, word] for word in words])
                    self.solver.add(z3.Implies(z3.And(self.word[parent, key], self.meant[fact.name]), beside))
        for less, more in NOT_MORE_THAN:
            both = z3.And(self.meant[less], self.meant[more])
            self.solver.add(z3.Implies(both, self.number[less] <= self.number[more]))

    def _sums(self) -> None:
        for name, one in self.derived.items():
            total: Any = z3.RealVal(0)
            for sign, key in ((1, "plus"), (-1, "minus")):
                for limit in one.get(key, ()):
                    total = total + sign * self.limits[limit]
            for term in one["terms"]:
                counts = [self.meant[term["fact"]]]
                if "where" in term:
                    words = term["where"]["is_one_of"]
                    counts.append(z3.Or([self.word[term["where"]["fact"], word] for word in words]))
                total = total + z3.If(z3.And(counts), term["times"] * self.number[term["fact"]], 0)
            self.meant[name] = self.meant[one["terms"][0]["fact"]]
            self.number[name] = total

    def _plans(self, raw: Raw) -> None:
        for dimension in DIMENSIONS:
            mine = []
            for word in raw["words"][dimension]:
                self.plan[dimension, word] = z3.Bool(f"plan's {dimension} is {word}")
                mine.append((self.plan[dimension, word], 1))
            self.solver.add(z3.PbEq(mine, 1))
        self.solver.add(z3.Or([self.fits({one: row[one] for one in DIMENSIONS}) for row in raw["allow"]]))

    def fits(self, partial: Mapping[str, Sequence[str]]) -> Any:
        """That the plan fits part of a plan."""
        return z3.And([z3.Or([self.plan[dimension, word] for word in words]) for dimension, words in partial.items()])

    def holds(self, raw: Raw | None) -> Any:
        """That a condition holds in the world; none always does."""
        if raw is None:
            return z3.BoolVal(val=True)
        if "all" in raw:
            return z3.And([self.holds(one) for one in raw["all"]])
        if "any" in raw:
            return z3.Or([self.holds(one) for one in raw["any"]])
        if "not" in raw:
            return z3.Not(self.holds(raw["not"]))
        name = raw["fact"]
        if "is" in raw:
            return self.word[name, raw["is"]]
        if "is_one_of" in raw:
            return z3.Or([self.word[name, word] for word in raw["is_one_of"]])
        if "below" in raw:
            return z3.And(self.meant[name], self.number[name] < self.limits[raw["below"]])
        return z3.And(self.meant[name], self.number[name] >= self.limits[raw["at_least"]])

    def is_true(self, claim: Raw, screens: Sequence[Raw], cautions: Sequence[Raw]) -> bool:
        """Whether a claim on permission, on what is not barred or on a caution holds in every world, for every plan."""
        against = [self.fits(claim.get("plans", {}))]
        if claim["kind"] == "unbarred":
            return self._nothing_bars(claim, screens)
        if claim["kind"] == "permission":
            against.append(z3.Not(self.holds(claim["only_where"])))
            spoken = screens
        else:
            against.append(self.holds(claim.get("wherever")))
            rows = [row for row in cautions if row["tag"] == claim["caution"]]
            if claim.get("any_action"):
                rows = [row for row in rows if not row.get("plans")]
            against.extend(z3.Not(z3.And(self.fits(row.get("plans", {})), self.holds(row.get("when")))) for row in rows)
            # A plan that nobody can check is closed while it is open; what can be checked may bar in some world.
            spoken = [] if claim.get("any_action") else [one for one in screens if one.get("check", "") == ""]
        against.extend(
            z3.Not(z3.And(self.fits(screen.get("plans", {})), self.holds(screen["bars_when"]))) for screen in spoken
        )
        return self._nowhere(against)

    def _nothing_bars(self, claim: Raw, screens: Sequence[Raw]) -> bool:
        """Whether no screen for people that speaks of the claim's facts only bars where the claim's condition holds.
        Places of others stay theirs."""
        spoken = _with_parents(_named(claim["wherever"]))
        barred = [
            z3.And(self.fits(screen.get("plans", {})), self.holds(screen["bars_when"]))
            for screen in screens
            if screen["kind"] in ("danger", "safety", "competence") and _named(screen["bars_when"]) <= spoken
        ]
        return self._nowhere([self.fits(claim.get("plans", {})), self.holds(claim["wherever"]), z3.Or(barred)])

    def _nowhere(self, against: Sequence[Any]) -> bool:
        """Whether there is no world in which all of it holds."""
        self.solver.push()
        self.solver.add(*against)
        found = self.solver.check()
        self.solver.pop()
        assert found in (z3.sat, z3.unsat), "the solver gave up"
        return bool(found == z3.unsat)


def _named(raw: Raw) -> set[str]:
    """The facts of a condition."""
    if "fact" in raw:
        return {raw["fact"]}
    parts = [*raw.get("all", ()), *raw.get("any", ()), *([raw["not"]] if "not" in raw else [])]
    return {name for part in parts for name in _named(part)}


def _with_parents(names: set[str]) -> set[str]:
    """The facts and those without which they mean nothing or which leave them fewer words."""
    found: set[str] = set()
    left = sorted(names)
    while left:
        name = left.pop()
        if name not in found:
            found.add(name)
            fact = BY_NAME.get(name)
            if fact is not None:
                left += [parent for parent, _ in fact.applies] + ([fact.within[0]] if fact.within else [])
    return found
