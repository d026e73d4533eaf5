"""From named texts to a :class:`~repairadvisor.policy.model.Policy`. The edge reads the files.

Refuses by file, key and allowed keys. A policy's id is the SHA-256 of the canonical merged policy, in which numbers
stand as decimal texts and keys in order, so the same policy has the same id on every machine and after every restart.
What is read is the canonical text, never the files themselves: so two sets of files with one id are one policy, also in
the order of its tables, and a policy can be had again from its canonical text alone.
"""

from __future__ import annotations

import functools
import hashlib
import re
import tomllib
from collections.abc import Collection, Iterator, Mapping

from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.canonical import canonical_text, plain_of
from repairadvisor.policy.earlier_words import with_earlier
from repairadvisor.policy.model import (
    Caution,
    Control,
    Derived,
    FactPolicy,
    KitItem,
    MinutesRow,
    Number,
    Policy,
    PriceRow,
    Screen,
    Slot,
    StepRow,
)
from repairadvisor.policy.plan import sensible_plans
from repairadvisor.policy.read_after_work import AFTER_WORK_FILE, read_after_work, read_to_do
from repairadvisor.policy.read_claims import CLAIM_FILE, read_claims
from repairadvisor.policy.read_light import read_joint, read_light
from repairadvisor.policy.read_numbers import read_crew, read_facts, read_minutes, read_plan_words, read_price
from repairadvisor.policy.read_rules import (
    read_cautions,
    read_control,
    read_derived,
    read_kit,
    read_screen,
    read_slot,
    read_steps,
)
from repairadvisor.policy.table import Table, read_number

#: Every file a policy is made of. Screens may be spread over several files of their own.
FILES = (
    "plan_words.toml",
    "limits.toml",
    "derived.toml",
    "slots.toml",
    "facts.toml",
    "minutes.toml",
    "prices.toml",
    "crew.toml",
    "joints.toml",
    "cautions.toml",
    "steps.toml",
    "kit.toml",
    "hazard_control.toml",
    "wording.toml",
    "surfaces.toml",
    "claims.toml",
    "after_work.toml",
)
#: The files that hold words alone: those of an answer, and those of the pages and papers around it.
WORDING_FILES = ("wording.toml", "surfaces.toml")
SCREEN_FILES = "screens_"
UNITS_OF_MONEY = ("cu", "cu/h")
LONGEST_FILE = 2_000_000
MOST_KEY_PARTS = 20
#: A dotted key is read in time that grows with the square of its parts.
_LONG_KEY = re.compile(r"^\s*\[{0,2}[\w-]+(?:\s*\.\s*[\w-]+){" + str(MOST_KEY_PARTS) + r"}", re.MULTILINE)


def load_policy(texts: Mapping[str, str]) -> Policy:
    """The policy that the files, given as name and text, hold. Raises PolicyError with file and key."""
    return read_policy({name: parsed(name, texts[name]) for name in sorted(texts)})


def read_policy(raw: Mapping[str, Mapping[str, object]]) -> Policy:
    """The policy that parsed files, by name, hold. Raises PolicyError with file and key.

    Rows that say ``remove = true`` count as not there, but belong to what the id is made of.
    """
    _refuse_other_files(raw)
    return _read(canonical_text(raw))


def load_canonical(canonical: bytes) -> Policy:
    """The policy again from its canonical text. Raises PolicyError where this is none that this program can read."""
    raw = plain_of(canonical)
    # What was kept before pages took their words from the policy decides as it did.
    _refuse_other_files({"surfaces.toml": {}, **raw})
    if canonical_text(raw) != canonical:
        raise PolicyError("policy", "is no canonical text")
    return _read(canonical)


def _read(canonical: bytes) -> Policy:
    raw = _without_removed(plain_of(canonical))
    return _Loader(raw).policy(hashlib.sha256(canonical).hexdigest(), canonical)


def _refuse_other_files(names: Collection[str]) -> None:
    for name in FILES:
        if name not in names:
            raise PolicyError(name, "is missing")
    for name in names:
        if name not in FILES and not name.startswith(SCREEN_FILES):
            raise PolicyError(name, "is no file of a policy", ", ".join((*FILES, f"{SCREEN_FILES}….toml")))


def _without_removed(raw: Mapping[str, object]) -> dict[str, object]:
    return {
        name: {key: _kept(value) for key, value in table.items()} if isinstance(table, Mapping) else table
        for name, table in raw.items()
    }


def _kept(value: object) -> object:
    if not isinstance(value, list):
        return value
    return [row for row in value if not (isinstance(row, Mapping) and row.get("remove") is True)]


def parsed(name: str, text: str) -> dict[str, object]:
    """The tables of one file. Raises PolicyError for what is too long, nested too deep or not TOML."""
    if len(text) > LONGEST_FILE:
        raise PolicyError(name, f"is longer than {LONGEST_FILE} characters")
    if _LONG_KEY.search(text):
        raise PolicyError(name, "has a key of too many parts", f"at most {MOST_KEY_PARTS}")
    try:
        text.encode()
        return _tables(text)
    except RecursionError as error:
        raise PolicyError(name, "is nested too deep") from error
    except (
        ValueError,
        OverflowError,
    ) as error:  # tomllib's own error, a lone surrogate, a number of thousands of digits
        raise PolicyError(name, f"is not TOML: {str(error)[:200]}") from error


@functools.lru_cache(maxsize=64)
def _tables(text: str) -> dict[str, object]:
    """Read once: the files under an overlay are read with each one again. Nothing changes what is handed out."""
    return tomllib.loads(text)


class _Loader:
    """Reads the parsed files one after the other; what is read first is needed by what follows."""

    def __init__(self, raw: Mapping[str, object]) -> None:
        self.raw = raw
        self.words, self.rows, self.barred = read_plan_words(self.table("plan_words.toml"))
        self.limits = self._limits()
        self.derived = self._derived()

    def table(self, name: str) -> Table:
        return Table(name, self.raw[name])

    def policy(self, policy_id: str, canonical: bytes) -> Policy:
        prices = self.table("prices.toml")
        joints = self.table("joints.toml")
        crew = self.table("crew.toml")
        after = self.table(AFTER_WORK_FILE)
        places = BY_NAME["place"].words
        policy = Policy(
            id=policy_id,
            canonical=canonical,
            plans=sensible_plans(self.words, self.rows),
            limits=self.limits,
            derived=self.derived,
            screens=tuple(self._screens()),
            slots=tuple(self._slots()),
            facts=self._facts(),
            minutes=tuple(self._minutes()),
            prices=tuple(self._prices(prices)),
            rates={name: _rate(name, table) for name, table in prices.tables("rate")},
            after_work=read_after_work(after),
            to_do=read_to_do(after, self.words["method"], self._tags()),
            crew_by_place=read_crew(crew, "least_by_place", places),
            crew_by_access=read_crew(crew, "least_by_access", self.words["access"]),
            joints={
                (joint.method, joint.mode): joint
                for joint in (read_joint(row, self.words) for row in joints.rows("joint"))
            },
            light=read_light(joints, prices, self.words),
            cautions=self._cautions(),
            steps=self._steps(),
            kit=self._kit(),
            controls=tuple(self._controls()),
            wording=self._wording(),
            barred_on_purpose=tuple(self.barred),
            claims=read_claims(self.table(CLAIM_FILE), self.words, self.derived, self.limits, self._tags()),
        )
        for table in (prices, joints, crew):
            table.done()
        _refuse_doubles(policy)
        _refuse_unnamed(policy)
        return policy

    def _limits(self) -> dict[str, Number]:
        limits: dict[str, Number] = {}
        for name in self.raw:
            table = self.table(name)
            if name == CLAIM_FILE:
                continue  # a rule that used a claim's figure would be measured by itself
            for key, row in table.tables("limit"):
                if key in limits:
                    raise PolicyError(row.where, "is named twice")
                limits[key] = read_number(key, row)
        return limits

    def _derived(self) -> dict[str, Derived]:
        table = self.table("derived.toml")
        derived = {name: read_derived(name, row, self.limits) for name, row in table.tables("derived")}
        table.done()
        return derived

    def _screens(self) -> Iterator[Screen]:
        for name in self.raw:
            if name.startswith(SCREEN_FILES):
                table = self.table(name)
                table.take("limit", dict, {})
                for row in table.rows("screen"):
                    yield read_screen(row, self.words, self.limits, self.derived)
                table.done()

    def _slots(self) -> Iterator[Slot]:
        table = self.table("slots.toml")
        table.take("limit", dict, {})
        for row in table.rows("slot"):
            yield read_slot(row, self.limits, self.derived)
        table.done()

    def _facts(self) -> dict[str, FactPolicy]:
        table = self.table("facts.toml")
        facts = read_facts(table)
        table.done()
        return facts

    def _minutes(self) -> Iterator[MinutesRow]:
        table = self.table("minutes.toml")
        for row in table.rows("minutes"):
            yield read_minutes(row, self.words)
        table.done()

    def _prices(self, table: Table) -> Iterator[PriceRow]:
        for row in table.rows("price"):
            yield read_price(row, self.words)

    def _cautions(self) -> tuple[Caution, ...]:
        table = self.table("cautions.toml")
        table.take("limit", dict, {})
        cautions = read_cautions(table, self.words, self.limits, self.derived)
        table.done()
        return cautions

    def _wording(self) -> dict[str, object]:
        """The words of all files together: a table stands in one of them."""
        found: dict[str, object] = {}
        for name in WORDING_FILES:
            for key, words in Table(name, self.raw.get(name, {})).raw.items():
                if key in found:
                    raise PolicyError(f"{name}: {key}", "stands in another file of words too")
                found[key] = words
        return with_earlier(found)

    def _tags(self) -> tuple[str, ...]:
        return tuple(self.table("cautions.toml").take("text", dict))

    def _steps(self) -> tuple[StepRow, ...]:
        table = self.table("steps.toml")
        table.take("limit", dict, {})
        steps = read_steps(table.rows("step"), self.words, self.limits, self.derived)
        table.done()
        return steps

    def _kit(self) -> tuple[KitItem, ...]:
        table = self.table("kit.toml")
        table.take("limit", dict, {})
        items = read_kit(table.rows("item"), self.words, self.limits, self.derived)
        table.done()
        return items

    def _controls(self) -> Iterator[Control]:
        table = self.table("hazard_control.toml")
        for row in table.rows("control"):
            yield read_control(row, self.words, self.limits, self.derived)
        table.done()


def _rate(name: str, table: Table) -> Number:
    """A rate; one in money may be a range. Others are used where a policy is compiled."""
    return read_number(name, table, may_range=table.raw.get("unit") in UNITS_OF_MONEY)


def _refuse_unnamed(policy: Policy) -> None:
    """A fact or a word that nobody gave a name to could not be asked for."""
    names, words = (policy.wording.get(key, {}) for key in ("fact_name", "word"))
    assert isinstance(names, Mapping)
    assert isinstance(words, Mapping)
    for fact in BY_NAME.values():
        if fact.name not in names:
            raise PolicyError(f"wording.toml: fact_name.{fact.name}", "is missing")
        for word in fact.words:
            if word not in words.get(fact.name, {}):
                raise PolicyError(f"wording.toml: word.{fact.name}.{word}", "is missing")


def _refuse_doubles(policy: Policy) -> None:
    """Two rows of one kind under one id: nobody could say which is meant."""
    for kind, rows in (
        ("screen", policy.screens),
        ("slot", policy.slots),
        ("minutes", policy.minutes),
        ("price", policy.prices),
        ("step", policy.steps),
        ("item", policy.kit),
        ("control", policy.controls),
        ("claim", policy.claims),
        ("do", policy.to_do),
    ):
        seen: set[str] = set()
        for row in rows:
            if row.id in seen:
                raise PolicyError(f"{kind} {row.id}", "is named twice")
            seen.add(row.id)
