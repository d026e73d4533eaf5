"""Verdicts on joints as plain text: for a terminal, for a program that asks for text, and for the note in a ticket.

A line is whole, and renderers decide nothing: what to do and why is said by the verdict itself.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence

from repairadvisor.outcome.verdict import ACCEPT, Verdict
from repairadvisor.render import figures
from repairadvisor.render.sentences import one_line
from repairadvisor.schemas.outcome_answer import AttemptTold, OutcomeAnswer, WorkSoFar, in_order_of_names

HEADLINES = {"accept": "ACCEPT", "redo": "REDO", "escalate": "ESCALATE", "withheld": "WITHHELD"}
#: What needs doing stands first.
_ORDER = tuple(HEADLINES)[::-1]
_NUMBERED = re.compile(r"(?P<name>.*?)(?P<number>[0-9]{1,9})")
_WIDTH = 80


def render(answer: OutcomeAnswer) -> str:
    """The answer to a report, for a terminal, ending with a line break."""
    lines = [_standing(answer.verdicts), *verdict_lines(answer.verdicts), *_readings(answer.verdicts)]
    lines += _closing(answer.evidence, answer.due_on, "", is_temporary=answer.is_temporary)
    again = f"; {answer.attempts_known} had been told just so before" if answer.attempts_known else ""
    corrected = f"; {answer.attempts_corrected} otherwise than before: what is told last counts"
    lines.append(f"Attempts told: {answer.attempts_new} new{corrected if answer.attempts_corrected else ''}{again}.")
    if answer.id:
        lines.append(f"Kept as {answer.id}")
    return _page(lines)


def render_work(work: WorkSoFar) -> str:
    """All that is known of the work under an advice, ending with a line break."""
    return _page([f"Advice {work.advice}", *note_lines(work, "")])


def _page(lines: Iterable[str]) -> str:
    wrapped = [textwrap.fill(one_line(line), _WIDTH, subsequent_indent="  ", break_on_hyphens=False) for line in lines]
    return "\n".join(wrapped) + "\n"


def note_lines(work: WorkSoFar, follow_up: str) -> list[str]:
    """The lines of the note on the work in a ticket: the first says how it stands. ``follow_up`` is the reference of
    the ticket that was opened for the permanent repair, or ""."""
    lines = [_standing(work.verdicts), *verdict_lines(work.verdicts)]
    lines += ["Attempts", *(_attempt(one) for one in work.attempts)]
    return [*lines, *_closing(work.evidence, work.due_on, follow_up, is_temporary=work.is_temporary)]


def _standing(verdicts: Sequence[Verdict]) -> str:
    """How the work stands, in one line."""
    counts = {word: sum(len(one.fibres) for one in verdicts if one.verdict == word) for word in _ORDER}
    said = ", ".join(f"{HEADLINES[word]} {count}" for word, count in counts.items() if count)
    joints = sum(counts.values())
    return f"WORK DONE: {joints} {'joint' if joints == 1 else 'joints'} reported: {said or 'none judged'}."


def verdict_lines(verdicts: Sequence[Verdict]) -> list[str]:
    """Verdicts in whole lines: first the cautions, then what has to be done, joint by joint, and then what may stay.

    What several say in the same words is said once, with the fibres it is said of.
    """
    cautions = dict.fromkeys(text for one in verdicts for _, text in one.cautions)
    lines = [f"CAUTION: {text}" for text in cautions]
    for one in sorted(verdicts, key=lambda one: _ORDER.index(one.verdict)):
        lines += _to_do(one) if one.verdict != ACCEPT else []
    kept = [one for one in verdicts if one.verdict == ACCEPT]
    lines += _together(kept, lambda one: [f"ACCEPT{_provisional(one)}: {{}}, joint {_joints(one)}. {one.limit_said}"])
    lines += _together(verdicts, lambda one: [f"Next, {{}}: {text}" for text in one.differently])
    lines += _together(kept, _owed)
    return [*lines, *_together(verdicts, lambda one: [f"Missing, {{}}: {text}" for text in one.missing])]


def _provisional(verdict: Verdict) -> str:
    return " FOR THE TIME BEING" if verdict.provisional else ""


def _owed(verdict: Verdict) -> list[str]:
    lines = [f"Owed, {{}}: {one.said}" for one in verdict.owed]
    return [*lines, *([f"Owed by, {{}}: {figures.moment(verdict.owed_by)}"] if verdict.owed_by else [])]


def _together(verdicts: Iterable[Verdict], said: Callable[[Verdict], list[str]]) -> list[str]:
    """What verdicts say, each line once; ``{}`` in it becomes the fibres of all that say it."""
    fibres: dict[str, list[str]] = {}
    for one in verdicts:
        for line in said(one):
            fibres.setdefault(line, []).extend(one.fibres)
    return [line.replace("{}", stretches(in_order_of_names(names)), 1) for line, names in fibres.items()]


def _joints(verdict: Verdict) -> str:
    if verdict.joints_read == 1:
        return str(verdict.joint)
    return f"{verdict.joint} to {verdict.joint + verdict.joints_read - 1}, read together"


def _to_do(verdict: Verdict) -> list[str]:
    """A verdict after which something has to be done."""
    where = f"{stretches(verdict.fibres)}, joint {_joints(verdict)}"
    how = f"attempt {verdict.attempt}, {figures.words(verdict.method)}"
    lines = [f"{HEADLINES[verdict.verdict]}: {where}, {how}. {verdict.say}"]
    lines += [f"Why: {verdict.because}"] if verdict.because.rstrip(".") not in verdict.say else []
    lines += [_read(verdict), verdict.limit_said, _left(verdict)]
    if verdict.do_first_said not in verdict.say:
        lines.append(f"First: {verdict.do_first_said}")
    if verdict.another is not None:
        lines.append(verdict.another.said)
    if verdict.to_whom:
        lines.append(f"To: {verdict.to_whom}" + (f", with {'; '.join(verdict.with_what)}" if verdict.with_what else ""))
    return [line for line in lines if line]


def _readings(verdicts: Sequence[Verdict]) -> list[str]:
    """What was read of the joints that may stay."""
    kept = [one for one in verdicts if one.verdict == ACCEPT and one.losses]
    return [f"{stretches(one.fibres)}, joint {_joints(one)}, attempt {one.attempt}: {_read(one)}" for one in kept]


def _read(verdict: Verdict) -> str:
    said = []
    for one in verdict.losses:
        ways = "both ways" if one.ways == 2 else "from one end"
        between = f"between {figures.fixed(one.low_db, 2)} and {figures.loss(one.high_db)}"
        said.append(f"{figures.loss(one.read_db)} at {one.nm} nm {ways}, {between}")
    return f"Read {'; '.join(said)}." if said else ""


def _left(verdict: Verdict) -> str:
    parts = []
    if verdict.below_limit_db is not None:
        beside = "below" if verdict.below_limit_db >= 0 else "above"
        parts.append(f"{figures.loss(abs(verdict.below_limit_db))} {beside} the limit")
    if verdict.margin_left_db is not None:
        parts.append(f"margin left {figures.loss(verdict.margin_left_db)}")
    if verdict.chance_within is not None:
        parts.append(f"chance to be within it {figures.chance(verdict.chance_within)}")
    return f"{'; '.join(parts)}." if parts else ""


def _attempt(one: AttemptTold) -> str:
    said = [_losses(one.loss_db, ""), _losses(one.one_way_db, " from one end")]
    read = "; ".join(part for part in said if part) or "no loss measured"
    where = f"{stretches(one.fibres)}, joint {one.joint}, attempt {one.attempt}"
    verdict = f"; {HEADLINES[one.verdict]}" if one.verdict else ""
    return f"{where}: {figures.words(one.method)}, {read}{verdict}"


def _losses(by_wavelength: Mapping[str, float], how: str) -> str:
    return ", ".join(f"{figures.loss(loss)} at {nm} nm{how}" for nm, loss in by_wavelength.items())


def _closing(evidence: Sequence[str], due_on: str, follow_up: str, *, is_temporary: bool) -> list[str]:
    lines = [f"Evidence: {one}" for one in evidence]
    if is_temporary:
        due = f"due on {due_on}" if due_on else "no day has been set for it: set day and person before leaving"
        lines.append(f"TEMPORARY: a permanent repair is owed, {due}.")
    if follow_up:
        lines.append(f"Follow-up ticket: {follow_up}")
    return lines


def stretches(names: Sequence[str]) -> str:
    """Names of fibres, those that follow each other as one stretch: T1F1..T1F12, T3F7."""
    said: list[str] = []
    first = last = ""
    for name in names:
        if last and _follows(last, name):
            last = name
            continue
        said += [_stretch(first, last)] if last else []
        first = last = name
    return ", ".join([*said, _stretch(first, last)])


def _stretch(first: str, last: str) -> str:
    return first if first == last else f"{first}..{last}"


def _follows(before: str, after: str) -> bool:
    """Whether two names are the same but for a number at the end that is one more."""
    one, next_one = _NUMBERED.fullmatch(before), _NUMBERED.fullmatch(after)
    if one is None or next_one is None or one["name"] != next_one["name"]:
        return False
    number = int(one["number"]) + 1
    width = len(one["number"]) if one["number"].startswith("0") else 1
    return next_one["number"] == f"{number:0{width}}"
