"""Reading the whole jobs of tests/cases, and what it means that an advice agrees with one."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from repairadvisor.decision.advice import Advice

CASES = Path(__file__).parent / "cases"
PLAN_WORDS = ("method", "layout", "position", "access", "shelter", "stage")


@dataclass(frozen=True)
class Job:
    """One whole job: facts in, what a splicer would do."""

    id: str
    says: str
    now: datetime
    facts: Mapping[str, Any]
    accept: tuple[Mapping[str, Any], ...]
    refuse: tuple[Mapping[str, Any], ...]
    expect: Mapping[str, Any]


def whole_jobs() -> list[Job]:
    """Every job of every file, in a fixed order."""
    jobs = []
    for path in sorted(CASES.glob("*.toml")):
        for raw in tomllib.loads(path.read_text())["job"]:
            now = raw["now"] if isinstance(raw["now"], datetime) else datetime.fromisoformat(raw["now"])
            facts = {name: _plain(value) for name, value in raw["facts"].items()}
            job = Job(
                raw["id"], raw["says"], now, facts, tuple(raw["accept"]), tuple(raw.get("refuse", ())), raw["expect"]
            )
            jobs.append(job)
    return jobs


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else value


def fits(advice: Advice, entry: Mapping[str, Any]) -> bool:
    """Whether an advice fits a partial answer: its action, and every plan word the entry judges."""
    if entry.get("action", advice.action) != advice.action:
        return False
    for word in PLAN_WORDS:
        if word in entry:
            wanted = [entry[word]] if isinstance(entry[word], str) else entry[word]
            if advice.plan is None or getattr(advice.plan, word) not in wanted:
                return False
    return True


def disagreements(job: Job, advice: Advice) -> list[str]:
    """Everything in which an advice differs from what the job expects; nothing when they agree."""
    plan = "no plan" if advice.plan is None else advice.plan.phrase
    said = f"{advice.action}: {plan}"
    wrong = [f"{said} is refused: {entry.get('why', '')}" for entry in job.refuse if fits(advice, entry)]
    accepted = [entry for entry in job.accept if fits(advice, entry)]
    if not accepted:
        wrong.append(f"{said} is not among the accepted")
    if wrong:
        return wrong
    return [*_cautions(job, advice), *_repair(job, advice), *_other(job, advice)]


def _cautions(job: Job, advice: Advice) -> list[str]:
    if advice.action == "ask_first" and any("repair" in entry.get("action", ()) for entry in job.accept):
        return []  # the cautions of the work come with the work
    shown = {caution.tag for caution in advice.cautions}
    return [f"caution {tag} is missing" for tag in job.expect.get("cautions", ()) if tag not in shown]


def _repair(job: Job, advice: Advice) -> list[str]:
    if advice.action != "repair":
        return []
    wrong = []
    expect = job.expect
    if advice.crew.persons < expect.get("crew_least", 0):
        wrong.append(f"crew of {advice.crew.persons}, at least {expect['crew_least']}")
    checked = {name for check in advice.checks_on_arrival for name in check.facts}
    wrong += [f"no check on {name}" for name in expect.get("checks_on", ()) if name not in checked]
    first = next((entry for entry in job.accept if entry.get("action") == "repair"), None)
    if first is not None and fits(advice, first):
        wrong += _light(expect, advice)
        items = " / ".join(line.item.lower() for line in advice.kit)
        wrong += [f"nothing in the kit is a {item}" for item in expect.get("kit", ()) if item.lower() not in items]
    return wrong


def _light(expect: Mapping[str, Any], advice: Advice) -> list[str]:
    wrong = []
    if "joints" in expect and advice.loss is not None and advice.loss.joints != expect["joints"]:
        wrong.append(f"{advice.loss.joints} joints, not {expect['joints']}")
    if advice.loss is None:
        return wrong
    first = next(iter(advice.loss.by_wavelength.values()))
    for key, value in (("loss_median_db", first.p50_db), ("loss_p95_db", first.p95_db)):
        if key in expect and not expect[key][0] <= value <= expect[key][1]:
            wrong.append(f"{key} {value:.3f} outside {expect[key]}")
    return wrong


def _other(job: Job, advice: Advice) -> list[str]:
    wrong = []
    if advice.action == "ask_first":
        asked = {question.fact for question in advice.questions}
        wrong += [f"does not ask {name}" for name in job.expect.get("asks", ()) if name not in asked]
    if advice.action == "make_safe_and_wait" and "until_mentions" in job.expect:
        word = job.expect["until_mentions"].lower()
        if advice.wait is None or word not in advice.wait.until.lower():
            wrong.append(f"does not wait for {word}")
    return wrong
