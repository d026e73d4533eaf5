"""Pocket cards as they were made: each once, whoever asks and however many processes there are.

Making one takes seconds. Whoever is to make it claims it first; others see the claim and wait. Whoever is at it says so
time and again; a claim of which nothing was heard for long was left by a maker that died, and is taken over.
"""

from __future__ import annotations

import zlib
from datetime import datetime, timedelta

from sqlalchemy import Column, Engine, ForeignKey, LargeBinary, String, Table, and_, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from repairadvisor.errors import NotFoundError
from repairadvisor.store.database import RecordsError, UtcDateTime, metadata, reading, writing
from repairadvisor.store.records import advices

#: So often whoever makes a card says that it is still at it, seconds; and after so long without it counts as dead: four
#: times may be missed on a busy machine.
BEAT_S = 20.0
SILENT_FOR = timedelta(seconds=90)

cards = Table(
    "cards",
    metadata,
    Column("advice_id", String(32), ForeignKey("advices.id"), primary_key=True),
    Column("maker", String(32), nullable=False),
    Column("claimed_at", UtcDateTime, nullable=False),
    Column("card", LargeBinary, nullable=True),
)


class Cards:
    """The cards in one database, which is migrated already."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def kept(self, advice_id: str) -> bytes | None:
        """The card of an advice; None where it is not made yet. Raises :class:`RecordsError` for a spoilt one."""
        with reading(self._engine) as connection:
            query = select(cards.c.card).where(cards.c.advice_id == advice_id)
            packed: bytes | None = connection.execute(query).scalar_one_or_none()
        if packed is None:
            return None
        try:
            return zlib.decompress(packed)
        except zlib.error as error:
            raise RecordsError(f"the card of advice {advice_id} is spoilt: {error}") from error

    def claim(self, advice_id: str, maker: str, now: datetime) -> bool:
        """Claim the making of a card. False where it is made, or another maker is at it.

        Raises :class:`NotFoundError` where no such advice is kept.
        """
        row = {"advice_id": advice_id, "maker": maker, "claimed_at": now}
        try:
            with writing(self._engine) as connection:
                connection.execute(insert(cards).values(row))
        except IntegrityError:
            return self._take_over(advice_id, maker, now)
        return True

    def _take_over(self, advice_id: str, maker: str, now: datetime) -> bool:
        """Claim what somebody claimed and never made."""
        left = and_(cards.c.advice_id == advice_id, cards.c.card.is_(None), cards.c.claimed_at < now - SILENT_FOR)
        with writing(self._engine) as connection:
            if connection.execute(update(cards).where(left).values(maker=maker, claimed_at=now)).rowcount:
                return True
            if connection.execute(select(advices.c.id).where(advices.c.id == advice_id)).first() is None:
                raise NotFoundError("advice", advice_id)
            return False

    def still_at_it(self, advice_id: str, maker: str, now: datetime) -> bool:
        """Say that a claimed card is still being made; False where the claim was lost."""
        mine = and_(cards.c.advice_id == advice_id, cards.c.maker == maker, cards.c.card.is_(None))
        with writing(self._engine) as connection:
            return bool(connection.execute(update(cards).where(mine).values(claimed_at=now)).rowcount)

    def keep(self, advice_id: str, maker: str, card: bytes) -> bool:
        """Keep a card that was claimed; False where the claim was lost to another maker, whose card counts."""
        mine = and_(cards.c.advice_id == advice_id, cards.c.maker == maker, cards.c.card.is_(None))
        with writing(self._engine) as connection:
            return bool(connection.execute(update(cards).where(mine).values(card=zlib.compress(card))).rowcount)

    def let_go(self, advice_id: str, maker: str) -> None:
        """Give a claim back: the card could not be made."""
        mine = and_(cards.c.advice_id == advice_id, cards.c.maker == maker, cards.c.card.is_(None))
        with writing(self._engine) as connection:
            connection.execute(delete(cards).where(mine))
