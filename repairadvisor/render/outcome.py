"""Verdicts on joints as plain text: for a terminal, for a program that asks for text, and for the note in a ticket.

A line is whole, and renderers decide nothing: what to do and why is said by the verdict itself.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Sequence

from repairadvisor.outcome.verdict import ACCEPT, Verdict
from repairadvisor.render import figures
from repairadvisor.render.prose import prose
from repairadvisor.render.sentences import caution, one_line
from repairadvisor.render.voice import Voice
from repairadvisor.schemas.outcome_answer import AttemptTold, OutcomeAnswer, WorkSoFar, in_order_of_names

#: What needs doing stands first.
_ORDER = ("withheld", "escalate", "redo", "accept")
_NUMBERED = re.compile(r"(?P<name>.*?)(?P<number>[0-9]{1,9})")
_WIDTH = 80


def render(answer: OutcomeAnswer, voice: Voice) -> str:
    """The answer to a report, for a terminal, ending with a line break."""
    lines = [_standing(answer.verdicts, voice), *_verdict_lines(answer.verdicts, voice)]
    lines = [prose(voice, line) for line in (*lines, *_readings(answer.verdicts, voice))]
    lines += _closing(answer.evidence, answer.due_on, "", voice, is_temporary=answer.is_temporary)
    lines.append(_told(answer, voice))
    if answer.id:
        lines.append(voice.say("work", "kept_as", id=answer.id))
    return _page(lines)


def render_work(work: WorkSoFar, voice: Voice) -> str:
    """All that is known of the work under an advice, ending with a line break."""
    return _page([voice.say("work", "advice", id=work.advice), *note_lines(work, "", voice)])


def _told(answer: OutcomeAnswer, voice: Voice) -> str:
    new, corrected, known = answer.attempts_new, answer.attempts_corrected, answer.attempts_known
    if corrected and known:
        return voice.say("work", "told_corrected_known", new=new, corrected=corrected, known=known)
    if corrected:
        return voice.say("work", "told_corrected", new=new, corrected=corrected)
    return voice.say("work", "told_known", new=new, known=known) if known else voice.say("work", "told", new=new)


def _page(lines: Iterable[str]) -> str:
    wrapped = [textwrap.fill(one_line(line), _WIDTH, subsequent_indent="  ", break_on_hyphens=False) for line in lines]
    return "\n".join(wrapped) + "\n"


def note_lines(work: WorkSoFar, follow_up: str, voice: Voice) -> list[str]:
    """The lines of the note on the work in a ticket: the first says how it stands. ``follow_up`` is the reference of
    the ticket that was opened for the permanent repair, or ""."""
    said = [_standing(work.verdicts, voice), *_verdict_lines(work.verdicts, voice)]
    lines = [prose(voice, line) for line in said]
    lines += [voice.say("work", "attempts"), *(_attempt(one, voice) for one in work.attempts)]
    return [*lines, *_closing(work.evidence, work.due_on, follow_up, voice, is_temporary=work.is_temporary)]


def verdict_word(verdict: str, voice: Voice) -> str:
    """A verdict as a headline says it."""
    return voice.say("work", "verdict", verdict)


def _standing(verdicts: Sequence[Verdict], voice: Voice) -> str:
    """How the work stands, in one line."""
    counts = {word: sum(len(one.fibres) for one in verdicts if one.verdict == word) for word in _ORDER}
    counted = [
        voice.say("work", "counted", verdict=verdict_word(word, voice), n=count)
        for word, count in counts.items()
        if count
    ]
    said = voice.say("work", "between").join(counted) or voice.say("work", "standing_none")
    joints = sum(counts.values())
    if joints == 1:
        return voice.say("work", "standing_one", n=joints, verdicts=said)
    return voice.say("work", "standing", n=joints, verdicts=said)


def _verdict_lines(verdicts: Sequence[Verdict], voice: Voice) -> list[str]:
    """Verdicts in whole lines: first the cautions, then what has to be done, joint by joint, and then what may stay.

    What several say in the same words is said once, with the fibres it is said of.
    """
    cautions = dict.fromkeys(text for one in verdicts for _, text in one.cautions)
    lines = [caution(text, voice) for text in cautions]
    for one in sorted(verdicts, key=lambda one: _ORDER.index(one.verdict)):
        lines += _to_do(one, voice) if one.verdict != ACCEPT else []
    kept = [one for one in verdicts if one.verdict == ACCEPT]
    lines += _together(kept, lambda one: [_accepted(one, voice)])
    lines += _together(verdicts, lambda one: [voice.say("work", "next", fibres=_HERE, what=x) for x in one.differently])
    lines += _together(kept, lambda one: _owed(one, voice))
    missing = _together(verdicts, lambda one: [voice.say("work", "missing", fibres=_HERE, what=x) for x in one.missing])
    return [*lines, *missing]


def _accepted(one: Verdict, voice: Voice) -> str:
    verdict = verdict_word("provisional" if one.provisional else ACCEPT, voice)
    joint = _joints(one, voice)
    return voice.say("work", "accepted", verdict=verdict, fibres=_HERE, joint=joint, limit=one.limit_said)


def _owed(verdict: Verdict, voice: Voice) -> list[str]:
    lines = [voice.say("work", "owed", fibres=_HERE, what=one.said) for one in verdict.owed]
    if verdict.owed_by:
        lines.append(voice.say("work", "owed_by", fibres=_HERE, moment=figures.moment(voice, verdict.owed_by)))
    return lines


#: Where the fibres of a line come that several verdicts may say.
_HERE = "\N{OBJECT REPLACEMENT CHARACTER}"


def _together(verdicts: Iterable[Verdict], said: Callable[[Verdict], list[str]]) -> list[str]:
    """What verdicts say, each line once, with the fibres of all that say it."""
    fibres: dict[str, list[str]] = {}
    for one in verdicts:
        for line in said(one):
            fibres.setdefault(line, []).extend(one.fibres)
    return [line.replace(_HERE, stretches(in_order_of_names(names)), 1) for line, names in fibres.items()]


def _joints(verdict: Verdict, voice: Voice) -> str:
    if verdict.joints_read == 1:
        return str(verdict.joint)
    last = verdict.joint + verdict.joints_read - 1
    return voice.say("work", "read_together", joint=verdict.joint, last=last)


def _to_do(verdict: Verdict, voice: Voice) -> list[str]:
    """A verdict after which something has to be done."""
    lines = [
        voice.say(
            "work",
            "to_do",
            verdict=verdict_word(verdict.verdict, voice),
            fibres=stretches(verdict.fibres),
            joint=_joints(verdict, voice),
            attempt=verdict.attempt,
            method=voice.named("work", "method", verdict.method),
            say=verdict.say,
        )
    ]
    if verdict.because.rstrip(".") not in verdict.say:
        lines.append(voice.say("work", "why", because=verdict.because))
    lines += [_read(verdict, voice), verdict.limit_said, _left(verdict, voice)]
    if verdict.do_first_said not in verdict.say:
        lines.append(voice.say("work", "first", what=verdict.do_first_said))
    if verdict.another is not None:
        lines.append(verdict.another.said)
    if verdict.to_whom and verdict.with_what:
        things = voice.say("work", "between_things").join(verdict.with_what)
        lines.append(voice.say("work", "to_with", whom=verdict.to_whom, what=things))
    elif verdict.to_whom:
        lines.append(voice.say("work", "to", whom=verdict.to_whom))
    return [line for line in lines if line]


def _readings(verdicts: Sequence[Verdict], voice: Voice) -> list[str]:
    """What was read of the joints that may stay."""
    return [
        voice.say(
            "work",
            "readings",
            fibres=stretches(one.fibres),
            joint=_joints(one, voice),
            attempt=one.attempt,
            read=_read(one, voice),
        )
        for one in verdicts
        if one.verdict == ACCEPT and one.losses
    ]


def _read(verdict: Verdict, voice: Voice) -> str:
    said = []
    for one in verdict.losses:
        told = {
            "loss": figures.loss(voice, one.read_db),
            "nm": one.nm,
            "low": figures.fixed(voice, one.low_db, 2),
            "high": figures.loss(voice, one.high_db),
        }
        both = one.ways == 2
        said.append(voice.say("work", "reading_both", **told) if both else voice.say("work", "reading_one", **told))
    return voice.say("work", "read", readings=voice.say("work", "between_things").join(said)) if said else ""


def _left(verdict: Verdict, voice: Voice) -> str:
    parts = []
    if verdict.below_limit_db is not None:
        loss = figures.loss(voice, abs(verdict.below_limit_db))
        is_below = verdict.below_limit_db >= 0
        parts.append(
            voice.say("work", "below_limit", loss=loss) if is_below else voice.say("work", "above_limit", loss=loss)
        )
    if verdict.margin_left_db is not None:
        parts.append(voice.say("work", "margin_left", loss=figures.loss(voice, verdict.margin_left_db)))
    if verdict.chance_within is not None:
        parts.append(voice.say("work", "chance_within", chance=figures.chance(voice, verdict.chance_within)))
    return voice.say("work", "ended", parts=voice.say("work", "between_things").join(parts)) if parts else ""


def _attempt(one: AttemptTold, voice: Voice) -> str:
    both = [voice.say("work", "loss_both", loss=figures.loss(voice, db), nm=nm) for nm, db in one.loss_db.items()]
    single = [voice.say("work", "loss_one", loss=figures.loss(voice, db), nm=nm) for nm, db in one.one_way_db.items()]
    read = [voice.say("work", "between").join(losses) for losses in (both, single) if losses]
    said = {
        "fibres": stretches(one.fibres),
        "joint": one.joint,
        "attempt": one.attempt,
        "method": voice.named("work", "method", one.method),
        "read": voice.say("work", "between_things").join(read) or voice.say("work", "no_loss"),
    }
    if one.verdict:
        return voice.say("work", "attempt_judged", verdict=verdict_word(one.verdict, voice), **said)
    return voice.say("work", "attempt", **said)


def _closing(evidence: Sequence[str], due_on: str, follow_up: str, voice: Voice, *, is_temporary: bool) -> list[str]:
    lines = [voice.say("work", "evidence", what=one) for one in evidence]
    if is_temporary and due_on:
        lines.append(voice.say("work", "temporary", day=due_on))
    elif is_temporary:
        lines.append(voice.say("work", "temporary_no_day"))
    if follow_up:
        lines.append(voice.say("work", "follow_up", ticket=follow_up))
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
