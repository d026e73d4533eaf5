"""The overlay of the invented firm: what it changes, what its advice says of that, and that it comes whole or not."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

import pytest

from repairadvisor.decision.advice import Advice
from repairadvisor.decision.loosening import policy_of
from repairadvisor.decision.ranges import ranges_of, rules_with, with_number
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.screens import BARRED, CLEAR, OPEN, statuses
from repairadvisor.errors import PolicyError, SettingsError
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import PreparedMethod, default_policy, policy_in_force, prepared_method
from repairadvisor.render import terminal, ticket_note
from repairadvisor.render.voice import Voice
from repairadvisor.replay import Replaying, replay_of
from repairadvisor.schemas.advice import document_bytes, read_document
from repairadvisor.service import Advisor, open_records
from repairadvisor.settings import Settings, cache_folder, policy_folder

FOLDER = Path(str(resources.files("repairadvisor.policy") / "lanternfield"))
NOW = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
LADDER = "too-high-for-a-ladder"
#: Everything that concerns people told, so that nothing has to be asked before a plan stands.
SAFE = {
    "place": "wall_box",
    "danger_seen": "none",
    "cable_touches_power_line": "no",
    "lightning": "none",
    "wind_gust_mps": 2.0,
    "precipitation": "none",
    "ice_on_structure": "no",
    "crew_place": "on_site",
    # What would only take time to be weighed for every value it can have.
    "service_kind": "passive_network",
    "fibres_down_count": 1.0,
    "fibres_in_service_count": 1.0,
    "cable_kind": "tight_buffered",
    "margin_db": 3.0,
}


@pytest.fixture(scope="module")
def shipped() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ))


@pytest.fixture(scope="module")
def firm() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ), overlay=FOLDER)


@pytest.fixture(scope="module")
def by_ladder(firm: PreparedMethod) -> Advice:
    """Advice at a height at which only the loosened rule permits a ladder."""
    return firm.advise(_context(height_m=4.2))


def _context(**facts: object) -> Context:
    return parse_context({**SAFE, **facts}, NOW)


def test_what_the_overlay_changes_and_only_that(shipped: PreparedMethod, firm: PreparedMethod) -> None:
    """Counted by hand in the folder, a sentence of the wording as one change: 23."""
    old, new = shipped.policy, firm.policy
    changed = [
        *(name for name in old.rates if old.rates[name] != new.rates[name]),
        *(name for name in new.limits if old.limits.get(name) != new.limits[name]),
        *(row.id for row, was in zip(new.prices, old.prices, strict=True) if row != was),
        *(row.id for row, was in zip(new.minutes, old.minutes, strict=True) if row != was),
        *(name for name in old.facts if old.facts[name] != new.facts[name]),
        *(name for name in old.crew_by_place if old.crew_by_place[name] != new.crew_by_place[name]),
    ]
    assert len(changed) == len(set(changed))
    assert set(changed) == {
        *("labour_cu_per_person_hour", "second_visit_cu", "stand_off_return_cu"),
        *("climbing_gust", "ladder_height", "daylight_for_climbing"),
        *("body-gel-once", "pigtail", "closure-one", "platform-visit"),
        *("set-out-place", "set-out-indoor-bench"),
        *("fusion_machine", "dug_pit"),
    }
    before = {screen.id: screen for screen in old.screens}
    screens = {screen.id for screen in new.screens if before.get(screen.id) != screen}
    assert screens == {"gust-while-climbing", LADDER, "no-smell-of-gas", "no-climbing-towards-dark"}
    assert (old.steps, old.kit, old.joints, old.plans) == (new.steps, new.kit, new.joints, new.plans)


def test_one_screen_is_loosened_and_somebody_stands_for_it(firm: PreparedMethod) -> None:
    (one,) = firm.policy.loosened
    assert (one.screen.id, one.on) == (LADDER, "2031-01-10")


@pytest.mark.parametrize("example", ["bars", "clears", "leaves_open"])
def test_screens_that_the_firm_changed_still_say_of_their_examples_what_those_are_for(
    firm: PreparedMethod, example: str
) -> None:
    wanted = {"bars": BARRED, "clears": CLEAR, "leaves_open": OPEN}[example]
    for i, screen in enumerate(firm.policy.screens):
        context = parse_context(screen.examples[example], NOW)
        assert statuses(firm.rules.compiled, context)[firm.rules.index("screen", i)] == wanted, screen.id


def voice_of(method: PreparedMethod) -> Voice:
    return Voice(Words(method.wording))


def _touched_by_the_old_rule(advice: Advice, height_m: float | None) -> bool:
    """Whether the advice names a plan by ladder that the shipped rule (no ladder from 4 m) does not clear."""
    named = [advice.plan, *(one.plan for one in advice.fallbacks), *(one.plan for one in advice.alternatives)]
    by_ladder = any(plan is not None and plan.access == "ladder" for plan in named)
    return by_ladder and (height_m is None or height_m >= 4.0)


WHOLE_RUN = (pytest.mark.long, pytest.mark.whole_run)
HEIGHTS = [4.0, 4.4, *(pytest.param(one, marks=WHOLE_RUN) for one in (3.9, 4.5, None))]


@pytest.mark.parametrize("height_m", HEIGHTS)
def test_advice_says_what_was_loosened_just_where_the_old_rule_would_not_have_cleared_it(
    firm: PreparedMethod, height_m: float | None
) -> None:
    told = {} if height_m is None else {"height_m": height_m}
    advice = firm.advise(_context(**told))
    if advice.action == "repair":
        assert bool(advice.loosened) == _touched_by_the_old_rule(advice, height_m)
    for one in advice.loosened:
        assert one.screen == LADDER
        assert "head of field safety" in one.said
        assert "2031-01-10" in one.said
        for rendered in (terminal.render(advice, voice_of(firm)), ticket_note.render(advice, voice_of(firm))):
            assert " ".join(one.said.split()) in " ".join(rendered.split())
    if height_m is not None and not 4.0 <= height_m < 4.5:
        assert not advice.loosened


def test_where_only_the_loosened_rule_permits_the_ladder_the_advice_says_so(by_ladder: Advice) -> None:
    (one,) = by_ladder.loosened
    assert all("/ladder/" in plan for plan in one.plans)
    assert one.said.startswith("This operator loosened a rule: as it was it would bar ")
    assert read_document(document_bytes(by_ladder)) == by_ladder


def test_advice_under_the_policy_that_ships_says_nothing_of_loosening_or_ranges(shipped: PreparedMethod) -> None:
    advice = shipped.advise(_context(height_m=4.2))
    assert (advice.loosened, advice.ranges, advice.ranges_said) == ((), (), "")


def test_the_currency_is_the_firms(firm: PreparedMethod, by_ladder: Advice) -> None:
    assert "crowns" in terminal.render(by_ladder, voice_of(firm))
    assert re.search(r"\d cu\b", terminal.render(by_ladder, voice_of(firm))) is None


# --- ranges ------------------------------------------------------------------------------------------------------


def test_the_firms_ranges(firm: PreparedMethod) -> None:
    assert {(one.name, one.amount, one.ends) for one in ranges_of(firm.policy)} == {
        ("labour_cu_per_person_hour", "", (66.0, 90.0)),
        ("body-gel-once", "cu", (8.0, 22.0)),
        ("set-out-indoor-bench", "p50", (8.0, 20.0)),
        ("set-out-indoor-bench", "p95", (25.0, 45.0)),
    }


def _with_a_wide_range(firm: PreparedMethod) -> PreparedMethod:
    """The firm, to whom a mechanical body costs anything from next to nothing to 900."""
    number = next(one for one in ranges_of(firm.policy) if one.name == "body-gel-once")
    wide = {("cu", ""): (0.01, 900.0)}
    prices = tuple(replace(row, ends=wide) if row.id == number.name else row for row in firm.rules.policy.prices)
    policy = replace(firm.rules.policy, prices=prices)
    return PreparedMethod(policy, rules_with(firm.rules, policy))


CABINET = {
    "place": "street_cabinet",
    "cable_touches_power_line": None,
    "ice_on_structure": None,
    "fibres_down_count": 1.0,
    "fault_seen": "cut",
}


@pytest.mark.long
@pytest.mark.whole_run
def test_an_end_of_a_range_is_named_just_where_the_answer_is_another_one_with_that_number(
    firm: PreparedMethod,
) -> None:
    """Held against advice under a policy in which the number stands at its end and is no range."""
    wide = _with_a_wide_range(firm)
    context = parse_context({name: one for name, one in {**SAFE, **CABINET}.items() if one is not None}, NOW)
    advice = wide.advise(context)
    named = {(one.figure, one.at) for one in advice.ranges}
    for number in (one for one in ranges_of(wide.policy) if one.kind != "minutes"):
        for end in number.ends:
            at_end = with_number(wide.policy, number, end)
            then = PreparedMethod(at_end, rules_with(wide.rules, at_end)).advise(context)
            told = [one for one in advice.ranges if one.at == end and number.name.replace("-", " ") in one.figure]
            if advice.action == then.action == "repair":
                assert bool(told) == (then.plan != advice.plan)
            if told:
                assert told[0].then_plan == then.plan or then.action == "ask_first"
    assert bool(named) != bool(advice.ranges_said)


def test_ranges_that_change_nothing_are_said_to_change_nothing(by_ladder: Advice) -> None:
    assert by_ladder.ranges or "stays the same" in by_ladder.ranges_said


# --- settings and refusals ---------------------------------------------------------------------------------------


def test_the_folder_is_a_setting(tmp_path: Path) -> None:
    environment = {"HOME": str(tmp_path), "REPAIRADVISOR_POLICY": str(FOLDER)}
    assert Settings.from_environment(environment).policy == FOLDER
    assert Settings.from_environment({"HOME": str(tmp_path)}).policy is None
    assert policy_folder({"REPAIRADVISOR_POLICY": ""}) is None
    with pytest.raises(SettingsError, match="REPAIRADVISOR_POLICY"):
        policy_folder({"REPAIRADVISOR_POLICY": "a\nb"})


def test_without_the_setting_the_policy_that_ships_is_in_force() -> None:
    assert policy_in_force(None).id == default_policy().id != policy_in_force(FOLDER).id


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    return Path(shutil.copytree(FOLDER, tmp_path / "lanternfield"))


def test_the_same_folder_elsewhere_is_the_same_policy(copy: Path) -> None:
    assert policy_in_force(copy).id == policy_in_force(FOLDER).id


def test_nobody_standing_for_what_is_loosened_nothing_of_the_overlay_holds(copy: Path) -> None:
    file = copy / "screens_safety.toml"
    file.write_text(file.read_text().replace("loosened_by", "#"))
    with pytest.raises(PolicyError, match=f"{LADDER}: is loosened"):
        policy_in_force(copy)


def _run(tmp_path: Path, *words: str, policy: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "HOME": str(tmp_path), "REPAIRADVISOR_POLICY": str(policy)}
    return subprocess.run([sys.executable, "-m", *words], env=environment, capture_output=True, text=True, timeout=120)


@pytest.mark.parametrize(
    "words", [["repairadvisor", "advise", "place=wall_box", "--no-record"], ["repairadvisor.web.serve", "--port", "0"]]
)
def test_a_bad_overlay_is_refused_in_one_line(tmp_path: Path, copy: Path, words: list[str]) -> None:
    (copy / "prices.toml").write_text('[[price]]\nid = "pigtial"\ncu = 1\nunit = "cu per fibre"\n')
    ended = _run(tmp_path, *words, policy=copy)
    assert (ended.returncode, ended.stdout) == (2, "")
    line = "prices.toml: pigtial: no such row; did you mean pigtail?; allowed: an id of the policy, or add = true\n"
    assert ended.stderr == line


def test_advice_on_the_command_line_is_given_under_the_overlay(tmp_path: Path) -> None:
    ended = _run(tmp_path, "repairadvisor", "advise", "--no-record", "place=street_cabinet", policy=FOLDER)
    assert "crowns" in ended.stdout
    assert f"policy {policy_in_force(FOLDER).id[:12]}" in ended.stdout


def test_the_policy_can_be_had_again_from_its_text_with_what_was_loosened(firm: PreparedMethod) -> None:
    assert firm.policy.loosened
    again = policy_of(firm.policy.canonical)
    assert again.loosened == firm.policy.loosened
    assert again == policy_in_force(FOLDER)
    with pytest.raises(PolicyError, match="canonical"):
        policy_of(firm.policy.canonical.replace(b'"overlays":[', b'"overlays": ['))


@pytest.mark.long
@pytest.mark.whole_run
def test_an_advice_under_a_loosened_rule_is_made_again_byte_for_byte(tmp_path: Path) -> None:
    records = open_records(Settings(database_url=f"sqlite:///{tmp_path}/records.db"))
    method = prepared_method(cache_folder(os.environ), records, overlay=FOLDER)
    given = Advisor(method, records).advise({"facts": SAFE | {"fault_seen": "cut"}}, NOW)
    assert given.id is not None
    assert replay_of(Advisor(method, records), given.id).equal
    assert Replaying(records, tmp_path).replay(records.get(given.id)).equal
