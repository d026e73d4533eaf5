"""That every benchmark runs, compares like with like and gives a ratio; never how long anything took."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from repairadvisor.decision.screens import CompiledRules, compile_rules, statuses
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.condition import AtLeast, Below, Condition, Every, IsOneOf, Not, Some, holds
from repairadvisor.schemas.json_text import read_object

from .__main__ import main
from .contexts import FIRST_CALL_AT, KNOWN_JOBS, all_known, first_call, known_jobs, method, told
from .echoes import asking, bare_echo, stock_echo
from .goals import BENCHMARKS, SCREENS, START_UP, advisor_app, refuse_other_answers, screens_alone
from .interleaved import quantile, timed
from .json_logic import engine_ways, truths, world_of

pytestmark = pytest.mark.long

NUMBER = "height_m"  # has no meaning below ground
CONDITIONS: tuple[Condition, ...] = (
    Below(NUMBER, "a limit", 5.0),
    AtLeast(NUMBER, "a limit", 5.0),
    Not(Below(NUMBER, "a limit", 5.0)),
    Not(AtLeast(NUMBER, "a limit", 5.0)),
    IsOneOf("place", ("pole_top",)),
    IsOneOf("place", ("pole_top", "footway_chamber")),
    Every((IsOneOf("place", ("pole_top",)), Below(NUMBER, "a limit", 5.0))),
    Some((IsOneOf("place", ("footway_chamber",)), AtLeast(NUMBER, "a limit", 5.0))),
    Every(()),
    Some(()),
)


#: Take as long as all others together: measured in a whole run of the long checks only.
LONGEST = ("widest-calls", "whole-advice", "start-up", "first-calls")
MEASURED = [name for name in BENCHMARKS if name not in LONGEST or os.environ.get("REPAIRADVISOR_LONG")]


@pytest.mark.parametrize("name", MEASURED)
def test_every_benchmark_gives_ratios(name: str) -> None:
    lines = BENCHMARKS[name](1)

    assert lines
    for line in lines:
        assert math.isfinite(line.p50_ratio)
        assert math.isfinite(line.p95_ratio)
        assert line.p50_ratio > 0


def test_the_command_says_what_it_can_measure() -> None:
    root = Path(__file__).resolve().parent.parent.parent
    run = subprocess.run([sys.executable, "-m", "tests.benchmarks", "-h"], cwd=root, capture_output=True, text=True)

    assert run.returncode == 0, run.stderr
    assert ", ".join(BENCHMARKS) in " ".join(run.stdout.split())


def test_the_command_prints_a_line_for_each_ratio(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--rounds", "1", "screens"])

    measured = [line.split()[0] for line in capsys.readouterr().out.splitlines() if "engine, " in line]
    assert measured == ["5"] * 4 + ["6"] * 3


def test_the_known_jobs_are_told_whole() -> None:
    assert [job.id for job in known_jobs()] == list(KNOWN_JOBS)
    for job in known_jobs():
        assert read_object(asking(advisor_app(), told(job).body)())["unknown_that_matter"] == []
        assert all_known(job).context.missing() == ()
        assert all_known(job).context.held.items() >= told(job).context.held.items()


def test_every_request_is_answered_from_the_context_it_tells() -> None:
    for asked in (told(known_jobs()[0]), all_known(known_jobs()[0]), first_call()):
        body = read_object(asked.body)
        assert isinstance(body["facts"], dict)
        assert parse_context(body["facts"], asked.context.now) == asked.context


@pytest.mark.parametrize("make", [bare_echo, stock_echo])
def test_an_echo_gives_an_answer_of_the_same_size(make: object) -> None:
    asked = told(known_jobs()[0])
    answer = asking(advisor_app(), asked.body)()

    echoed = asking(make(answer), asked.body)()  # type: ignore[operator]

    assert read_object(echoed) == read_object(answer)


def test_an_answer_that_is_a_refusal_is_not_timed() -> None:
    with pytest.raises(RuntimeError, match="422"):
        asking(advisor_app(), b'{"facts": {"place": "nowhere"}, "record": false}')()


@pytest.mark.parametrize("job", KNOWN_JOBS)
def test_the_engine_answers_every_condition_as_we_do(job: str) -> None:
    asked = all_known(next(one for one in known_jobs() if one.id == job))
    for compiled in (screens_alone(), method().rules.compiled):
        world = world_of(compiled, asked.context)
        by_definition = [holds(condition, world) for condition in compiled.conditions]

        assert [status == "barred" for status in statuses(compiled, asked.context)] == by_definition
        assert any(by_definition)
        assert not all(by_definition)
        for answer in engine_ways(compiled, asked.context).values():
            assert truths(answer()) == by_definition


@pytest.mark.parametrize(
    "facts",
    [
        {"place": "footway_chamber"},
        {"place": "pole_top", NUMBER: 4.9},
        {"place": "pole_top", NUMBER: 5},
    ],
)
def test_every_kind_of_condition_is_put_to_the_engine(facts: dict[str, object]) -> None:
    compiled = _compiled(CONDITIONS)
    context = _only(parse_context(facts, FIRST_CALL_AT), ("place", NUMBER))
    expected = [holds(condition, world_of(compiled, context)) for condition in CONDITIONS]

    for answer in engine_ways(compiled, context).values():
        assert truths(answer()) == expected


def test_an_engine_that_answers_otherwise_is_not_compared() -> None:
    asked = all_known(known_jobs()[0])
    flipped = [status != "barred" for status in statuses(screens_alone(), asked.context)]

    with pytest.raises(ValueError, match="answers otherwise"):
        refuse_other_answers(screens_alone(), asked, {"flipped": lambda: flipped})


def test_an_open_fact_is_not_put_to_the_engine() -> None:
    with pytest.raises(ValueError, match="is open"):
        world_of(screens_alone(), first_call().context)


def test_quantiles_lie_between_neighbours() -> None:
    assert quantile([7], 0.95) == 7
    assert quantile([1, 2, 3, 5], 0.5) == 2.5
    assert quantile(list(range(101)), 0.95) == 95


def test_rounds_interleave_and_what_is_quick_is_done_before_it_is_timed() -> None:
    done: list[str] = []
    times = timed({"a": lambda: done.append("a"), "b": lambda: done.append("b")}, 2, once=("b",))

    assert "".join(done) == "aabbaa"
    assert list(times) == ["a", "b"]


def test_the_clock_that_is_given_is_read() -> None:
    ticks = iter([0, 3_000, 10_000, 15_000])

    assert timed({"a": lambda: None}, 2, clock=lambda: next(ticks))["a"].p50_us == 4.0


def test_a_goal_knows_on_which_side_it_is_missed() -> None:
    assert SCREENS.ratio(ours=2.0, anchor=12.0) == 6.0
    assert START_UP.ratio(ours=12.0, anchor=2.0) == 6.0
    assert [SCREENS.stands(one) for one in (4.9, 5.0, 7.0)] == ["missed", "between", "as aimed"]
    assert [START_UP.stands(one) for one in (3.1, 3.0, 1.5)] == ["missed", "between", "as aimed"]


def _compiled(conditions: tuple[Condition, ...]) -> CompiledRules:
    axes = method().rules.compiled.axes
    return compile_rules([(f"condition {i}", one) for i, one in enumerate(conditions)], axes, {})


def _only(context: Context, names: tuple[str, ...]) -> Context:
    return Context(context.now, context.held, {name: context.possible[name] for name in names})
