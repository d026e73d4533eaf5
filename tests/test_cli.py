"""The command line, in process with a method that always answers the same."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from http.client import HTTPResponse
from pathlib import Path
from typing import Any

import pytest
import requests
from builders import NOW, POLICY_ID, VOICE, FixedMethod, a_database_url, a_voice, an_advice
from schemas.test_json_text import REFUSED as NO_JSON

from repairadvisor import cli
from repairadvisor.render import terminal
from repairadvisor.schemas.advice import document_bytes
from repairadvisor.store.database import open_database
from repairadvisor.store.records import Records, StoredAdvice

Run = Callable[..., tuple[int, str, str]]
AT = ["--now", NOW.isoformat()]


@pytest.fixture(autouse=True)
def _fixed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(cli.advise, "prepared_method", lambda *_, **__: FixedMethod(an_advice()))
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(tmp_path))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def run(capfdbinary: Any) -> Run:
    def once(*arguments: str) -> tuple[int, str, str]:
        status = cli.main(list(arguments))
        out, err = capfdbinary.readouterr()
        return status, out.decode(), err.decode()

    return once


def kept(folder: Path) -> list[StoredAdvice]:
    if not (folder / "records.db").exists():
        return []
    engine = open_database(a_database_url(folder))
    found = Records(engine).latest(10)
    engine.dispose()
    return found


def test_facts_typed_at_the_shell_are_read_answered_and_kept(run: Run, tmp_path: Path) -> None:
    status, out, err = run(
        "advise", "place=pole_top|aerial_span", "spare_near_m=0.5..3", "wind_gust_mps=20km/h", "gas_test=n/a", *AT
    )
    (record,) = kept(tmp_path)
    assert (status, err) == (0, "")
    assert out == terminal.render(an_advice(policy=POLICY_ID), VOICE) + f"Kept as {record.id}\n"
    assert set(json.loads(record.facts)) == {"place", "spare_near_m", "wind_gust_mps", "gas_test"}
    assert record.now == NOW


def test_units_are_those_of_the_setting_and_json_stays_metric(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REPAIRADVISOR_UNITS", "feet")
    _, out, _ = run("advise", "place=pole_top", "--no-record", *AT)
    assert out == terminal.render(an_advice(policy=POLICY_ID), a_voice(units="feet"))
    assert "spare cable on the exchange side: 9.84 ft" in out
    _, out, _ = run("advise", "place=pole_top", "--no-record", "--json", *AT)
    assert {"value": "3", "unit": "m"}.items() <= json.loads(out)["facts_used"][0].items()
    monkeypatch.setenv("REPAIRADVISOR_UNITS", "imperial")
    status, out, err = run("advise", "place=pole_top", "--no-record", *AT)
    assert (status, out) == (2, "")
    assert "REPAIRADVISOR_UNITS" in err
    assert "metric or feet" in err


def test_json_is_the_document_byte_for_byte(run: Run, tmp_path: Path) -> None:
    status, out, err = run("advise", "--json", "place=pole_top", *AT)
    (record,) = kept(tmp_path)
    assert status == 0
    assert out.encode() == document_bytes(an_advice()) + b"\n" == record.document + b"\n"
    assert json.loads(err) == {"id": record.id}


@pytest.mark.parametrize("asked", [["--no-record", "place=pole_top"], ["FILE"]])
def test_nothing_is_kept_where_it_is_not_wanted(run: Run, tmp_path: Path, asked: list[str]) -> None:
    (tmp_path / "fault.json").write_text('{"facts": {"place": "pole_top"}, "record": false}')
    status, out, err = run("advise", *(one.replace("FILE", str(tmp_path / "fault.json")) for one in asked), *AT)
    assert (status, err) == (0, "")
    assert "Kept as" not in out
    assert not (tmp_path / "records.db").exists()


def test_a_request_is_read_from_a_file_and_now_of_the_option_counts(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "fault.json"
    file.write_text('{"facts": {"place": "chamber"}, "now": "2030-01-01T00:00:00Z"}')
    assert run("advise", str(file), *AT)[0] == 0
    (record,) = kept(tmp_path)
    assert (record.now, list(json.loads(record.facts))) == (NOW, ["place"])


class _Input:
    """Standard input with these bytes."""

    def __init__(self, content: bytes) -> None:
        self.buffer = io.BytesIO(content)


def test_a_request_is_read_from_standard_input(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", _Input(b'{"facts": {"place": "dug_pit"}}'))
    assert run("advise", "-", *AT)[0] == 0
    assert list(json.loads(kept(tmp_path)[0].facts)) == ["place"]


@pytest.mark.parametrize(("content", "slug"), NO_JSON.values(), ids=NO_JSON.keys())
def test_what_is_no_json_over_http_is_none_here(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: bytes, slug: str
) -> None:
    monkeypatch.setattr("sys.stdin", _Input(content))
    status, out, err = run("advise", "--json", "-")
    assert (status, out) == (2, "")
    assert [json.loads(line)["slug"] for line in err.splitlines()] == [slug]
    assert kept(tmp_path) == []


BAD: list[tuple[list[str], list[str]]] = [
    (["place=moon"], ["place = moon: no such word; allowed: "]),
    (["plaice=pole_top"], ["plaice = pole_top: no such fact; allowed: the nearest name is place"]),
    (["margin_db=99"], ["margin_db = 99.0: is out of range; allowed: -10 to 40 (dB)"]),
    (["margin_db=four"], ["margin_db = four: is not a number; allowed: -10 to 40 (dB)"]),
    (["margin_db="], ["margin_db: is not a number"]),
    (["spare_near_m=3furlongs"], ["spare_near_m = 3.0 furlongs: unit does not fit; allowed: m, ft"]),
    (["spare_near_m=3..1"], ["spare_near_m.between = [3.0, 1.0]: the first is above the second"]),
    (["place=pole_top", "place=chamber"], ["place = chamber: stands twice"]),
    (["place=pole_top", "chamber"], ["chamber: is neither a fact nor the only argument; allowed: NAME=VALUE"]),
    (["place=pole_top", "--now", "noon"], ["now = noon: not a time that can be used"]),
    (["place=moon", "margin_db=99", "--now", "noon"], ["now = noon", "place = moon", "margin_db = 99.0"]),
    (["place=pole_top", "depth_m=2"], ["depth_m = 2: has no meaning beside place = pole_top"]),
    (["/no/such/file.json"], ["/no/such/file.json: cannot be read: No such file or directory"]),
    (["/"], ["/: cannot be read: Is a directory"]),
]


@pytest.mark.parametrize(("arguments", "lines"), BAD)
def test_each_fault_is_one_line_on_standard_error(
    run: Run, tmp_path: Path, arguments: list[str], lines: list[str]
) -> None:
    status, out, err = run("advise", *arguments)
    found = [line for line in err.splitlines() if not line.startswith("CAUTION: ")]
    assert (status, out) == (2, "")
    assert len(found) == len(lines)
    for line, start in zip(found, lines, strict=True):
        assert line.startswith(start)
    assert kept(tmp_path) == []


def test_with_json_each_fault_is_one_object(run: Run) -> None:
    status, out, err = run("advise", "--json", "place=pole_top", "margin_db=99")
    first, *cautions = [json.loads(line) for line in err.splitlines()]
    assert (status, out) == (2, "")
    assert first == {
        "slug": "out-of-range",
        "field": "margin_db",
        "value": "99.0",
        "problem": "is out of range",
        "allowed": "-10 to 40",
        "unit": "dB",
    }
    assert cautions == [{"caution": caution.text} for caution in an_advice().cautions]


def test_a_refusal_keeps_the_cautions_of_the_place(run: Run) -> None:
    _, _, err = run("advise", "place=pole_top", "margin_db=99")
    assert err.splitlines()[1:] == [f"CAUTION: {caution.text}" for caution in an_advice().cautions]


def test_a_file_too_large_is_not_read_whole(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "large.json"
    file.write_bytes(b" " * (1024 * 1024 + 1))
    assert run("advise", str(file)) == (2, "", f"{file}: is too large; allowed: up to 1048576 bytes\n")


@pytest.mark.parametrize("port", ["x", "-1", "65536", "8_765", "٣", ""])
@pytest.mark.parametrize("more", [[], ["--background"], ["--json"]])
def test_a_port_that_is_none_is_refused(run: Run, port: str, more: list[str]) -> None:
    status, out, err = run("serve", f"--port={port}", *more)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "is not a port; allowed: 0 to 65535" in err


@pytest.mark.parametrize(
    ("name", "value"),
    [("REPAIRADVISOR_HOST", "0.0.0.0"), ("REPAIRADVISOR_PORT", "x"), ("REPAIRADVISOR_DATABASE_URL", "mysql://x/y")],
)
def test_a_setting_that_cannot_be_used_is_named(
    run: Run, monkeypatch: pytest.MonkeyPatch, name: str, value: str
) -> None:
    monkeypatch.setenv(name, value)
    status, out, err = run("serve", "--port", "0")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(name)
    status, _, err = run("advise", "--json", "place=pole_top")
    assert (status, json.loads(err)["slug"]) == (2, "settings")


@pytest.mark.parametrize("arguments", [[], ["advise"], ["serve", "x"], ["advise", "--colour", "x=1"], ["fly"]])
def test_a_wrong_command_shows_how_it_is_used(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(arguments)
    assert left.value.code == 2
    assert "usage: repairadvisor" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["--help"], ["advise", "--help"], ["serve", "--help"]])
def test_help_helps(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(arguments)
    assert left.value.code == 0
    assert "usage: repairadvisor" in capsys.readouterr().out


# --- what is told, and where to -----------------------------------------------------------------------------

STRANGE = "pole\x1b[2J\ntop\u202e\udcff"


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["advise", STRANGE], "cannot be read: No such file"),
        (["advise", "place=pole_top", STRANGE], "is neither a fact nor the only argument"),
        (["advise", "place=pole_top", f"place={STRANGE}"], "stands twice"),
        (["advise", f"place={STRANGE}"], "no such word"),
        (["advise", f"spare_near_m=3{STRANGE}"], "is not a number"),
        (["advise", "spare_near_m=3", "--now", STRANGE], "not a time that can be used"),
        (["serve", "--port", STRANGE], "is not a port"),
    ],
)
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_what_was_typed_comes_back_as_one_line_that_only_shows(
    run: Run, arguments: list[str], named: str, more: list[str]
) -> None:
    status, out, err = run(*arguments, *more)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert named in err
    assert err[:-1].isprintable()


@pytest.mark.parametrize("url", ["mysql://x\x1b[2J\n/y", "mysql://\udcff/y", "sqlite:////tmp/\udcff.db", "\x1b"])
def test_a_setting_comes_back_as_one_line_that_only_shows(run: Run, monkeypatch: pytest.MonkeyPatch, url: str) -> None:
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", url)
    for more in ([], ["--json"]):
        status, out, err = run("advise", "place=pole_top", *more)
        assert (status, out, err.count("\n")) == (2, "", 1)
        assert "REPAIRADVISOR_DATABASE_URL" in err
        assert err[:-1].isprintable()


def test_records_that_cannot_be_written_are_told_and_need_not_be(run: Run, tmp_path: Path) -> None:
    assert run("advise", "place=pole_top", *AT)[0] == 0
    with sqlite3.connect(tmp_path / "records.db") as records:
        records.execute("DROP TABLE advices")
    records.close()
    status, out, err = run("advise", "place=pole_top", *AT)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "no such table" in err
    assert "--no-record" in err
    assert json.loads(run("advise", "--json", "place=pole_top")[2])["slug"] == "records"
    assert run("advise", "--no-record", "place=pole_top", *AT)[0] == 0


def test_a_log_that_cannot_be_written_is_told(run: Run, tmp_path: Path) -> None:
    (tmp_path / "state" / "repairadvisor" / "serve.log").mkdir(parents=True)
    status, out, err = run("serve", "--background", "--port", "0")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith("XDG_STATE_HOME = ")


# --- as processes of their own ------------------------------------------------------------------------------

PROGRAM = [sys.executable, "-m", "repairadvisor"]
TESTS = Path(__file__).parent

#: Read by Python before a program: that one then has the method that always answers the same, and starts at once.
FIXED = """
import repairadvisor.methods
from builders import FixedMethod, an_advice
repairadvisor.methods.prepared_method = lambda *_, **__: FixedMethod(an_advice(because="Its coating is 250 µm thick."))
"""


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    paths = [str(TESTS.parent), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths), "HOME": str(tmp_path)}


@pytest.fixture
def fixed(environment: dict[str, str], tmp_path: Path) -> dict[str, str]:
    """The environment of a process with the method that always answers the same."""
    folder = tmp_path / "before"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(FIXED, encoding="utf-8")
    return {**environment, "PYTHONPATH": os.pathsep.join([str(folder), str(TESTS), environment["PYTHONPATH"]])}


@pytest.fixture
def web() -> Iterator[requests.Session]:
    with requests.Session() as session:
        session.trust_env = False
        yield session


def advising(environment: dict[str, str], *more: str, **given: Any) -> subprocess.CompletedProcess[bytes]:
    command = [*PROGRAM, "advise", "--no-record", *more, "place=pole_top"]
    return subprocess.run(command, stderr=subprocess.PIPE, env=environment, timeout=120, **given)


def test_a_reader_who_leaves_early_is_no_error(fixed: dict[str, str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = advising(fixed, stdout=writing)
    finally:
        os.close(writing)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_an_answer_that_cannot_be_written_is_told(fixed: dict[str, str], more: list[str]) -> None:
    with Path("/dev/full").open("wb") as full:
        done = advising(fixed, *more, stdout=full)
    assert (done.returncode, done.stderr.count(b"\n")) == (2, 1)
    assert b"standard output cannot be written: No space left on device" in done.stderr


def test_doors_that_are_closed_are_no_error(fixed: dict[str, str]) -> None:
    """A program started without standard output and input opens no file of its own in their place."""
    closed = 'exec "$@" <&- >&-'
    for asked, status, told in ((["place=pole_top"], 0, b""), (["-"], 2, b"nothing was sent")):
        command = ["sh", "-c", closed, "sh", *PROGRAM, "advise", *asked]
        done = subprocess.run(command, capture_output=True, env=fixed, timeout=120)
        assert (done.returncode, done.stdout) == (status, b"")
        assert told in done.stderr
        assert done.stderr.count(b"\n") == (1 if told else 0)


def test_a_terminal_without_our_signs_is_no_error(fixed: dict[str, str]) -> None:
    done = advising({**fixed, "PYTHONIOENCODING": "ascii"}, "--now=2031-05-04T07:30:00Z", stdout=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"Its coating is 250 ?m thick." in done.stdout


#: What no client sends, each with the status of the problem that it is answered with.
MALFORMED = {
    b"nonsense\r\n\r\n": 400,
    b"GET /health/live HTTP/1.1\r\nHost: rebound.example\r\n\r\n": 421,
    b"GET /health/live HTTP/1.1\r\n\r\n": 400,
    b"POST /v1/advice HTTP/1.1\r\nContent-Length: 2\r\nContent-Length: 3\r\n\r\n{}": 400,
    b"POST /v1/advice HTTP/1.1\r\nContent-Length: -1\r\n\r\n": 400,
    b"POST /v1/advice HTTP/1.1\r\nContent-Length: 99999999999\r\n\r\n": 413,
    b"POST /v1/advice HTTP/1.1\r\nTransfer-Encoding: gzip\r\n\r\n": 501,
    b"POST /v1/advice HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n": 400,
}


def refused_before_it_was_read(address: str, asked: bytes) -> int:
    """The status that a request, written out, is answered with; the answer is a problem in the one shape."""
    host, port = address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=30) as sending:
        sending.sendall(asked)
        with closing(HTTPResponse(sending)) as answer:
            answer.begin()
            problem = json.loads(answer.read())
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert list(problem) == ["type", "title", "status", "detail", "faults", "cautions"]
    assert problem["status"] == answer.status
    return answer.status


def test_a_server_answers_until_it_is_told_to_stop(environment: dict[str, str], web: requests.Session) -> None:
    server = subprocess.Popen(
        [*PROGRAM, "serve", "--port", "0", "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment
    )
    try:
        assert server.stdout is not None
        said = json.loads(server.stdout.readline())
        assert said["pid"] == server.pid
        given = web.post(
            f"{said['address']}/v1/advice", json={"facts": {"place": "pole_top", "danger_seen": "sparks"}}, timeout=30
        )
        assert given.status_code == 200
        again = web.get(said["address"] + given.headers["Location"], timeout=30)
        assert again.content == given.content
        large = web.post(
            f"{said['address']}/v1/advice",
            data=b" " * 10_000_000,
            headers={"Content-Type": "application/json"},
            timeout=30,
        )
        assert (large.status_code, large.json()["type"]) == (413, "/problems/too-large")
        for asked, status in MALFORMED.items():
            assert (asked, refused_before_it_was_read(said["address"], asked)) == (asked, status)
    finally:
        server.terminate()
        _, err = server.communicate(timeout=30)
    assert (server.returncode, err) == (0, b"")


def test_a_server_in_the_background_is_live_when_the_command_returns(
    fixed: dict[str, str], web: requests.Session
) -> None:
    done = subprocess.run(
        [*PROGRAM, "serve", "--port", "0", "--background"], capture_output=True, env=fixed, timeout=120, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    said = re.fullmatch(
        r"Listening on (http://127\.0\.0\.1:(\d+)), process (\d+); stop it with: kill \3\n", done.stdout
    )
    assert said is not None, done.stdout
    address, port, pid = said[1], said[2], int(said[3])
    try:
        assert web.get(f"{address}/health/live", timeout=5).json() == {"status": "live"}
        # The port is taken now: both ways of starting say so in one line and leave nothing behind.
        for more in ([], ["--background"]):
            second = subprocess.run(
                [*PROGRAM, "serve", "--port", port, *more], capture_output=True, env=fixed, timeout=120, text=True
            )
            assert (second.returncode, second.stdout) == (2, "")
            assert f"REPAIRADVISOR_PORT = {port}: cannot be listened on" in second.stderr
    finally:
        os.kill(pid, signal.SIGTERM)
    assert _falls_silent(web, address)


def _falls_silent(web: requests.Session, address: str) -> bool:
    for _ in range(200):
        try:
            web.get(f"{address}/health/live", timeout=5)
        except requests.ConnectionError:
            return True
        time.sleep(0.05)
    return False


# --- replay --------------------------------------------------------------------------------------------------------


@pytest.fixture
def same_method(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept of the method that always answers the same is no policy: it stands in for the real one."""
    monkeypatch.setattr("repairadvisor.replay.policy_of", lambda text: text)
    monkeypatch.setattr("repairadvisor.replay.prepared_under", lambda *_: FixedMethod(an_advice()))


@pytest.mark.usefixtures("same_method")
def test_replay_says_whether_it_is_the_same(run: Run, tmp_path: Path) -> None:
    run("advise", "place=pole_top", *AT)
    (record,) = kept(tmp_path)
    status, out, err = run("replay", record.id)
    assert (status, err) == (0, "")
    assert out.startswith(f"Advice {record.id} made again: the same, byte for byte\nPolicy {record.policy_id}\n")
    status, out, _ = run("replay", record.id, "--json")
    assert status == 0
    assert (json.loads(out)["equal"], json.loads(out)["differences"]) == (True, [])


@pytest.mark.usefixtures("same_method")
def test_replay_says_where_it_differs(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run("advise", "place=pole_top", *AT)
    (record,) = kept(tmp_path)
    other = an_advice(say="Fuse it\x1b[31m.", because="x" * 900)
    monkeypatch.setattr("repairadvisor.replay.prepared_under", lambda *_: FixedMethod(other))
    status, out, err = run("replay", record.id)
    assert (status, err) == (1, "")
    assert "it differs in 2 places" in out
    assert f"/say\n  then: {json.dumps(an_advice().say)}\n" in out
    assert "\x1b" not in out
    assert max(len(line) for line in out.splitlines()) < 250
    status, out, _ = run("replay", record.id, "--json")
    assert status == 1
    assert [one["path"] for one in json.loads(out)["differences"]] == ["/say", "/because"]
    assert json.loads(json.loads(out)["differences"][1]["now"]) == "x" * 900


@pytest.mark.parametrize("asked", ["0" * 32, "x", "../../etc/passwd"])
def test_replay_of_what_was_never_given_is_refused(run: Run, asked: str) -> None:
    status, out, err = run("replay", asked, "--json")
    assert (status, out) == (2, "")
    assert json.loads(err)["slug"] == "not-found"


def test_replay_under_a_policy_that_cannot_be_used_is_refused(run: Run, tmp_path: Path) -> None:
    run("advise", "place=pole_top", *AT)  # its policy is kept as the text "a policy"
    status, out, err = run("replay", kept(tmp_path)[0].id)
    assert (status, out) == (2, "")
    assert "cannot use policy" in err
    assert err.count("\n") == 1
