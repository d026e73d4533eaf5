"""Advice as it was given: the facts, the policy, what compiling it came to, the document, byte for byte.

An advice can be made again years later only from exactly what it was made from, so nothing here reads,
sorts or writes again what it keeps. What is kept of a policy is kept for ever and never written over. The id of an
advice is given here and stands beside its document, not in it: two equal advices have equal documents.
"""

from __future__ import annotations

import hashlib
import uuid
import zlib
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import (
    Column,
    Engine,
    ForeignKey,
    LargeBinary,
    String,
    Table,
    Text,
    delete,
    func,
    insert,
    select,
)
from sqlalchemy.exc import IntegrityError

from repairadvisor.errors import NotFoundError
from repairadvisor.store.database import RecordsError, UtcDateTime, metadata, reading, writing

#: Half of the size for a sixth of the time that the best packing takes.
_QUICKLY = 1

policies = Table(
    "policies",
    metadata,
    Column("policy_id", String(64), primary_key=True),
    Column("canonical", LargeBinary, nullable=False),
)

advices = Table(
    "advices",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("given_at", UtcDateTime, nullable=False, index=True),
    Column("now", UtcDateTime, nullable=False),
    Column("facts", LargeBinary, nullable=False),
    Column("policy_id", String(64), ForeignKey("policies.policy_id"), nullable=False),
    Column("vocabulary_version", Text, nullable=False),
    Column("method_version", Text, nullable=False),
    Column("document", LargeBinary, nullable=False),
    Column("action", Text, nullable=False),
    Column("ticket", Text, nullable=True, index=True),
    Column("asked", String(64), nullable=True),
    Column("request", LargeBinary, nullable=True),
)

compiled_policies = Table(
    "compiled_policies",
    metadata,
    Column("policy_id", String(64), ForeignKey("policies.policy_id"), primary_key=True),
    Column("method_version", String(40), primary_key=True),
    Column("tables", LargeBinary, nullable=False),
)

proven_policies = Table(
    "proven_policies",
    metadata,
    Column("policy_id", String(64), ForeignKey("policies.policy_id"), primary_key=True),
    Column("method_version", String(40), primary_key=True),
    Column("proven_at", UtcDateTime, nullable=False),
    Column("proofs", LargeBinary, nullable=False),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceRecord:
    """One advice and all that it was made from.

    ``given_at`` is when it was given and ``now`` the time it was told it is, both with a time zone;
    ``facts`` the canonical JSON of the facts as given; ``policy_id`` the SHA-256 of the canonical policy,
    as 64 hexadecimal digits; ``document`` the advice as JSON; ``action`` what it says to do, in one word;
    ``ticket`` whose ticket it answers, if anybody's; ``asked`` the SHA-256 of what was asked, where that counts;
    ``request`` the JSON of what was told, as it was told (None in records of versions that did not keep it).
    """

    given_at: datetime
    now: datetime
    facts: bytes
    policy_id: str
    vocabulary_version: str
    method_version: str
    document: bytes
    action: str
    ticket: str | None = None
    asked: str | None = None
    request: bytes | None = None

    def __post_init__(self) -> None:
        for name in ("given_at", "now"):
            if getattr(self, name).utcoffset() is None:
                raise ValueError(f"{name} has no time zone")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAdvice(AdviceRecord):
    """A record as it was kept, times in UTC, with the ``id`` it was given: 32 hexadecimal digits."""

    id: str


class Records:
    """The advices and policies in one database, which is migrated already."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    @property
    def engine(self) -> Engine:
        """The database that they are in."""
        return self._engine

    def save(self, record: AdviceRecord) -> str:
        """Keep ``record``, durably once this returns, and give its new id.

        Raises :class:`NotFoundError` when its policy was never kept; then nothing is saved.
        """
        advice_id = uuid.uuid4().hex
        try:
            with writing(self._engine) as connection:
                connection.execute(insert(advices).values(id=advice_id, **asdict(record)))
        except IntegrityError as error:
            if self._has_policy(record.policy_id):
                raise
            raise NotFoundError("policy", record.policy_id) from error
        return advice_id

    def save_once(self, advice_id: str, record: AdviceRecord) -> StoredAdvice:
        """Keep ``record`` under that id unless an advice is kept under it; the advice that is kept.

        Raises :class:`NotFoundError` when its policy was never kept; then nothing is saved.
        """
        try:
            with writing(self._engine) as connection:
                connection.execute(insert(advices).values(id=advice_id, **asdict(record)))
        except IntegrityError as error:
            if not self._has_policy(record.policy_id):
                raise NotFoundError("policy", record.policy_id) from error
        return self.get(advice_id)

    def get(self, advice_id: str) -> StoredAdvice:
        """The advice with that id, or :class:`NotFoundError`."""
        with reading(self._engine) as connection:
            row = connection.execute(select(advices).where(advices.c.id == advice_id)).mappings().one_or_none()
        if row is None:
            raise NotFoundError("advice", advice_id)
        return StoredAdvice(**row)

    def count(self) -> int:
        """How many advices are kept."""
        with reading(self._engine) as connection:
            return connection.execute(select(func.count()).select_from(advices)).scalar_one()

    def latest(self, limit: int) -> list[StoredAdvice]:
        """The ``limit`` advices given last, latest first; those of one moment in the order of their ids."""
        query = select(advices).order_by(advices.c.given_at.desc(), advices.c.id).limit(limit)
        with reading(self._engine) as connection:
            return [StoredAdvice(**row) for row in connection.execute(query).mappings()]

    def latest_ids(self, limit: int) -> list[str]:
        """The ids of the ``limit`` advices given last, latest first, in the order of :meth:`latest`."""
        query = select(advices.c.id).order_by(advices.c.given_at.desc(), advices.c.id).limit(limit)
        with reading(self._engine) as connection:
            return list(connection.execute(query).scalars())

    def policy_ids(self) -> list[str]:
        """The ids of all policies that are kept, in their order as texts."""
        with reading(self._engine) as connection:
            return list(connection.execute(select(policies.c.policy_id).order_by(policies.c.policy_id)).scalars())

    def keep_policy(self, policy_id: str, canonical: bytes) -> None:
        """Keep a policy for ever under its id; harmless to repeat.

        Raises :class:`ValueError` when ``policy_id`` is not the SHA-256 of ``canonical``: under a wrong id no
        advice could be made again.
        """
        digest = hashlib.sha256(canonical).hexdigest()
        if policy_id != digest:
            raise ValueError(f"policy {policy_id} has the SHA-256 {digest}")
        if self._has_policy(policy_id):
            return
        try:
            with writing(self._engine) as connection:
                connection.execute(insert(policies).values(policy_id=policy_id, canonical=canonical))
        except IntegrityError:
            # Another process kept the same policy between our look and our write.
            if not self._has_policy(policy_id):
                raise

    def policy(self, policy_id: str) -> bytes:
        """The canonical text of a policy as it was kept, or :class:`NotFoundError`."""
        query = select(policies.c.canonical).where(policies.c.policy_id == policy_id)
        with reading(self._engine) as connection:
            canonical: bytes | None = connection.execute(query).scalar_one_or_none()
        if canonical is None:
            raise NotFoundError("policy", policy_id)
        return canonical

    def keep_tables(self, policy_id: str, method_version: str, tables: bytes) -> bytes:
        """Keep for ever what compiling a policy came to under a version of the method; what is kept then. What was
        there already stays: advice was given from it.

        Raises :class:`NotFoundError` when the policy was never kept.
        """
        kept = self.tables(policy_id, method_version)
        if kept is not None:
            return kept
        row = {"policy_id": policy_id, "method_version": method_version, "tables": zlib.compress(tables, _QUICKLY)}
        try:
            with writing(self._engine) as connection:
                connection.execute(insert(compiled_policies).values(row))
        except IntegrityError as error:
            if not self._has_policy(policy_id):
                raise NotFoundError("policy", policy_id) from error
            kept = self.tables(policy_id, method_version)
            if kept is None:
                raise
            return kept  # another process was quicker
        return tables

    def tables(self, policy_id: str, method_version: str) -> bytes | None:
        """What compiling a policy came to under a version of the method, as it was kept; None where nothing was.

        Raises :class:`RecordsError` for what is not whole any more.
        """
        wanted = (compiled_policies.c.policy_id == policy_id, compiled_policies.c.method_version == method_version)
        with reading(self._engine) as connection:
            packed: bytes | None = connection.execute(
                select(compiled_policies.c.tables).where(*wanted)
            ).scalar_one_or_none()
        if packed is None:
            return None
        try:
            return zlib.decompress(packed)
        except zlib.error as error:
            raise RecordsError(f"what was compiled of policy {policy_id} is spoilt: {error}") from error

    def keep_proofs(self, policy_id: str, method_version: str, proven_at: datetime, proofs: bytes) -> None:
        """Keep what became of a policy's claims under a version of the method, in the place of what was kept before.

        Raises :class:`NotFoundError` when the policy was never kept.
        """
        if not self._has_policy(policy_id):
            raise NotFoundError("policy", policy_id)
        mine = (proven_policies.c.policy_id == policy_id, proven_policies.c.method_version == method_version)
        row = {"policy_id": policy_id, "method_version": method_version, "proven_at": proven_at, "proofs": proofs}
        with writing(self._engine) as connection:
            connection.execute(delete(proven_policies).where(*mine))
            connection.execute(insert(proven_policies).values(row))

    def proofs(self, policy_id: str, method_version: str) -> tuple[datetime, bytes] | None:
        """What became of a policy's claims, and when that was found out; None where nobody has looked."""
        wanted = (proven_policies.c.policy_id == policy_id, proven_policies.c.method_version == method_version)
        query = select(proven_policies.c.proven_at, proven_policies.c.proofs).where(*wanted)
        with reading(self._engine) as connection:
            found = connection.execute(query).first()
        return None if found is None else (found.proven_at, found.proofs)

    def _has_policy(self, policy_id: str) -> bool:
        query = select(policies.c.policy_id).where(policies.c.policy_id == policy_id)
        with reading(self._engine) as connection:
            return connection.execute(query).first() is not None
