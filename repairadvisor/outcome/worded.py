"""A decision on a joint put into words of the policy: what every surface shows of it. Decides nothing."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from repairadvisor.decision.answer import moment_text
from repairadvisor.decision.method import METHOD_VERSION
from repairadvisor.decision.reasons import Words
from repairadvisor.outcome.conclusions import Concluded
from repairadvisor.outcome.deciding import Decision, Made
from repairadvisor.outcome.reported import UNKNOWN, Attempt
from repairadvisor.outcome.rule_of_joint import Work
from repairadvisor.outcome.verdict import ACCEPT, ESCALATE, WITHHELD, Another, LossRead, Owed, Verdict
from repairadvisor.policy.after_work import ToDo

_TIDY = 6


def worded(work: Work, made: Made, decision: Decision, now: datetime) -> Verdict:
    """The verdict as a document."""
    return _Worded(work, made, decision).verdict(now)


class _Worded:
    """One decision, part by part."""

    def __init__(self, work: Work, made: Made, decision: Decision) -> None:
        self.work, self.made, self.decision = work, made, decision
        self.policy = work.rules.policy
        self.words = Words(self.policy.wording)
        self.rule = decision.rule
        self.unlike = made.joints_read * decision.rule.unlike_db
        self.limit_db = self._limit()
        self.limit_from = self._limit_from()

    def verdict(self, now: datetime) -> Verdict:
        decision, made = self.decision, self.made
        why = self._why()
        owed = self._owed()
        rows = [row for row in self.policy.to_do if self._fits(row)]
        return Verdict(
            verdict=decision.verdict,
            reason=decision.reason,
            say=self._say(why, owed),
            because=self._sentence(why),
            fibre=decision.fibre,
            fibres=made.fibres,
            joint=made.last.joint,
            joints_read=made.joints_read,
            method=made.last.method,
            attempt=made.last.attempt,
            do_first=decision.do_first,
            do_first_said=self.words.say("do_first", decision.do_first) if decision.do_first else "",
            provisional=bool(owed),
            owed=owed,
            losses=self._losses(),
            limit_db=_tidy(self.limit_db),
            limit_from=self.limit_from,
            limit_said=self._limit_said(),
            below_limit_db=self._below_limit(),
            margin_left_db=self._margin_left(),
            chance_within=_tidy(decision.within),
            chance_missed=_tidy(decision.missed),
            chance_common_cause=round(self._cause(), _TIDY),
            another=self._another(),
            differently=tuple(row.text for row in rows),
            missing=self._missing(),
            to_whom=self.words.say("verdict_to_whom", decision.to_whom) if decision.to_whom else "",
            with_what=self._with_what(),
            cautions=self._cautions(rows),
            owed_by=self._owed_by(owed),
            made_at=moment_text(made.last.made_at),
            now=moment_text(now.astimezone(UTC)),
            policy=self.work.rules.policy_id,
            method_version=METHOD_VERSION,
        )

    # --- limits and losses --------------------------------------------------------------------------------------

    def _limit(self) -> float | None:
        """The greatest reading that is kept, unlike mode fields and the step of a trace from one end in it."""
        greatest, read = self.rule.greatest_kept_db, self.decision.read
        if greatest is None or read is None:
            return None
        step = read.read_db - read.high_db if read.ways == 1 else 0.0
        return max(greatest, 0.0) + self.unlike + step

    def _limit_from(self) -> str:
        greatest, given = self.rule.greatest_kept_db, self.rule.given
        if greatest is None:
            return ""
        return self.rule.limit.set_by if given.within(greatest + 0.01) < given.confidence else "money"

    def _limit_said(self) -> str:
        if self.limit_db is None:
            return self.words.say("verdict_limit", "none") if self.rule.greatest_kept_db is None else ""
        from_one_end = self.limit_db < 0.0
        return self.words.say("verdict_limit", "gain" if from_one_end else self.limit_from, **self._figures())

    def _below_limit(self) -> float | None:
        read = self.decision.read
        return None if self.limit_db is None or read is None else _tidy(self.limit_db - read.read_db)

    def _margin_left(self) -> float | None:
        before, loss = self.rule.margin_before_db, self.decision.loss_db
        if before is None or loss is None:
            return None
        return _tidy(self.rule.given.redo.budget.margin_db - max(loss - self.unlike, 0.0))

    def _losses(self) -> tuple[LossRead, ...]:
        by_nm = self.made.case.concluded.get(self.decision.fibre, {})
        return tuple(_loss_read(by_nm[nm]) for nm in sorted(by_nm))

    # --- words --------------------------------------------------------------------------------------------------

    def _figures(self) -> dict[str, object]:
        """Everything that a sentence may be filled with."""
        decision, rule, last = self.decision, self.rule, self.made.last
        read = decision.read
        owner = rule.limit.set_by == "owner"
        found: dict[str, object] = {
            "joint": last.joint,
            "last": last.joint + self.made.joints_read - 1,
            "loss": "" if decision.loss_db is None else f"{decision.loss_db:.2f}",
            "gain": "" if read is None else f"{abs(read.read_db):.2f}",
            "nm": self.made.governing_nm if read is None else read.nm,
            "ways": "" if read is None else self._ways(read.ways),
            "limit": "" if self.limit_db is None else f"{self.limit_db:.2f}",
            "joint_limit": f"{self.made.joints_read * rule.limit.limit_db + self.unlike:.2f}",
            "confidence": f"{100.0 * rule.given.confidence:.0f}",
            "within": "" if decision.within is None else self._in_100(decision.within),
            "helps": self._in_100(rule.chance_it_helps),
            "cause": self._in_100(rule.chance_of_cause),
            "closes": "" if decision.missed is None else self._in_100(1.0 - decision.missed),
            "whose": self.words.say("verdict_limit", "owners" if owner else "usuals"),
            "left": self._left_said(),
            "ended_by": self.words.say("verdict_ended_by", rule.left.ended_by),
            "n": last.attempt if decision.reason == "attempts_used_up" else rule.bad_in_a_row,
            "reflectance_limit": f"{self.made.case.reflectance_limit_db or 0.0:g}",
        }
        found.update({name: f"{value:g}" for name, value in _rounded(decision.figures).items()})
        return found

    def _why(self) -> str:
        decision, figures = self.decision, self._figures()
        if decision.gate_why:
            figures["gate"] = self.words.say("verdict_why", decision.gate_why, **figures)
        return self.words.say("verdict_why", decision.why, **figures)

    def _say(self, why: str, owed: tuple[Owed, ...]) -> str:
        decision = self.decision
        several = "joint_several" if self.made.joints_read > 1 else "joint_one"
        figures = {
            **self._figures(),
            "joint": self.words.say("verdict", several, **self._figures()),
            "why": why,
            "owed": self.words.listed([one.said for one in owed]),
            "do_first": self.words.say("do_first", decision.do_first) if decision.do_first else "",
            "to_whom": self.words.say("verdict_to_whom", decision.to_whom) if decision.to_whom else "",
        }
        key = "accept_provisional" if decision.verdict == ACCEPT and owed else decision.verdict
        return self.words.say("verdict", key, **figures)

    def _sentence(self, why: str) -> str:
        return why[:1].upper() + why[1:] + "."

    def _in_100(self, chance: float) -> str:
        """How many of a hundred, rounded down; nothing is said to happen in none, since a chance that comes out as none
        differs from a very small one by the rounding of floats alone."""
        whole = int(100.0 * chance + 1e-9)
        return f"{whole}" if whole else self.words.say("chance", "below_one")

    def _ways(self, ways: int) -> str:
        return self.words.say("verdict", "both_ways" if ways == 2 else "one_way")

    def _left_said(self) -> str:
        count = self._attempts_left()
        key = "attempts_none" if count == 0 else "attempts_one" if count == 1 else "attempts"
        return self.words.say("verdict", key, n=count)

    # --- another attempt ----------------------------------------------------------------------------------------

    def _attempts_left(self) -> int:
        return self.rule.left.count if self.rule.given.again < float("inf") else 0

    def _another(self) -> Another | None:
        """What another attempt would do, where there may be one."""
        left = self._attempts_left()
        if left == 0:
            return None
        rule, currency = self.rule, self.words.say("cost", "currency")
        costs, minutes = f"{rule.costs:.0f} {currency}", f"{rule.minutes:.0f}"
        figures = {**self._figures(), "costs": costs, "minutes": minutes}
        return Another(
            chance_it_helps=round(rule.chance_it_helps, _TIDY),
            costs=round(rule.costs, 2),
            currency=currency,
            minutes=round(rule.minutes, 1),
            attempts_left=left,
            said=self.words.say("verdict_another", "said", **figures),
        )

    def _cause(self) -> float:
        """The chance of a common cause: after the bad ones in a row, this one among them unless it is kept."""
        if self.decision.verdict == ACCEPT:
            return self.work.cause(self.made.last.method, self.made.service, len(self.made.fibres)).chance(0)
        return self.rule.chance_of_cause

    # --- what is owed, missing, handed on -----------------------------------------------------------------------

    def _owed(self) -> tuple[Owed, ...]:
        found = []
        for what in self.decision.owed:
            hours = self.policy.after_work[f"{what}_owed_h"].value
            found.append(Owed(what, self.words.say("verdict_owed", what, hours=f"{hours:g}"), hours))
        return tuple(found)

    def _owed_by(self, owed: tuple[Owed, ...]) -> str:
        if not owed:
            return ""
        return moment_text(self.made.last.made_at + timedelta(hours=min(one.within_h for one in owed)))

    def _missing(self) -> tuple[str, ...]:
        """Evidence that nobody has given, whatever the verdict."""
        case, last = self.made.case, self.made.last
        read = case.concluded.get(self.decision.fibre, {})
        wanted = {
            "reverse_trace": any(one.ways == 1 for one in read.values()),
            "governing_wavelength": self.made.governing_nm not in read,
            "longer_wavelength": case.mode == "single_mode" and len(read) == 1 and self.made.governing_nm in read,
            "reflectance": any(one.reflectance_db is None for one in case.attempts),
            "pull_test": case.bare and any(one.pull_test == UNKNOWN for one in case.attempts),
            "inspection": case.plug and any(one.inspection == UNKNOWN for one in case.attempts),
            "link_level": self.made.all_made and case.unexplained_db is None,
            "margin": self.rule.margin_before_db is None,
            "fibre_types": not self.work.types_told(),
            "tray_fibre": case.bare and last.tray_fibre_near_m is None and last.tray_fibre_far_m is None,
        }
        return tuple(
            self.words.say("verdict_missing", key, nm=self.made.governing_nm) for key, is_ in wanted.items() if is_
        )

    def _with_what(self) -> tuple[str, ...]:
        """What whoever is asked needs: every attempt, what made it, what is left."""
        if self.decision.verdict != ESCALATE:
            return ()
        last = self.made.last
        lines = [self._attempt_line(one) for one in self.made.history]
        if last.machine_estimate_db is not None:
            lines.append(self.words.say("verdict_with", "estimate", estimate=f"{last.machine_estimate_db:.2f}"))
        if last.reflectance_db is not None:
            lines.append(self.words.say("verdict_with", "reflectance", reflectance=f"{last.reflectance_db:g}"))
        if last.machine or last.cleaver:
            made_by = {"machine": last.machine or self._not_told(), "cleaver": last.cleaver or self._not_told()}
            lines.append(self.words.say("verdict_with", "made_by", **made_by))
        if last.tray_fibre_near_m is not None or last.tray_fibre_far_m is not None:
            sides = {"near": self._metres(last.tray_fibre_near_m), "far": self._metres(last.tray_fibre_far_m)}
            lines.append(self.words.say("verdict_with", "fibre_left", **sides))
        margin = self._margin_left()
        if margin is not None:
            lines.append(self.words.say("verdict_with", "margin", margin=f"{margin:.2f}"))
        return tuple(lines)

    def _metres(self, length: float | None) -> str:
        return self._not_told() if length is None else f"{length:g} m"

    def _not_told(self) -> str:
        return self.words.say("verdict_with", "not_told")

    def _attempt_line(self, attempt: Attempt) -> str:
        reading = attempt.reading(self.made.governing_nm) or next(iter(attempt.readings), None)
        if reading is None:
            return self.words.say("verdict_with", "unread", attempt=attempt.attempt)
        figures = {"loss": f"{reading.loss_db:.2f}", "nm": reading.nm, "ways": self._ways(reading.ways)}
        return self.words.say("verdict_with", "reading", attempt=attempt.attempt, **figures)

    # --- what to do ---------------------------------------------------------------------------------------------

    def _fits(self, row: ToDo) -> bool:
        decision = self.decision
        asked = (
            (row.verdicts, decision.verdict),
            (row.reasons, decision.reason),
            (row.methods, self.made.last.method),
            (row.do_first, decision.do_first if decision.verdict == WITHHELD else ""),
        )
        return all(not words or word in words for words, word in asked)

    def _cautions(self, rows: list[ToDo]) -> tuple[tuple[str, str], ...]:
        texts = {row.tag: row.text for row in self.policy.cautions}
        tags = dict.fromkeys(tag for row in rows for tag in row.cautions)
        return tuple((tag, texts[tag]) for tag in tags)


def _loss_read(one: Concluded) -> LossRead:
    low, high = max(one.low_db - 2.0 * one.sigma_db, 0.0), max(one.high_db + 2.0 * one.sigma_db, 0.0)
    return LossRead(one.nm, one.ways, round(one.read_db, _TIDY), round(low, _TIDY), round(high, _TIDY))


def _rounded(figures: Mapping[str, float]) -> dict[str, float]:
    return {name: round(value, 2) for name, value in figures.items()}


def _tidy(number: float | None) -> float | None:
    return None if number is None else round(number, _TIDY)
