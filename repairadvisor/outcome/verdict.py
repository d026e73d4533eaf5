"""What to do with a joint that was made and measured: the verdict, as every surface shows it.

Frozen dataclasses without behaviour. Losses are dB and positive, times ISO 8601 in UTC, money the policy's currency
unit. ``None`` means "not worked out" or "does not apply". Words come from the policy.
"""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.policy.after_work import VERDICTS

ACCEPT, REDO, ESCALATE, WITHHELD = VERDICTS

#: What is still owed where a joint is kept for the time being: the verdict's ``owed``.
OWED = ("reverse_trace", "longer_wavelength", "link_level")


@dataclass(frozen=True, slots=True)
class LossRead:
    """What is concluded of the loss at one wavelength, of the fibre that loses most where a ribbon is judged.

    ``read_db`` is the average of both ways, or the reading from one end, which also holds the step that unlike fibres
    make; the loss lies between ``low_db`` and ``high_db``, steps that may be there and twice the noise allowed for, and
    is nothing at least. ``ways`` 1 or 2.
    """

    nm: int
    ways: int
    read_db: float
    low_db: float
    high_db: float


@dataclass(frozen=True, slots=True)
class Owed:
    """Something still owed: what (one of ``OWED``), in words, and within how many hours of the attempt."""

    what: str
    said: str
    within_h: float


@dataclass(frozen=True, slots=True)
class Another:
    """One more attempt: the chance that it is kept at the limit of this one, what it costs (its work, and the service
    that waits), its minutes (median), and how many are left, this one not counted."""

    chance_it_helps: float
    costs: float
    currency: str
    minutes: float
    attempts_left: int
    said: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict on the last attempt at one joint of one fibre, or of a ribbon as one.

    ``verdict``, ``reason`` and ``do_first`` are words of :mod:`repairadvisor.policy.after_work`; ``do_first`` is
    "" unless the verdict is withheld. ``fibres`` are all it speaks of, ``fibre`` the one that decided; ``joint`` is its
    number on the fibre and ``joints_read`` how many joints the readings hold together. ``limit_db`` is the greatest
    reading at which this attempt would be accepted (None where any would, or where nothing was read); ``limit_from``
    says what set it ("owner", "usual", "money", ""), ``below_limit_db`` what is left of it. ``margin_left_db``: of the
    link's margin, if the joint is kept. ``chance_within``: that the true loss keeps the limit for one joint.
    ``chance_missed``: that the link does not close if it is kept (None where the margin is not known). ``cautions`` are
    pairs of tag and text. ``owed_by`` is the moment until which the first of what is owed has to be there, "" of none.
    """

    verdict: str
    reason: str
    say: str
    because: str
    fibre: str
    fibres: tuple[str, ...]
    joint: int
    joints_read: int
    method: str
    attempt: int
    do_first: str
    do_first_said: str
    provisional: bool
    owed: tuple[Owed, ...]
    losses: tuple[LossRead, ...]
    limit_db: float | None
    limit_from: str
    limit_said: str
    below_limit_db: float | None
    margin_left_db: float | None
    chance_within: float | None
    chance_missed: float | None
    chance_common_cause: float
    another: Another | None
    differently: tuple[str, ...]
    missing: tuple[str, ...]
    to_whom: str
    with_what: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...]
    owed_by: str
    made_at: str
    now: str
    policy: str
    method_version: str
