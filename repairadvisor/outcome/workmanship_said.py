"""What a chart says, as sentences of the policy's wording, and what it does not say."""

from __future__ import annotations

from datetime import datetime

from repairadvisor.decision.reasons import Words
from repairadvisor.outcome.control_chart import LOWER, UPPER, average_run_length

_NOT_SAID = ("why", "whom", "rank", "nothing", "silence", "policy")


class Said:
    """Sentences about charts with an allowance and a decision interval."""

    def __init__(self, words: Words, allowance: float, interval: float) -> None:
        self._words = words
        self._length = {shift: round(average_run_length(shift, allowance, interval)) for shift in (0.0, 0.5, 1.0)}

    def signal(self, side: str, at: datetime, since: datetime, joints: int, mean_score: float) -> str:
        """When it signalled, and since when joints are otherwise."""
        days = {"at": at.date().isoformat(), "since": since.date().isoformat()}
        return self._say(side, shift=f"{abs(mean_score):.1f}", joints=self._joints(joints), **days)

    def together(self, kind: str, id: str, joints: int, of: int, mean_score: float) -> str:  # noqa: A002
        """In how many of the joints behind a signal somebody or something else took part."""
        if joints == of:
            return self._say("together", kind, share=self._say("all"), id=id)
        side = UPPER if mean_score > 0.0 else LOWER
        share = self._say("share", side, joints=self._joints(joints), shift=f"{abs(mean_score):.1f}")
        return self._say("together", kind, share=share, id=id)

    def usually(self, side: str, kind: str) -> tuple[str, ...]:
        """What usually lies behind such a signal. Raises PolicyError where the wording has no list of it."""
        return self._words.listed_at("workmanship", "causes", side, kind)

    def how_it_stands(self, joints: int, since_signal: int | None) -> tuple[str, ...]:
        """What there is to say where no signal is, or since the last one."""
        if since_signal is not None:
            return (self._say("quiet_since", joints=self._joints(since_signal)),) if since_signal else ()
        if joints >= self._length[1.0]:
            return (self._say("quiet"),)
        return self._say("quiet"), self._say("few", joints=self._joints(joints), most=self._length[1.0])

    def in_a_row(self, signals: int, at: datetime, since: datetime) -> tuple[str, ...]:
        """Where several signals on one side followed one another: how many, and the first one."""
        if signals < 2:
            return ()
        return (self._say("in_a_row", n=signals, at=at.date().isoformat(), since=since.date().isoformat()),)

    def not_said(self) -> tuple[str, ...]:
        """What is not to be read into any chart."""
        figures = {"false": self._length[0.0], "slow": self._length[0.5]}
        return tuple(self._say("does_not_say", key, **figures) for key in _NOT_SAID)

    def _joints(self, n: int) -> str:
        return self._say("joint_one") if n == 1 else self._say("joints", n=n)

    def _say(self, *path: str, **fields: object) -> str:
        return self._words.say("workmanship", *path, **fields)
