"""What every plugin must keep, held against this one; and that it is installed as its examples say."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import EXAMPLES, Put, told
from repairadvisor_spool import SpoolCarrier, SpoolSource

from repairadvisor.plugin import HeldNote, NoteChange, RawEvent
from repairadvisor.plugin.loading import open_plugins
from repairadvisor.testing import (
    HOSTILE_TEXTS,
    FollowUpContract,
    NoteCarrierContract,
    PolledSourceContract,
    TicketSourceContract,
    a_note,
    installed_plugin,
)


def raw(name: str, body: bytes, **more: str) -> RawEvent:
    kept = {"file-name": name, "modified-us": "1700000000000000", "looked-us": "1700000001000000", **more}
    return RawEvent(kept, body)


NONSENSE = (
    b"",
    b"{",
    b"[]",
    b"null",
    b'"ticket"',
    b"\xff\xfe{\x00}\x00",
    b"[" * 100_000,
    b"{}",
    b'{"ticket": "T-1"}',
    b'{"ticket": 17, "facts": {}}',
    b'{"ticket": "", "facts": {}}',
    b'{"ticket": "a\\nb", "facts": {}}',
    b'{"ticket": "T-1", "facts": []}',
    b'{"ticket": "T-1", "facts": {}, "sequence": -1}',
    b'{"ticket": "T-1", "facts": {}, "sequence": 1.5}',
    b'{"ticket": "T-1", "facts": {}, "sequence": true}',
    b'{"ticket": "T-1", "facts": {}, "sequence": 9223372036854775808}',
    b'{"ticket": "T-1", "facts": {}, "ended": "no"}',
    b'{"ticket": "T-1", "facts": {}, "parent": 4}',
    b'{"ticket": "T-1", "facts": {}, "site": {"latitude_deg": 91, "longitude_deg": 0}}',
    b'{"ticket": "T-1", "facts": {}, "site": {"lat": 9}}',
    b'{"ticket": "T-1", "facts": {"margin_db": NaN}}',
    b'{"ticket": "T-1", "facts": {"margin_db": 1e999}}',
    b'{"ticket": "T-1", "facts": {"place": "\\ud800"}}',
    b'{"ticket": "T-1", "facts": {"place": "pole_top", "place": "chamber"}}',
)


class TestJsonFiles(TicketSourceContract):
    @pytest.fixture
    def source(self, spool: Path) -> SpoolSource:
        return SpoolSource(folder=str(spool))

    @pytest.fixture
    def event(self) -> RawEvent:
        return raw("T.json", (EXAMPLES / "incoming" / "LF-20310504-0017.json").read_bytes())

    @pytest.fixture
    def nonsense(self) -> list[RawEvent]:
        return [raw("T.json", body) for body in NONSENSE]

    @pytest.fixture
    def event_with_text(self) -> dict[str, RawEvent]:
        return {
            text: raw("T.json", json.dumps(told("T-1", sequence=1, title=text, description=text)).encode())
            for text in ("", *HOSTILE_TEXTS)
        }

    @pytest.mark.parametrize("body", NONSENSE)
    def test_all_of_the_nonsense_is_set_aside(self, source: SpoolSource, body: bytes) -> None:
        """The contract would let it pass as no ticket."""
        with pytest.raises(Exception, match=r"^T\.json: ") as refused:
            source.read(raw("T.json", body))
        assert type(refused.value).__name__ == "EventUnreadableError"


class TestFilesOfLines(TicketSourceContract):
    @pytest.fixture
    def source(self, spool: Path) -> SpoolSource:
        return SpoolSource(folder=str(spool))

    @pytest.fixture
    def event(self) -> RawEvent:
        return raw("T.txt", (EXAMPLES / "incoming" / "LF-20310504-0018.txt").read_bytes())

    @pytest.fixture
    def nonsense(self) -> list[RawEvent]:
        lines = "place: pole_top\nticket: T-1\n", "ticket:\n", "\nticket: T-1\n", "ticket: T-1\nended: perhaps\n"
        return [raw("T.txt", line.encode()) for line in lines] + [raw("T.txt", body) for body in NONSENSE]

    @pytest.fixture
    def event_with_text(self) -> dict[str, RawEvent]:
        """People write freely after an empty line, and in a line of another name as far as that goes."""
        head = "ticket: T-1\nplace: pole_top\n"
        return {text: raw("T.txt", f"{head}\n{text}\nplace: chamber\n".encode()) for text in ("", *HOSTILE_TEXTS)}


@pytest.fixture
def three_files(put: Put) -> None:
    for number in (3, 1, 2):
        put(f"T-{number}.json", told(f"T-{number}", sequence=number))
        (put("x", b"").parent / f"T-{number}.json.done").touch()


@pytest.mark.usefixtures("three_files")
class TestPolledByRename(PolledSourceContract):
    @pytest.fixture
    def source(self, spool: Path) -> SpoolSource:
        return SpoolSource(folder=str(spool), ready_by="rename")


@pytest.mark.usefixtures("three_files")
class TestPolledByDoneFile(PolledSourceContract):
    @pytest.fixture
    def source(self, spool: Path) -> SpoolSource:
        return SpoolSource(folder=str(spool), ready_by="done_file")


@pytest.mark.usefixtures("three_files")
class TestPolledByQuiet(PolledSourceContract):
    @pytest.fixture
    def source(self, spool: Path, monkeypatch: pytest.MonkeyPatch) -> SpoolSource:
        """A look before it all, two seconds ago: nothing counts at the first."""
        now = [1000.0]
        monkeypatch.setattr("repairadvisor_spool.ready.time.monotonic", lambda: now[0])
        source = SpoolSource(folder=str(spool), ready_by="quiet", settle_s=2)
        assert source.fetch("").events == ()
        now[0] += 2
        return source


def all_notes(spool: Path) -> list[str]:
    """As a consumer has them: a file beside one of the same name in ``seen`` takes its place."""
    found: dict[tuple[str, str], str] = {}
    for pattern in ("outgoing/*/seen/*.txt", "outgoing/*/*.txt"):
        for file in spool.glob(pattern):
            ticket = file.parent.parent if file.parent.name == "seen" else file.parent
            if file.name != "reference.txt":
                found[ticket.name, file.name] = file.read_bytes().decode()
    return list(found.values())


class TestNotesKept(NoteCarrierContract):
    @pytest.fixture
    def carrier(self, spool: Path) -> SpoolCarrier:
        return SpoolCarrier(folder=str(spool))

    @pytest.fixture
    def reference(self) -> str:
        return "LF-20310504-0017"

    @pytest.fixture
    def written(self, spool: Path) -> Callable[[], list[str]]:
        return lambda: all_notes(spool)


class TestNotesForAHostileReference(TestNotesKept):
    @pytest.fixture
    def reference(self) -> str:
        return "../../" + "etc/passwd" * 19


class TestNotesRemoved(TestNotesKept):
    @pytest.fixture
    def carrier(self, spool: Path) -> SpoolCarrier:
        return SpoolCarrier(folder=str(spool), consumed="removed")


class TestFollowUps(FollowUpContract):
    @pytest.fixture
    def carrier(self, spool: Path) -> SpoolCarrier:
        return SpoolCarrier(folder=str(spool))

    @pytest.fixture
    def reference(self) -> str:
        return "LF-20310504-0017"


def test_the_example_settings_are_taken() -> None:
    plugins = open_plugins(str(EXAMPLES / "plugins.toml"), {})

    assert isinstance(plugins.sources["nightly"].source, SpoolSource)
    assert plugins.sources["nightly"].source.poll_every_s == 30
    assert plugins.sources["nightly"].notes == "nightly"
    assert isinstance(plugins.carriers["nightly"], SpoolCarrier)
    assert plugins.carriers["nightly"].longest_note == 4000


@pytest.mark.parametrize(("seam", "made_by"), [("sources", SpoolSource), ("carriers", SpoolCarrier)])
def test_it_is_installed(seam: str, made_by: Any) -> None:
    assert installed_plugin(seam, "spool").made_by is made_by


def test_the_consumer_in_the_readme_brings_notes_in_order_and_changes_again(spool: Path) -> None:
    """The shell block itself is run, with a command that first fails once."""
    text = (EXAMPLES.parent / "README.md").read_text(encoding="utf-8")
    (block,) = (one for one in re.findall(r"```sh\n(.*?)```", text, re.DOTALL) if "bring_into_ticket" in one)
    came = spool / "came"
    brings = f'bring_into_ticket() {{ echo "$1" >>{came}; head -n 1 "$2" >>{came}; [ -e {spool}/works ]; }}\n'
    program = ["bash", "-euo", "pipefail", "-c", brings + block.replace("/srv/spool/nightly", str(spool))]
    carrier = SpoolCarrier(folder=str(spool))
    notes = [a_note(part=part, parts=11, text=f"Part {part}.") for part in range(1, 12)]
    carrier.change("lf 17", NoteChange(add=tuple(notes)))

    subprocess.run(program, check=True)
    assert len(all_notes(spool)) == 11
    came.unlink()
    (spool / "works").touch()
    subprocess.run(program, check=True)
    assert came.read_text(encoding="utf-8") == "".join(f"lf 17\nPart {part}.\n" for part in range(1, 12))
    came.unlink()
    carrier.change("lf 17", NoteChange(rewrite=((HeldNote(notes[3].key, ""), f"VOID.\n{notes[3].text}"),)))
    subprocess.run(program, check=True)
    assert came.read_text(encoding="utf-8") == "lf 17\nVOID.\n"
    assert [held.text.splitlines()[0] for held in carrier.look("lf 17") or ()][2:5] == ["Part 3.", "VOID.", "Part 5."]
