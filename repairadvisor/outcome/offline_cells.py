"""One joint as it may be reported from a card, and the sentence that a verdict on it comes to with figures left out.

Losses are whole hundredths of a decibel, reflectances whole decibels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from repairadvisor.outcome.reported import INSPECTIONS, PULL_TESTS, Attempt, Reading
from repairadvisor.outcome.verdict import Verdict

#: From which end a joint was read, as a card knows it.
BOTH, NEAR, FAR = "both_ways_db", "from_near_db", "from_far_db"
WAYS = (BOTH, NEAR, FAR)
NOTHING_MADE = None
#: How a reflectance stands to its limit.
KEPT, ABOVE, UNREAD = "kept", "above", "unread"
#: Where figures that were typed stand in a sentence: the loss, what is thrown back, a loss below nothing without sign.
LOSS_MARK, REFLECTANCE_MARK, GAIN_MARK = "\ue000", "\ue001", "\ue002"

Ask = Callable[[Sequence[Attempt]], Sequence[Verdict]]


@dataclass(frozen=True, slots=True)
class Said:
    """A verdict's word and sentence; :data:`LOSS_MARK` stands for the loss and :data:`REFLECTANCE_MARK` for the
    reflectance that was read. ``differently`` is what to do, ``cautions`` what to beware of at it."""

    verdict: str
    say: str
    differently: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Made:
    """What is asked about: the repair as a card knows it, and the moment it was advised for."""

    advice: str
    plan: str
    method: str
    nm: int
    joints: int
    attempts: int
    reflectance_limit_db: float | None
    now: datetime


@dataclass(frozen=True, slots=True)
class Cell:
    """One joint as it may be reported. ``lost``: hundredths that the fibre's other joint was read at, both ways."""

    joint: int
    attempt: int
    ways: str
    read: int
    lost: int | None = NOTHING_MADE
    pull_test: str = PULL_TESTS[0]
    inspection: str = INSPECTIONS[0]
    reflectance: str = KEPT
    #: The reflectance that was read, where it is above its limit.
    reflectance_db: int = 0


def reported(made: Made, cell: Cell, fibre: str) -> list[Attempt]:
    """The attempts of which a cell consists, as they would be reported."""
    attempt = Attempt(
        advice=made.advice,
        fibre=fibre,
        joint=cell.joint,
        method=made.method,
        attempt=cell.attempt,
        made_at=made.now,
        readings=(_reading(made.nm, cell),),
        reflectance_db=_reflectance_db(made, cell),
        pull_test=cell.pull_test,
        inspection=cell.inspection,
    )
    if cell.lost is NOTHING_MADE:
        return [attempt]
    other = Attempt(
        advice=made.advice,
        fibre=fibre,
        joint=made.joints + 1 - cell.joint,
        method=made.method,
        attempt=1,
        made_at=made.now,
        readings=(Reading(made.nm, both_ways_db=cell.lost / 100),),
    )
    return [attempt, other]


def _reading(nm: int, cell: Cell) -> Reading:
    read = cell.read / 100
    if cell.ways == BOTH:
        return Reading(nm, both_ways_db=read)
    return Reading(nm, from_near_db=read) if cell.ways == NEAR else Reading(nm, from_far_db=read)


def _reflectance_db(made: Made, cell: Cell) -> float | None:
    if cell.reflectance == UNREAD:
        return None
    if cell.reflectance == ABOVE:
        return float(cell.reflectance_db)
    return -90.0 if made.reflectance_limit_db is None else made.reflectance_limit_db


def verdicts_of(made: Made, cells: Sequence[Cell], ask: Ask) -> list[Verdict]:
    """The verdict on each cell, in their order: one question to the method, a fibre a cell."""
    attempts = [one for at, cell in enumerate(cells) for one in reported(made, cell, f"F{at}")]
    found = {(one.fibre, one.joint): one for one in ask(attempts)}
    return [found[f"F{at}", cell.joint] for at, cell in enumerate(cells)]


def forms(verdict: Verdict, cell: Cell) -> set[Said]:
    """A verdict's sentence, and all that it becomes where a figure that was typed may stand for another one."""
    sentences = _with_marks({verdict.say}, f"{cell.read / 100:.2f}", LOSS_MARK)
    if cell.read < 0:
        sentences = _with_marks(sentences, f"{-cell.read / 100:.2f}", GAIN_MARK)
    if cell.reflectance == ABOVE:
        sentences = _with_marks(sentences, f"{cell.reflectance_db:g}", REFLECTANCE_MARK)
    cautions = tuple(text for _, text in verdict.cautions)
    return {Said(verdict.verdict, say, verdict.differently, cautions) for say in sentences}


def _with_marks(sentences: Iterable[str], figure: str, mark: str) -> set[str]:
    """The sentences, and each with its first such figure marked."""
    found = set(sentences)
    for one in list(found):
        for place in _places(one, figure):
            found.add(one[:place] + mark + one[place + len(figure) :])
    return found


def _places(sentence: str, figure: str) -> Iterator[int]:
    place = sentence.find(figure)
    while place >= 0:
        before, after = sentence[place - 1 : place], sentence[place + len(figure) : place + len(figure) + 1]
        if not (before.isdigit() or before in (".", "-") or after.isdigit()):
            yield place
        place = sentence.find(figure, place + 1)


def with_(cell: Cell, **changes: object) -> Cell:
    parts = {name: getattr(cell, name) for name in Cell.__slots__}
    return Cell(**{**parts, **changes})


def of_state(made: Made, cell: Cell, state: tuple[str, str, str]) -> Cell:
    pull, face, thrown = state
    above = int(made.reflectance_limit_db or 0.0) + 1
    return with_(cell, pull_test=pull, inspection=face, reflectance=thrown, reflectance_db=min(above, 0))
