"""What goes in comes out: the same bytes, the same moments, whole or not at all."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import re
import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import FrozenInstanceError, fields, replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, event, text
from sqlalchemy.exc import IntegrityError

from repairadvisor.errors import NotFoundError
from repairadvisor.store import database
from repairadvisor.store.database import RecordsError, migrate, open_database, writing
from repairadvisor.store.records import AdviceRecord, Records, StoredAdvice

SPAWN = multiprocessing.get_context("spawn")

POLICY = b'{"operator":"Lanternfield Fibre","prices":{"closure":"84.50"}}'
POLICY_ID = hashlib.sha256(POLICY).hexdigest()
NOBODYS_POLICY_ID = hashlib.sha256(b"never kept").hexdigest()

GIVEN_AT = datetime(2031, 3, 1, 4, 12, 33, 250_001, tzinfo=UTC)

RECORD = AdviceRecord(
    given_at=GIVEN_AT,
    now=datetime(2031, 3, 1, 9, 42, tzinfo=timezone(timedelta(hours=5, minutes=30))),
    facts=b'{"place":"Heron Wharf","spare_near_m":12.5}',
    policy_id=POLICY_ID,
    vocabulary_version="1",
    method_version="1.0",
    document=b'{"action":"repair","words":"\xc2\xb5m"}',
    action="repair",
    ticket="LF-2031-0007",
)

any_bytes = st.binary(max_size=400)
per_function_fixture_is_meant = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.fixture
def kept(engine: Engine) -> Records:
    """Records that know the policy of ``RECORD``."""
    store = Records(engine)
    store.keep_policy(POLICY_ID, POLICY)
    return store


def test_an_advice_comes_back_as_it_was_saved(kept: Records) -> None:
    advice_id = kept.save(RECORD)
    stored = kept.get(advice_id)
    assert isinstance(stored, StoredAdvice)
    assert stored.id == advice_id
    for each in fields(AdviceRecord):
        assert getattr(stored, each.name) == getattr(RECORD, each.name), each.name


def test_its_moments_come_back_in_utc(kept: Records) -> None:
    stored = kept.get(kept.save(RECORD))
    assert stored.given_at.tzinfo is UTC
    assert stored.now.tzinfo is UTC
    assert stored.now.isoformat() == "2031-03-01T04:12:00+00:00"
    assert stored.given_at.microsecond == 250_001


def test_an_advice_without_a_ticket_comes_back_without_one(kept: Records) -> None:
    assert kept.get(kept.save(replace(RECORD, ticket=None))).ticket is None


@per_function_fixture_is_meant
@given(facts=any_bytes, document=any_bytes)
def test_any_bytes_in_are_the_same_bytes_out(kept: Records, facts: bytes, document: bytes) -> None:
    stored = kept.get(kept.save(replace(RECORD, facts=facts, document=document)))
    assert type(stored.facts) is bytes
    assert (stored.facts, stored.document) == (facts, document)


def test_a_document_of_a_megabyte_comes_back_whole(kept: Records) -> None:
    document = bytes(range(256)) * 4096
    assert kept.get(kept.save(replace(RECORD, document=document))).document == document


def test_the_same_record_saved_twice_is_two_advices(kept: Records) -> None:
    first, second = kept.save(RECORD), kept.save(RECORD)
    assert first != second
    assert re.fullmatch(r"[0-9a-f]{32}", first)
    assert kept.count() == 2


@pytest.mark.parametrize("name", ["given_at", "now"])
def test_a_record_without_a_time_zone_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match=f"{name} has no time zone"):
        replace(RECORD, **{name: datetime(2031, 3, 1)})  # noqa: DTZ001


def test_a_record_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        RECORD.action = "wait"  # type: ignore[misc]


@pytest.mark.parametrize("advice_id", ["", "0" * 32, "' OR 1=1 --", "x" * 1000])
def test_an_id_nobody_was_given_is_not_found(kept: Records, advice_id: str) -> None:
    kept.save(RECORD)
    with pytest.raises(NotFoundError) as caught:
        kept.get(advice_id)
    assert (caught.value.what, caught.value.name) == ("advice", advice_id)


# -- counting and listing --------------------------------------------------------------------------------


def test_an_empty_store_counts_nothing_and_lists_nothing(kept: Records) -> None:
    assert kept.count() == 0
    assert kept.latest(10) == []


def test_the_latest_advices_are_listed_latest_first(kept: Records) -> None:
    in_order_of_saving = [2, 0, 3, 1]
    ids = {n: kept.save(replace(RECORD, given_at=GIVEN_AT + timedelta(hours=n))) for n in in_order_of_saving}
    assert [stored.id for stored in kept.latest(3)] == [ids[3], ids[2], ids[1]]
    assert len(kept.latest(10)) == kept.count() == 4
    assert kept.latest(0) == []


def test_advices_of_one_moment_are_listed_in_one_order(kept: Records) -> None:
    ids = [kept.save(RECORD) for _ in range(6)]
    assert [stored.id for stored in kept.latest(6)] == sorted(ids)


def test_the_ids_of_the_latest_are_those_of_the_listed(kept: Records) -> None:
    for hours in (2, 0, 0, 1):
        kept.save(replace(RECORD, given_at=GIVEN_AT + timedelta(hours=hours)))
    for limit in (0, 3, 10):
        assert kept.latest_ids(limit) == [stored.id for stored in kept.latest(limit)]


def test_the_ids_of_all_policies_are_listed(kept: Records) -> None:
    other = hashlib.sha256(b"another").hexdigest()
    kept.keep_policy(other, b"another")
    assert kept.policy_ids() == sorted((POLICY_ID, other))


# -- policies --------------------------------------------------------------------------------------------


def test_a_policy_comes_back_byte_for_byte(kept: Records) -> None:
    assert kept.policy(POLICY_ID) == POLICY
    assert type(kept.policy(POLICY_ID)) is bytes


@per_function_fixture_is_meant
@given(canonical=any_bytes)
def test_keeping_a_policy_again_is_harmless(kept: Records, canonical: bytes) -> None:
    policy_id = hashlib.sha256(canonical).hexdigest()
    kept.keep_policy(policy_id, canonical)
    kept.keep_policy(policy_id, canonical)
    assert kept.policy(policy_id) == canonical
    assert kept.policy(POLICY_ID) == POLICY


def test_a_policy_under_a_wrong_id_is_refused(kept: Records) -> None:
    with pytest.raises(ValueError, match="SHA-256"):
        kept.keep_policy(POLICY_ID, POLICY + b" ")
    with pytest.raises(ValueError, match="SHA-256"):
        kept.keep_policy(NOBODYS_POLICY_ID, POLICY)
    assert kept.policy(POLICY_ID) == POLICY


def test_a_policy_never_kept_is_not_found(kept: Records) -> None:
    with pytest.raises(NotFoundError) as caught:
        kept.policy(NOBODYS_POLICY_ID)
    assert (caught.value.what, caught.value.name) == ("policy", NOBODYS_POLICY_ID)


def test_an_advice_under_a_policy_never_kept_is_refused(kept: Records) -> None:
    with pytest.raises(NotFoundError) as caught:
        kept.save(replace(RECORD, policy_id=NOBODYS_POLICY_ID))
    assert (caught.value.what, caught.value.name) == ("policy", NOBODYS_POLICY_ID)
    assert kept.count() == 0


def test_a_record_with_a_hole_is_refused_for_what_it_is(kept: Records) -> None:
    with pytest.raises(IntegrityError, match="document"):
        kept.save(replace(RECORD, document=None))  # type: ignore[arg-type]
    assert kept.count() == 0


def test_a_policy_that_an_advice_was_given_under_cannot_be_taken_away(kept: Records, engine: Engine) -> None:
    kept.save(RECORD)
    with pytest.raises(IntegrityError), writing(engine) as connection:
        connection.execute(text("DELETE FROM policies"))
    assert kept.policy(POLICY_ID) == POLICY


def test_two_that_keep_the_same_policy_at_once_both_succeed(engine: Engine) -> None:
    """Both look before either writes: the second finds the row there when it writes its own."""
    store = Records(engine)
    both_have_looked = threading.Barrier(2)
    looked = threading.local()
    failures: list[BaseException] = []

    def wait_after_looking(_connection: object, _cursor: object, statement: str, *_rest: object) -> None:
        if statement.startswith("SELECT") and not getattr(looked, "once", False):
            looked.once = True
            both_have_looked.wait(10)

    def keep() -> None:
        try:
            store.keep_policy(POLICY_ID, POLICY)
        except Exception as error:  # noqa: BLE001
            failures.append(error)

    event.listen(engine, "after_cursor_execute", wait_after_looking)
    threads = [threading.Thread(target=keep) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    event.remove(engine, "after_cursor_execute", wait_after_looking)
    assert failures == []
    assert store.policy(POLICY_ID) == POLICY


# -- what compiling came to ------------------------------------------------------------------------------


def test_what_was_compiled_comes_back_byte_for_byte(kept: Records) -> None:
    tables = b'{"tables":[[0.1,2.5]]}' * 1000
    assert kept.tables(POLICY_ID, "5") is None
    assert kept.keep_tables(POLICY_ID, "5", tables) == tables
    assert kept.tables(POLICY_ID, "5") == tables


def test_what_was_compiled_is_never_written_over(kept: Records) -> None:
    kept.keep_tables(POLICY_ID, "5", b"first")
    assert kept.keep_tables(POLICY_ID, "5", b"second") == b"first"
    assert kept.keep_tables(POLICY_ID, "6", b"of another method") == b"of another method"
    assert kept.tables(POLICY_ID, "5") == b"first"


def test_nothing_is_kept_of_a_policy_never_kept(kept: Records) -> None:
    with pytest.raises(NotFoundError):
        kept.keep_tables(NOBODYS_POLICY_ID, "5", b"{}")
    assert kept.tables(NOBODYS_POLICY_ID, "5") is None


def test_two_that_compile_at_once_go_on_with_the_same(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other one's is written between our look and our write."""
    mine, other = Records(engine), Records(engine)
    mine.keep_policy(POLICY_ID, POLICY)
    look = mine.tables

    def look_and_lose(policy_id: str, method_version: str) -> bytes | None:
        found = look(policy_id, method_version)
        if found is None:
            other.keep_tables(policy_id, method_version, b"the other's")
        return found

    monkeypatch.setattr(mine, "tables", look_and_lose)
    assert mine.keep_tables(POLICY_ID, "5", b"mine") == b"the other's"


def test_what_was_compiled_and_is_spoilt_is_told(kept: Records, engine: Engine) -> None:
    kept.keep_tables(POLICY_ID, "5", b"tables")
    with writing(engine) as connection:
        connection.execute(text("UPDATE compiled_policies SET tables = :spoilt"), {"spoilt": b"\x00" * 20})
    with pytest.raises(RecordsError, match="spoilt"):
        kept.tables(POLICY_ID, "5")


def test_what_was_given_before_is_still_read(database_url: str) -> None:
    """A database of the step before: its advices have no request, and get none."""
    opened = open_database(database_url)
    migrate(opened, "0002")
    names = [each.name for each in fields(AdviceRecord) if each.name != "request"]
    row = {**{name: getattr(RECORD, name) for name in names}, "id": "a" * 32}
    row |= {name: row[name].astimezone(UTC).replace(tzinfo=None) for name in ("given_at", "now")}
    with writing(opened) as connection:
        connection.execute(text("INSERT INTO policies VALUES (:id, :text)"), {"id": POLICY_ID, "text": POLICY})
        connection.execute(
            text(f"INSERT INTO advices ({', '.join(row)}) VALUES ({', '.join(':' + name for name in row)})"), row
        )
    migrate(opened)
    assert Records(opened).get("a" * 32).request is None
    assert Records(opened).get("a" * 32).document == RECORD.document
    opened.dispose()


# -- whole or not at all ---------------------------------------------------------------------------------


def test_a_failure_before_the_commit_leaves_nothing(kept: Records, engine: Engine) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("power cut")

    event.listen(engine, "after_cursor_execute", fail)
    with pytest.raises(RuntimeError, match="power cut"):
        kept.save(RECORD)
    event.remove(engine, "after_cursor_execute", fail)
    assert kept.count() == 0
    kept.save(RECORD)
    assert kept.count() == 1


def die_before_the_commit(url: str) -> None:
    engine = open_database(url)
    event.listen(engine, "after_cursor_execute", lambda *_: os._exit(41))
    Records(engine).save(RECORD)


def die_after_the_commit(url: str) -> None:
    Records(open_database(url)).save(RECORD)
    os._exit(42)


@pytest.mark.parametrize(
    ("die", "exitcode", "advices_left"), [(die_before_the_commit, 41, 0), (die_after_the_commit, 42, 1)]
)
def test_a_process_that_dies_has_saved_all_of_an_advice_or_none(
    kept: Records, database_url: str, die: Callable[[str], None], exitcode: int, advices_left: int
) -> None:
    process = SPAWN.Process(target=die, args=(database_url,))
    process.start()
    process.join()
    assert process.exitcode == exitcode
    assert kept.count() == advices_left
    kept.save(RECORD)  # it left no lock behind either
    assert kept.count() == advices_left + 1


def test_advices_saved_from_many_threads_are_all_there(kept: Records) -> None:
    ids: list[str] = []

    def save_some() -> None:
        ids.extend(kept.save(replace(RECORD, action=threading.current_thread().name)) for _ in range(10))

    threads = [threading.Thread(target=save_some) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(ids)) == 60
    assert {stored.id for stored in kept.latest(100)} == set(ids)


# --- a database that fails under a running program ----------------------------------------------------------


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """An SQLite file with all its tables."""
    path = tmp_path / "records.db"
    opened = open_database(f"sqlite:///{path}")
    migrate(opened)
    Records(opened).keep_policy(POLICY_ID, POLICY)
    opened.dispose()
    return path


@pytest.fixture
def on_file(file: Path) -> Iterator[Engine]:
    opened = open_database(f"sqlite:///{file}")
    yield opened
    opened.dispose()


def at_connect(engine: Engine, pragma: str) -> None:
    event.listen(engine, "connect", lambda connection, _: connection.execute(f"PRAGMA {pragma}"))


@pytest.mark.parametrize(
    ("pragma", "what"), [("query_only=ON", "readonly database"), ("max_page_count=1", "database or disk is full")]
)
def test_an_advice_that_cannot_be_written_is_refused_whole(on_file: Engine, pragma: str, what: str) -> None:
    at_connect(on_file, pragma)
    large = replace(RECORD, document=b"x" * 1_000_000)
    with pytest.raises(RecordsError, match=what):
        Records(on_file).save(large)
    assert Records(on_file).count() == 0
    assert Records(on_file).policy(POLICY_ID) == POLICY


def test_a_database_that_stays_locked_is_given_up(on_file: Engine, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 10)
    with closing(sqlite3.connect(file)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecordsError, match="locked"):
            Records(on_file).save(RECORD)
        assert Records(on_file).count() == 0
    assert Records(on_file).get(Records(on_file).save(RECORD)).document == RECORD.document


def test_a_file_that_was_taken_away_is_not_written_to_unseen(on_file: Engine, file: Path) -> None:
    """An open file outlives its name: what is written to it after that is lost when the program ends."""
    store = Records(on_file)
    advice_id = store.save(RECORD)
    file.unlink()
    for refused in (lambda: store.save(RECORD), lambda: store.get(advice_id), store.count):
        with pytest.raises(RecordsError, match="no such table"):
            refused()


def test_a_folder_that_was_taken_away_is_told(on_file: Engine, file: Path) -> None:
    store = Records(on_file)
    store.save(RECORD)
    shutil.rmtree(file.parent)
    with pytest.raises(RecordsError, match="unable to open"):
        store.save(RECORD)


def test_a_file_that_was_put_back_is_read_anew(on_file: Engine, file: Path) -> None:
    store = Records(on_file)
    before = store.save(RECORD)
    backup = file.with_name("backup.db")
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(backup)) as copy:
        source.backup(copy)
    after = store.save(RECORD)
    for rest in ("-wal", "-shm"):
        file.with_name(file.name + rest).unlink(missing_ok=True)
    backup.replace(file)
    assert store.get(before).document == RECORD.document
    with pytest.raises(NotFoundError):
        store.get(after)
    assert store.get(store.save(RECORD)).document == RECORD.document


def test_a_file_that_was_spoilt_is_told(on_file: Engine, file: Path) -> None:
    on_file.dispose()
    file.write_bytes(b"\x00" * 4096 + b"spoilt" * 2000)
    with pytest.raises(RecordsError, match="not a database"):
        Records(on_file).count()


def test_proofs_are_kept_in_the_place_of_those_before(kept: Records) -> None:
    assert kept.proofs(POLICY_ID, "6") is None
    later = GIVEN_AT + timedelta(hours=1)
    kept.keep_proofs(POLICY_ID, "6", GIVEN_AT, b"[1]")
    kept.keep_proofs(POLICY_ID, "7", GIVEN_AT, b"[2]")
    kept.keep_proofs(POLICY_ID, "6", later, b"[3]")
    assert kept.proofs(POLICY_ID, "6") == (later, b"[3]")
    assert kept.proofs(POLICY_ID, "7") == (GIVEN_AT, b"[2]")


def test_proofs_of_a_policy_that_nobody_kept_are_refused(kept: Records) -> None:
    with pytest.raises(NotFoundError):
        kept.keep_proofs(NOBODYS_POLICY_ID, "6", GIVEN_AT, b"[]")
