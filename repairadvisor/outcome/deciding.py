"""From what was concluded of one joint to its verdict: gates, then the redo rule, then what is still wanted to keep it.

What decides and the figures of it are found here; :mod:`repairadvisor.outcome.worded` puts them into words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from repairadvisor.decision.redone import HOPELESS, OWNER
from repairadvisor.outcome.conclusions import Concluded
from repairadvisor.outcome.gates import MAKE_AGAIN, Case, Stopped, first_stop, wanted_to_keep
from repairadvisor.outcome.reported import ABOVE, BELOW, Attempt
from repairadvisor.outcome.rule_of_joint import JointRule, Work
from repairadvisor.outcome.verdict import ACCEPT, ESCALATE, REDO, WITHHELD

#: Whom to ask.
OWNER_OF_CABLE, SUPERVISOR = "owner", "supervisor"
_LONGEST_NM = 1550


@dataclass(frozen=True, slots=True)
class Made:
    """A joint as it was last made, with all that bears on it.

    ``others`` by fibre: the other joints made on it, as (joints that a reading holds, their loss in dB). ``history``:
    every attempt at it, of the fibre that stands first. ``all_made``: every joint of the fibre was made and measured.
    """

    service: str
    governing_nm: int
    case: Case
    joints_read: int
    others: Mapping[str, tuple[tuple[int, float], ...]]
    bad_before: int
    history: tuple[Attempt, ...]
    all_made: bool

    @property
    def last(self) -> Attempt:
        """The attempt that is judged, of the fibre that stands first."""
        return self.case.attempts[0]

    @property
    def fibres(self) -> tuple[str, ...]:
        """All fibres that were joined by it."""
        return tuple(dict.fromkeys(one.fibre for one in self.case.attempts))


@dataclass(frozen=True, slots=True)
class Decision:
    """What was decided: words of the verdict, ``why`` the sentence that says so and the ``figures`` it is filled with;
    of which fibre; what was read of it at the governing wavelength and the rule it was held against."""

    verdict: str
    reason: str
    why: str
    fibre: str
    rule: JointRule
    read: Concluded | None
    #: The loss that the rule was asked about, unlike mode fields and all, dB.
    loss_db: float | None
    do_first: str = ""
    figures: Mapping[str, float] = field(default_factory=dict)
    to_whom: str = ""
    within: float | None = None
    missed: float | None = None
    owed: tuple[str, ...] = ()
    #: A gate that asks for another attempt where none is left, to be said before that.
    gate_why: str = ""


def decide(work: Work, made: Made) -> Decision:
    """The decision on one joint."""
    return _Deciding(work, made).decision()


class _Deciding:
    """One joint, decided step by step."""

    def __init__(self, work: Work, made: Made) -> None:
        self.work, self.made, self.case = work, made, made.case
        self.figures = work.rules.policy.after_work
        self.fibre, self.read = self._worst()
        self.one_way = self.read is not None and self.read.ways == 1
        self.rule = self._rule()
        self.loss_db = self._loss(high=True)

    # --- what is judged -----------------------------------------------------------------------------------------

    def _worst(self) -> tuple[str, Concluded | None]:
        """The fibre that loses most, and what was read of it at the governing wavelength, or the nearest to it."""
        found: tuple[float, str, Concluded | None] = (-math.inf, self.made.last.fibre, None)
        for fibre, by_nm in self.case.concluded.items():
            loss = self.work.worst_at_governing(by_nm, self.made.last.method, self.made.service)
            if loss is not None and loss > found[0]:
                nm = min(by_nm, key=lambda one: (abs(one - self.made.governing_nm), one))
                found = (loss, fibre, by_nm[nm])
        return found[1], found[2]

    def _rule(self) -> JointRule:
        sigma = self.figures["reading_both_ways_sigma_db"].value if self.read is None else self.read.sigma_db
        return self.work.rule(
            self.made.last,
            self.made.service,
            sigma,
            one_way=self.one_way,
            fibres=len(self.made.fibres),
            joints_read=self.made.joints_read,
            bad_before=self.made.bad_before,
            others=self.made.others.get(self.fibre, ()),
        )

    def _loss(self, *, high: bool) -> float | None:
        """The most, or least, that the reading may mean at the governing wavelength, noise apart."""
        if self.read is None:
            return None
        loss = self.read.high_db if high else self.read.low_db
        return self.work.at_governing(loss, self.read.nm, self.made.last.method, self.made.service)

    def _own(self, loss_db: float) -> float:
        """What of a reading is the joint's own: unlike mode fields taken off."""
        return max(loss_db - self.made.joints_read * self.rule.unlike_db, 0.0)

    # --- the order of it --------------------------------------------------------------------------------------------

    def decision(self) -> Decision:
        stop = first_stop(self.case) or self._incomplete()
        if stop is not None:
            return self._stopped(stop)
        assert self.read is not None  # a gate stops what was not measured
        assert self.loss_db is not None
        found = self._one_way() if self.one_way else self._both_ways(self.loss_db)
        if found.verdict != ACCEPT:
            return found
        wanted = wanted_to_keep(self.case)
        return found if wanted is None else self._stopped(wanted)

    def _incomplete(self) -> Stopped | None:
        """A ribbon of which not every fibre was reported."""
        size = self.work.ribbon_size()
        if self.made.last.ribbon and size is not None and len(self.made.fibres) < size:
            figures = {"n": float(len(self.made.fibres)), "size": size}
            return Stopped("not_measured", "measure_loss", self.made.last.fibre, figures)
        return None

    def _stopped(self, stop: Stopped) -> Decision:
        why = _why_of(stop, self.case)
        if stop.do_first != MAKE_AGAIN:
            return self._decided(
                WITHHELD, stop.reason, why, do_first=stop.do_first, figures=stop.figures, of=stop.fibre
            )
        return self._again(stop.reason, why, stop.figures, stop.fibre)

    # --- the rule ---------------------------------------------------------------------------------------------------

    def _both_ways(self, loss_db: float) -> Decision:
        """Kept or made again by the reading; a bound decides only where its whole side does."""
        assert self.read is not None
        own = self._own(loss_db)
        keeps = self.rule.given.keeps(own)
        if self.read.bound in (BELOW, ABOVE) and keeps != (self.read.bound == BELOW):
            return self._decided(WITHHELD, "not_measured", "not_measured_bound", do_first="measure_loss")
        return self._kept(own) if keeps else self._not_kept(own)

    def _one_way(self) -> Decision:
        """One end bounds the loss: it is enough to cut what no ordinary fibres explain, and to keep for the time being
        what is well within the limit between fibres that are alike."""
        assert self.read is not None
        low, high = self._loss(high=False), self._loss(high=True)
        assert low is not None
        assert high is not None
        best, worst = self._own(low), self._own(high)
        if self.read.bound != BELOW and self._surely_bad(best):
            return self._not_kept(best)
        if self.read.gain:
            return self._decided(WITHHELD, "one_way", "one_way_gain", do_first="measure_other_way")
        if not self.work.alike(self.case.mode, self.made.last.joint):
            return self._decided(WITHHELD, "one_way", "one_way_unlike", do_first="measure_other_way")
        if self.read.bound == ABOVE or not self.rule.given.keeps(worst):
            return self._decided(WITHHELD, "one_way", "one_way_close", do_first="measure_other_way")
        return self._kept(worst)

    def _surely_bad(self, own_db: float) -> bool:
        """Whether hardly anything speaks for keeping it, whatever the fibres are."""
        cut = self.figures["one_way_confidence"].value
        given = self.rule.given
        missed = self.rule.margin_before_db is not None and given.if_kept(own_db).missed >= cut
        return given.within(own_db) <= 1.0 - cut or (missed and not given.pays(own_db))

    def _kept(self, own_db: float) -> Decision:
        missed = self._missed(own_db)
        if missed is not None and missed > 1.0 - self.work.floor():
            return self._decided(ESCALATE, "budget", "budget", to_whom=OWNER_OF_CABLE, figures={"missed": missed})
        owed = self._owed()
        why = "within" if self.rule.greatest_kept_db is not None else "within_any"
        return self._decided(ACCEPT, "within", why, owed=owed)

    def _not_kept(self, own_db: float) -> Decision:
        within = self.rule.given.within(own_db)
        if within >= self.rule.given.confidence:
            return self._again("money", "money", {}, self.fibre)
        owners = self.rule.limit.set_by == OWNER
        reason = "owner_limit" if owners else "usual_limit"
        if self._may_redo() and owners and self.rule.chance_it_helps < HOPELESS:
            return self._decided(ESCALATE, reason, "hopeless", to_whom=OWNER_OF_CABLE)
        return self._again(reason, reason, {}, self.fibre)

    def _may_redo(self) -> bool:
        return self.rule.given.again < math.inf

    def _again(self, reason: str, why: str, figures: Mapping[str, float], fibre: str) -> Decision:
        """Made again, or where it cannot be: whoever may decide is asked."""
        if self._may_redo():
            return self._decided(REDO, reason, why, figures=figures, of=fibre)
        ended_by = self.rule.left.ended_by
        by_loss = reason in ("owner_limit", "usual_limit", "money")
        if ended_by == "cause":
            return self._decided(ESCALATE, "common_cause", "common_cause", to_whom=SUPERVISOR)
        if ended_by == "count" and by_loss:
            return self._decided(ESCALATE, "attempts_used_up", "attempts_used_up", to_whom=SUPERVISOR)
        whom = OWNER_OF_CABLE if reason == "owner_limit" else SUPERVISOR
        if by_loss:
            return self._decided(ESCALATE, reason, "nothing_left", to_whom=whom)
        found = self._decided(ESCALATE, reason, "nothing_left_gate", to_whom=whom, figures=figures, of=fibre)
        return replace(found, gate_why=why)

    # --- figures ----------------------------------------------------------------------------------------------------

    def _missed(self, own_db: float) -> float | None:
        """P(the link does not close) if it is kept; None where nobody knows the margin."""
        if self.rule.margin_before_db is None:
            return None
        return min(max(self.rule.given.if_kept(own_db).missed, 0.0), 1.0)

    def _owed(self) -> tuple[str, ...]:
        """What keeps a verdict provisional."""
        read = self.case.concluded[self.fibre]
        found = ["reverse_trace"] if self.one_way else []
        if self.case.mode == "single_mode" and max(read) < min(_LONGEST_NM, self._longest_looked_at()):
            found.append("longer_wavelength")
        if self.made.all_made and self.case.unexplained_db is None:
            found.append("link_level")
        return tuple(found)

    def _longest_looked_at(self) -> int:
        """The longest wavelength that the service looks at: one that carries none cannot be hurt at it."""
        return max(self.work.rules.light.wavelengths(self.made.service))

    def _decided(
        self,
        verdict: str,
        reason: str,
        why: str,
        *,
        do_first: str = "",
        figures: Mapping[str, float] | None = None,
        to_whom: str = "",
        owed: tuple[str, ...] = (),
        of: str = "",
    ) -> Decision:
        own = None if self.loss_db is None else self._own(self.loss_db)
        return Decision(
            verdict=verdict,
            reason=reason,
            why=why,
            fibre=of or self.fibre,
            rule=self.rule,
            read=self.read,
            loss_db=self.loss_db,
            do_first=do_first,
            figures=figures or {},
            to_whom=to_whom,
            within=None if own is None else self.rule.given.within(own),
            missed=None if own is None else self._missed(own),
            owed=owed,
        )


def _why_of(stop: Stopped, case: Case) -> str:
    """The sentence that says why a gate stopped a joint."""
    if stop.reason == "strength":
        return "strength_failed" if stop.do_first == MAKE_AGAIN else "strength_unknown"
    if stop.reason == "inspection":
        seen = {one.fibre: one.inspection for one in case.attempts}[stop.fibre]
        return f"inspection_{seen}"
    if stop.reason == "reflectance":
        return "reflectance_above" if stop.do_first == MAKE_AGAIN else "reflectance_unknown"
    if stop.reason == "not_measured" and "size" in stop.figures:
        return "not_measured_ribbon"
    return stop.reason
