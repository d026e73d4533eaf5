"""``repairadvisor judge`` and ``repairadvisor outcomes``, in process with a method that judges by one figure.

No outside source: these are promises of this product. What a file holds is written here by hand.
"""

from __future__ import annotations

import io
import json
import resource
import sys
import tracemalloc
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from builders import NOW, FixedMethod, a_database_url, an_advice
from sqlalchemy import Engine, event

from repairadvisor import cli, work_file
from repairadvisor.schemas.outcome_rows import COLUMNS
from repairadvisor.service import Advisor
from repairadvisor.store.database import migrate, open_database
from repairadvisor.store.outcomes import Outcomes
from repairadvisor.store.records import Records
from repairadvisor.work_done import WorkDone

Run = Callable[..., tuple[int, str, str]]
HEAD = "fibre,joint,method,attempt,made_at,both_ways_1310_db"
ROW = "T1F1,1,fusion_splice,1,2031-05-04T06:00:00Z,0.04"


@pytest.fixture
def advisor(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Advisor]:
    monkeypatch.setenv("REPAIRADVISOR_DATABASE_URL", a_database_url(tmp_path))
    engine = open_database(a_database_url(tmp_path))
    migrate(engine)
    found = Advisor(FixedMethod(an_advice()), Records(engine))
    for command in (cli.judge, cli.outcomes):
        monkeypatch.setattr(command, "open_advisor", lambda _: found)
    yield found
    engine.dispose()


@pytest.fixture(autouse=True)
def _however_slow_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """How far it is is told by the clock: only the test of that waits for it."""
    monkeypatch.setattr(cli.judge, "_TOLD_EVERY_S", 1e9)


@pytest.fixture
def engine(advisor: Advisor) -> Engine:
    assert advisor.records is not None
    return advisor.records.engine


@pytest.fixture
def advice(advisor: Advisor) -> str:
    return advisor.advise({"facts": {}}, NOW).id or ""


@pytest.fixture
def run(advisor: Advisor, capfdbinary: Any) -> Run:
    def once(*arguments: str) -> tuple[int, str, str]:
        status = cli.main(list(arguments))
        out, err = capfdbinary.readouterr()
        return status, out.decode(), err.decode()

    return once


@pytest.fixture
def judge(run: Run, advice: str, tmp_path: Path) -> Run:
    """Judges a CSV file of these lines, of one advice."""

    def once(*lines: str, options: tuple[str, ...] = ()) -> tuple[int, str, str]:
        file = tmp_path / "results.csv"
        file.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
        return run("judge", str(file), "--set", f"advice={advice}", "--now", NOW.isoformat(), *options)

    return once


def kept(engine: Engine) -> list[tuple[str, int, str]]:
    return [(row.fibre, row.attempt, row.verdict) for row in Outcomes(engine).attempts()]


# --- one result, and files of them ----------------------------------------------------------------------------


def test_one_result_is_typed(run: Run, advice: str, engine: Engine) -> None:
    told = ["fibre=F1", "joint=1", "method=fusion_splice", "attempt=1", "made_at=2031-05-04T06:00:00Z"]
    status, out, err = run("judge", f"advice={advice}", *told, "both_ways_1310_db=0.2", "--now", NOW.isoformat())
    assert (status, err) == (0, "")
    assert "REDO: F1, joint 1, attempt 1, fusion splice." in out
    assert kept(engine) == [("F1", 1, "redo")]


def test_a_file_is_judged_and_kept(judge: Run, engine: Engine) -> None:
    status, out, err = judge(HEAD, "T1F1..T1F3,1,fusion_splice,1,2031-05-04T06:00:00Z,0.04", ROW.replace("0.04", "0.3"))
    assert (status, err) == (0, "")
    assert "REDO: T1F1, joint 1" in out
    assert "ACCEPT FOR THE TIME BEING: T1F2..T1F3, joint 1." in out
    assert out.splitlines()[-1] == "2 told; attempts: 3 new; joints: ACCEPT 2, REDO 1."
    assert sorted(kept(engine)) == [("T1F1", 1, "redo"), ("T1F2", 1, "accept"), ("T1F3", 1, "accept")]


def test_an_exception_may_come_before_its_stretch(judge: Run, engine: Engine) -> None:
    judge(HEAD, ROW.replace("0.04", "0.3"), "T1F1..T1F2,1,fusion_splice,1,2031-05-04T06:00:00Z,0.04")
    assert sorted(kept(engine)) == [("T1F1", 1, "redo"), ("T1F2", 1, "accept")]


def test_semicolons_a_mark_of_byte_order_and_empty_lines_are_read(judge: Run, engine: Engine) -> None:
    status, _, err = judge("\ufeff" + HEAD.replace(",", ";"), "", ROW.replace(",", ";"), ";;;;;")
    assert (status, err) == (0, "")
    assert kept(engine) == [("T1F1", 1, "accept")]


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_reports_stand_one_a_line_in_json(run: Run, advice: str, engine: Engine, tmp_path: Path, ending: str) -> None:
    entry = {"joint": 1, "method": "fusion_splice", "attempt": 1, "made_at": "2031-05-04T06:00:00Z"}
    body = [{"advice": advice, "each": entry, "attempts": [{"fibre": f"F{n}"}]} for n in range(3)]
    file = tmp_path / "results.json"
    file.write_bytes("".join(json.dumps(one) + ending for one in body).encode())
    assert run("judge", str(file), "--now", NOW.isoformat())[0] == 0
    assert [fibre for fibre, _, _ in kept(engine)] == ["F0", "F1", "F2"]


def test_one_report_stands_in_json_over_many_lines(run: Run, advice: str, engine: Engine, tmp_path: Path) -> None:
    entry = {"fibre": "F1", "joint": 1, "method": "fusion_splice", "attempt": 1, "made_at": "2031-05-04T06:00:00Z"}
    file = tmp_path / "result.json"
    file.write_text(json.dumps({"advice": advice, "attempts": [entry], "evidence": ["photograph"]}, indent=2))
    status, out, _ = run("judge", str(file), "--now", NOW.isoformat())
    assert status == 0
    assert "Evidence: photograph" in out
    assert kept(engine) == [("F1", 1, "accept")]


def test_standard_input_is_read(run: Run, advice: str, engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.TextIOWrapper(io.BytesIO(f"{HEAD}\n{ROW}\n".encode()))
    monkeypatch.setattr(sys, "stdin", stream)
    assert run("judge", "-", "--set", f"advice={advice}", "--now", NOW.isoformat())[0] == 0
    assert kept(engine) == [("T1F1", 1, "accept")]


def test_what_is_printed_as_json_is_a_line_an_advice_and_the_counts(judge: Run, advice: str) -> None:
    _, out, _ = judge(HEAD, ROW, options=("--json",))
    answer, counts = [json.loads(line) for line in out.splitlines()]
    assert (answer["advice"], answer["verdicts"][0]["verdict"]) == (advice, "accept")
    assert counts == {
        "rows": 1,
        "bad": 0,
        "new": 1,
        "corrected": 0,
        "known": 0,
        "reports": 1,
        "verdicts": {"accept": 1},
    }


def test_nothing_is_kept_where_that_is_wanted(judge: Run, engine: Engine) -> None:
    status, out, _ = judge(HEAD, ROW, options=("--no-record",))
    assert status == 0
    assert "Kept as" not in out
    assert kept(engine) == []


def test_the_same_file_twice_is_recognised(judge: Run, engine: Engine) -> None:
    judge(HEAD, ROW)
    status, out, _ = judge(HEAD, ROW)
    assert (status, out) == (0, "1 told; attempts: 0 new, 1 known before; joints: none.\n")
    assert Outcomes(engine).count() == 1
    _, out, _ = judge(HEAD, ROW, ROW.replace("T1F1", "T1F2"))
    assert out.splitlines()[-1] == "2 told; attempts: 1 new, 1 known before; joints: ACCEPT 2."
    assert Outcomes(engine).count() == 2


def test_an_attempt_told_otherwise_than_before_is_said_to_be(judge: Run, engine: Engine) -> None:
    """A wrong number of an attempt must not take the place of another one unnoticed."""
    judge(HEAD, ROW)
    status, out, _ = judge(HEAD, ROW.replace("0.04", "0.09"))
    assert status == 0
    assert "Attempts told: 0 new; 1 otherwise than before: what is told last counts." in out
    assert out.splitlines()[-1] == "1 told; attempts: 0 new, 1 told otherwise than before; joints: ACCEPT 1."
    assert Outcomes(engine).count() == 2


def test_the_same_row_twice_is_one_attempt(judge: Run, engine: Engine) -> None:
    assert judge(HEAD, ROW, ROW)[0] == 0
    assert Outcomes(engine).count() == 1


def test_a_file_and_the_door_know_each_others_reports(
    judge: Run, advisor: Advisor, advice: str, engine: Engine
) -> None:
    judge(HEAD, ROW)
    entry = {"fibre": "T1F1", "joint": 1, "method": "fusion_splice", "attempt": 1, "made_at": "2031-05-04T06:00:00Z"}
    entry["readings"] = [{"nm": 1310, "both_ways_db": 0.04}]
    WorkDone(advisor).report({"advice": advice, "attempts": [entry]}, NOW)
    assert Outcomes(engine).count() == 1


# --- what is wrong --------------------------------------------------------------------------------------------

TOMORROW = (NOW + timedelta(days=1)).isoformat()
BAD_ROWS = [
    ("T1F1,1,fusion_splice,0,2031-05-04T06:00:00Z,0.04", "line 3: attempt = 0: is out of range; allowed: 1 to 20"),
    (f"T1F1,1,fusion_splice,1,{TOMORROW},0.04", f"line 3: made_at = {TOMORROW}: lies after now; allowed: up to"),
    (
        "T1F1,1,fusion_splice,1,2031-05-04T06:00:00Z,-3",
        "line 3: both_ways_1310_db = -3: is out of range; allowed",
    ),
    ("T1F1,1,fusion_splice,1,2031-05-04T06:00:00Z,0.x", "line 3: both_ways_1310_db = 0.x: is not a number"),
    ("T1F1,1,glue,1,2031-05-04T06:00:00Z,0.1", "line 3: method = glue: no such method makes a joint; allowed: fusion"),
    (",1,fusion_splice,1,2031-05-04T06:00:00Z,0.1", "line 3: fibre: is missing; allowed: the fibre's name"),
    ("T1F1,9,fusion_splice,1,2031-05-04T06:00:00Z,0.1", "line 3: joint = 9: the repair makes 2 on each fibre; allowed"),
    ("T1F1,1,fusion_splice,1,2031-05-04T06:00:00Z", "line 3 = 5: cells do not go with the columns of the first line"),
    (
        "T1F1,1,fusion_splice,1,2031-05-04,0.1",
        "line 3: made_at = 2031-05-04: not a time that can be used",
    ),
    ("F9..F2,1,fusion_splice,1,2031-05-04T06:00:00Z,0.1", "line 3: fibre = F9..F2: is no stretch of fibres; allowed"),
    ("T1F0,1,fusion_splice,1,2031-05-04T06:00:00Z,0.9", "line 3 = fibre T1F0, joint 1, attempt 1: was told otherwise"),
    ('"T1F1,1', "line 3: cannot be read: unexpected end of data; allowed: cells, each in one line"),
]


@pytest.mark.parametrize(("row", "said"), BAD_ROWS)
def test_a_bad_row_is_named_and_nothing_is_kept(judge: Run, engine: Engine, row: str, said: str) -> None:
    status, out, err = judge(HEAD, ROW.replace("T1F1", "T1F0"), row)
    assert (status, out) == (2, "")
    assert err.splitlines()[0].startswith(said)
    assert err.splitlines()[-1] == "1 of 2 cannot be used: nothing was kept"
    assert kept(engine) == []


def test_advice_that_is_not_there_is_named_by_its_line(run: Run, engine: Engine, tmp_path: Path) -> None:
    file = tmp_path / "results.csv"
    file.write_text(f"advice,{HEAD}\n{'f' * 32},{ROW}\n")
    status, _, err = run("judge", str(file))
    assert status == 2
    assert err.startswith(f"line 2: advice = {'f' * 32}: no advice is kept under this id")


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (
            {"both_ways_850_db": "0.2"},
            "line 2: readings.nm = 850: is no wavelength that the fibre carries; allowed",
        ),
        ({"from_near_1310_db": "-3"}, "line 2: from_near_1310_db = -3: is out of range; allowed: -2 to 20 (dB)"),
        ({"bound_1550": "below"}, "line 2: bound_1550 = below: bounds a reading that is not there"),
        ({"due_on": "soon"}, "line 2: due_on = soon: is no day; allowed: a day, as 2031-05-20"),
        ({"person": "A. N. Other"}, "line 2: person = A. N. Other: is no id; allowed: 1 to 64 letters"),
        ({"plan": "glue"}, "line 2: plan = glue: is no plan; allowed: a plan as method/layout"),
        ({"tray_fibre_near_m": "11"}, "line 2: tray_fibre_near_m = 11: is out of range; allowed: 0 to 10 (m)"),
    ],
)
def test_a_bad_cell_is_named_with_what_is_allowed(judge: Run, cells: dict[str, str], said: str) -> None:
    head, row = ",".join([HEAD, *cells]), ",".join([ROW, *cells.values()])
    if "from_near_1310_db" in cells:  # both ways and their average would be one fault more
        head, row = head.replace("both_ways_1310_db,", ""), row.replace(",0.04", "")
    status, _, err = judge(head, row)
    assert status == 2
    assert err.startswith(said)


def test_every_fault_of_every_row_is_told(judge: Run) -> None:
    _, _, err = judge(HEAD, *(row for row, _ in BAD_ROWS[:6]))
    assert [line.partition(":")[0] for line in err.splitlines()[:6]] == [f"line {n}" for n in range(2, 8)]
    assert err.splitlines()[-1] == "6 of 6 cannot be used: nothing was kept"


def test_of_very_many_faults_the_first_are_told_and_the_rest_counted(judge: Run) -> None:
    _, _, err = judge(HEAD, *([BAD_ROWS[0][0]] * 1500))
    assert len(err.splitlines()) == 1002
    assert err.splitlines()[-2] == "and 500 more things that are wrong"


def test_the_rest_of_a_file_is_kept_where_that_is_wanted(judge: Run, engine: Engine) -> None:
    status, out, err = judge(HEAD, ROW, BAD_ROWS[0][0], options=("--leave-out-bad",))
    assert status == 1
    assert err.startswith("line 3: attempt = 0")
    assert out.splitlines()[-1] == "2 told, 1 left out; attempts: 1 new; joints: ACCEPT 1."
    assert kept(engine) == [("T1F1", 1, "accept")]


def test_what_fails_while_it_is_kept_leaves_nothing(judge: Run, engine: Engine) -> None:
    """Nothing half-written: the database goes away after some rows were written."""

    def fail(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if statement.startswith("INSERT INTO attempts") and "T1F9" in str(_[0]):
            raise OSError("the disk is full")

    event.listen(engine, "before_cursor_execute", fail)
    rows = [ROW.replace("T1F1", f"T1F{number}") for number in range(500)] + [ROW.replace("T1F1", "T1F900")]
    with pytest.raises(OSError, match="disk is full"):
        judge(HEAD, *rows)
    event.remove(engine, "before_cursor_execute", fail)
    assert kept(engine) == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("fibre,fibre,colour", "line 1: colour: is no column of results; allowed: advice, plan, fibre, joint"),
        ("fibre,fibre", "line 1: fibre: stands twice; allowed: each column once"),
        ("", "line 1: names no columns; allowed: advice, plan, fibre, joint"),
    ],
)
def test_a_first_line_that_names_no_columns(judge: Run, line: str, said: str) -> None:
    status, _, err = judge(line, ROW)
    assert status == 2
    assert err.startswith(said)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (HEAD.encode() + b"\nT1F\xff,1,fusion_splice,1,2031-05-04T06:00:00Z,0.1\n", "line 2 = byte 3: is not UTF-8"),
        (HEAD.encode() + b"\n" + b"x" * 70_000, "line 2: is too long; allowed: up to 65536 bytes"),
        (b'{"advice": 1, "advice": 2}', "line 1: advice: stands twice in one object"),
        (b'{\n"advice": 1,\n}', "body = line 2 column 12: the text is not JSON"),
        (b'{"advice": "x"}\n{"advice"\n', "line 1: advice = x: is no id of an advice"),
        (b"", "line 1: names no columns"),
    ],
)
def test_a_file_that_cannot_be_read(run: Run, tmp_path: Path, content: bytes, said: str) -> None:
    file = tmp_path / "results"
    file.write_bytes(content)
    status, _, err = run("judge", str(file))
    assert status == 2
    assert any(line.startswith(said) for line in err.splitlines()), err


def test_what_is_typed_wrongly_is_named(run: Run, advice: str) -> None:
    assert run("judge", "nowhere.csv")[2].startswith("nowhere.csv: cannot be read: No such file or directory")
    assert run("judge", "fibre=F1", "colour=blue")[2].startswith("colour: is nothing that is told of a result; allowed")
    assert run("judge", "fibre=F1", "fibre=F2")[2].startswith("fibre = F2: stands twice")
    assert run("judge", "x.csv", "--now", "noon")[2].startswith("--now = noon: not a time that can be used")
    err = run("judge", f"advice={advice}", "fibre=F1", "attempt=0")[2]
    assert [line.partition(":")[0] for line in err.splitlines()] == ["joint", "method", "made_at"]


def test_every_column_can_be_filled_in(judge: Run, engine: Engine) -> None:
    """Names and values by hand; the columns that name wavelengths of multimode fibre are left out."""
    cells = {
        "fibre": "F1",
        "joint": "1",
        "method": "fusion_splice",
        "attempt": "1",
        "made_at": "2031-05-04T06:00:00Z",
        "joints_read": "2",
        "ribbon": "R1",
        "machine_estimate_db": "0.03",
        "reflectance_db": "-60",
        "reflectance_bound": "below",
        "pull_test": "passed",
        "inspection": "clean",
        "power_before_dbm": "-21.5",
        "power_after_dbm": "-21",
        "level_below_record_db": "0.2",
        "tray_fibre_near_m": "0.4",
        "tray_fibre_far_m": "0.5",
        "joint_bodies_left": "3",
        "body_reopens": "no",
        "pulse_ns": "10",
        "to_next_joint_m": "40",
        "person": "k-7",
        "machine": "M-1",
        "cleaver": "C-1",
        "due_on": "2031-05-20",
        "responsible": "w-2",
        "evidence": "photograph of tray 1",
        "bound_1310": "below",
        "bound_1550": "exact",
        "from_near_1310_db": "-0.02",
        "from_far_1310_db": "0.1",
        "both_ways_1550_db": "0.02",
    }
    left = {name for name in COLUMNS if name not in cells and not name.rpartition("_")[0].endswith(("850", "1300"))}
    assert left == {"advice", "plan"} | {
        *(f"{way}_{nm}_db" for nm in (1490, 1577, 1625) for way in ("from_near", "from_far", "both_ways")),
        *(f"bound_{nm}" for nm in (850, 1300, 1490, 1577, 1625)),
        *("both_ways_1310_db", "from_near_1550_db", "from_far_1550_db"),
    }
    status, out, err = judge(",".join(cells), ",".join(cells.values()))
    assert (status, err) == (0, "")
    (row,) = Outcomes(engine).attempts()
    told = row.as_reported()
    assert (told.ribbon, told.joints_read, told.joint_bodies_left, told.pulse_ns) == ("R1", 2, 3, 10)
    near = told.reading(1310)
    assert near is not None
    assert (near.from_near_db, near.from_far_db, near.bound) == (-0.02, 0.1, "below")
    assert "Evidence: photograph of tray 1" in out


# --- many -----------------------------------------------------------------------------------------------------


def written(file: Path, advisor: Advisor, rows: int) -> Path:
    """A file of so many results under as many advices as there would be, 250 fibres each, fibre by fibre."""
    advices = [advisor.advise({"facts": {}}, NOW).id for _ in range(max(1, rows // 250))]
    with file.open("w", encoding="utf-8") as lines:
        lines.write(f"advice,{HEAD}\n")
        for number in range(rows):
            advice, fibre = advices[number % len(advices)], f"F{number // len(advices)}"
            lines.write(f"{advice},{ROW.replace('T1F1', fibre).replace('0.04', f'0.{number % 20:02}')}\n")
    return file


def test_many_results_take_no_more_memory_than_a_few(
    run: Run, advisor: Advisor, engine: Engine, tmp_path: Path
) -> None:
    """Four times as many rows take about the same memory, as Python allocates it."""
    most = []
    for rows in (500, 2000):
        file = written(tmp_path / f"{rows}.csv", advisor, rows)
        tracemalloc.start()
        status, out, err = run("judge", str(file), "--now", NOW.isoformat())
        most.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert status == 0, err
        assert out.splitlines()[-1].startswith(f"{rows} told; attempts: {rows} new; joints: ACCEPT ")
    assert Outcomes(engine).count() == 2500
    assert most[1] < 1.3 * most[0] + 1_000_000, most


@pytest.mark.long
@pytest.mark.whole_run
def test_a_million_results_in_one_file(run: Run, advisor: Advisor, engine: Engine, tmp_path: Path) -> None:
    """The whole of it: what the process holds, by the system's own count, does not grow with the rows."""
    file = written(tmp_path / "million.csv", advisor, 1_000_000)
    held_mib: list[float] = []

    def look(_: str, __: int) -> None:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        held_mib.append(pages * resource.getpagesize() / 2**20)

    patch = pytest.MonkeyPatch()
    patch.setattr(cli.judge._Progress, "tell", lambda _, what, count: look(what, count))
    status, out, err = run("judge", str(file), "--now", NOW.isoformat())
    patch.undo()
    assert (status, err) == (0, "")
    assert out.splitlines()[-1].startswith("1000000 told; attempts: 1000000 new; joints: ACCEPT ")
    assert Outcomes(engine).count() == 1_000_000
    assert len(held_mib) == 1000 + 4000
    assert max(held_mib) < held_mib[50] + 100


def test_how_far_it_is_is_told_on_the_way(judge: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cli.judge, "_TOLD_EVERY_S", 0.0)
    monkeypatch.setattr(work_file, "EVERY", 10)
    _, _, err = judge(HEAD, *(ROW.replace("T1F1", f"F{number}") for number in range(25)))
    assert err.splitlines() == ["10 rows read …", "20 rows read …", "25 attempts judged …"]


# --- what is kept ---------------------------------------------------------------------------------------------


def test_what_is_kept_is_shown_exported_and_erased(judge: Run, run: Run, advice: str, engine: Engine) -> None:
    judge(f"{HEAD},person", f"{ROW},kestrel-7", f"{ROW.replace('T1F1', 'T1F2')},wren-2")
    assert "T1F1..T1F2, joint 1, attempt 1: fusion splice, 0.04 dB at 1310 nm; ACCEPT" in " ".join(
        run("outcomes", "show", advice)[1].split()
    )
    person = run("outcomes", "id", "person", "kestrel-7")[1].strip()
    (told,) = [json.loads(line) for line in run("outcomes", "export", person)[1].splitlines()]
    assert (told["fibre"], told["person"], told["verdict"], told["advice"]) == ("T1F1", person, "accept", advice)
    assert len(run("outcomes", "export", advice)[1].splitlines()) == 2

    assert run("outcomes", "erase", person)[:2] == (0, "taken out of 1 places of what was reported\n")
    assert run("outcomes", "export", person)[0] == 2
    assert [row.person is None for row in Outcomes(engine).attempts()] == [True, False]
    assert run("outcomes", "erase", advice, "--json")[1] == '{"erased":2}\n'
    assert kept(engine) == []
    assert run("outcomes", "erase", advice)[2] == f"no work reported of {advice}\n"


@pytest.mark.parametrize("id", ["f" * 32, "person-0123456789abcdef", "kestrel-7", "'; DROP TABLE attempts"])
@pytest.mark.parametrize("what", ["export", "erase"])
def test_what_is_not_kept_is_said(run: Run, what: str, id: str) -> None:  # noqa: A002
    status, out, err = run("outcomes", what, id)
    assert (status, out) == (2, "")
    assert err.startswith("no work reported of ")


def test_a_moment_of_today_is_taken_without_now(run: Run, advice: str, engine: Engine) -> None:
    told = ["fibre=F1", "joint=1", "method=fusion_splice", "attempt=1"]
    made_at = (datetime.now(UTC) - timedelta(minutes=1)).isoformat()
    assert run("judge", f"advice={advice}", *told, f"made_at={made_at}")[0] == 0
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    assert "lies after now" in run("judge", f"advice={advice}", *told, f"made_at={tomorrow}")[2]
