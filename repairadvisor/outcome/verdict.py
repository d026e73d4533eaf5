"""What to do with a joint that was made and measured: the verdict, as every surface shows it.

Frozen dataclasses without behaviour. Losses are dB and positive, times ISO 8601 in UTC, money the policy's currency
unit. ``None`` means "not worked out" or "does not apply". Words come from the policy.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Keep it; make it again; ask somebody who may decide more; not yet: one thing comes first.
ACCEPT, REDO, ESCALATE, WITHHELD = "accept", "redo", "escalate", "withheld"
VERDICTS = (ACCEPT, REDO, ESCALATE, WITHHELD)

#: The one thing to do before a verdict can be given.
DO_FIRST = (
    "clean",
    "re_lay",
    "measure_other_way",
    "measure_loss",
    "measure_reflectance",
    "pull_test",
    "trace_whole_link",
)

#: What decided, gates first: the verdict's ``reason``.
REASONS = (
    "strength",
    "inspection",
    "reflectance",
    "link_loss",
    "not_measured",
    "bend",
    "one_way",
    "common_cause",
    "owner_limit",
    "usual_limit",
    "budget",
    "money",
    "attempts_used_up",
    "within",
)

#: What is still owed where a joint is kept for the time being: the verdict's ``owed``.
OWED = ("reverse_trace", "longer_wavelength", "link_level")


@dataclass(frozen=True, slots=True)
class LossRead:
    """What is concluded of the loss at one wavelength, of the fibre that loses most where a ribbon is judged.

    ``loss_db`` is the average of both ways, or a reading from one end less the step that unlike fibres make; between
    ``low_db`` and ``high_db`` the truth lies with the policy's confidence. ``ways`` 1 or 2.
    """

    nm: int
    ways: int
    loss_db: float
    low_db: float
    high_db: float


@dataclass(frozen=True, slots=True)
class Owed:
    """Something still owed: what (one of ``OWED``), in words, and until when."""

    what: str
    said: str
    by: str


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

    ``fibres`` names all fibres it speaks of, ``fibre`` the one that decided; ``joint`` is its number on the fibre and
    ``joints_read`` how many joints the readings hold together. ``limit_db`` is the greatest loss, read as this one was
    read, at which this attempt would be accepted; ``limit_from`` says what set it ("owner", "usual", "money", or ""
    where anything is accepted). ``below_limit_db`` is what is left of it; ``margin_left_db`` what is left of the link's
    margin if the joint is kept. ``chance_within`` is the chance that the true loss is within owner's or usual limit.
    ``do_first`` is one of ``DO_FIRST`` where the verdict is withheld, else "". ``cautions`` are (tag, text).
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
    made_at: str
    now: str
    policy: str
    method_version: str
