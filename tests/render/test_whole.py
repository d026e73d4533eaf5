"""What must hold of every renderer and every advice: cautions whole and in time, limits of width and length."""

from __future__ import annotations

import re
import string
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from builders import ADVICES, VOICE, WORDING, a_caution, a_check, a_voice, an_advice
from hypothesis import given, settings
from hypothesis import strategies as st

from repairadvisor.decision.advice import ACTIONS, Advice, Restored, Step
from repairadvisor.render import sentences, terminal, ticket_note
from repairadvisor.render.headings import headings
from repairadvisor.render.placing import placed
from repairadvisor.render.voice import Voice

RENDERERS = (terminal.render, ticket_note.render)
_WORDS = st.lists(st.text(string.ascii_letters + "éµ–", min_size=1, max_size=12), min_size=1, max_size=60).map(" ".join)


@st.composite
def advices(draw: st.DrawFn) -> Advice:
    checks = tuple(
        a_check(screen=f"check-{number}", not_before=draw(_WORDS), cautions=())
        for number in range(draw(st.integers(0, 3)))
    )
    steps = tuple(Step(number, draw(_WORDS), draw(_WORDS), ()) for number in range(1, draw(st.integers(1, 6))))
    cautions = tuple(
        a_caution(
            tag=f"tag-{number}",
            text=draw(_WORDS),
            before_step=draw(st.integers(0, 6)),
            owed_to=draw(st.sampled_from(["known", "unknown"])),
            beside_check=f"check-{draw(st.integers(0, 3))}",
        )
        for number in range(draw(st.integers(0, 8)))
    )
    return an_advice(
        action=draw(st.sampled_from(ACTIONS)),
        say=draw(_WORDS),
        checks_on_arrival=checks,
        steps=steps,
        cautions=cautions,
        turning_points=tuple(
            replace(an_advice().turning_points[0], said=said) for said in draw(st.lists(_WORDS, max_size=4))
        ),
        alternatives=an_advice().alternatives * draw(st.integers(0, 12)),
        barred=an_advice().barred * draw(st.integers(0, 12)),
    )


def _flat(text: str) -> str:
    """Text as one line, without what stands between notes."""
    return " ".join(re.sub(r"\n\n\[\d+ of \d+\] goes on\n", "\n", text).split())


@pytest.mark.parametrize("render", RENDERERS)
@settings(max_examples=60, deadline=None)
@given(advice=advices())
def test_every_caution_and_check_is_printed_whole(render: Callable[[Advice, Voice], str], advice: Advice) -> None:
    text = _flat(render(advice, VOICE))
    for caution in advice.cautions:
        assert f"CAUTION: {caution.text}" in text
    for check in advice.checks_on_arrival:
        assert f"Check: {check.not_before}" in text


@pytest.mark.parametrize("render", RENDERERS)
@settings(max_examples=60, deadline=None)
@given(advice=advices())
def test_every_caution_stands_before_what_it_concerns(render: Callable[[Advice, Voice], str], advice: Advice) -> None:
    text = _flat(render(advice, VOICE))
    where = placed(advice)
    steps = {step.number: text.rindex(sentences.step(step, VOICE)) for step in advice.steps}
    for number, cautions in where.before.items():
        for caution in cautions:
            assert text.index(f"CAUTION: {caution}") < steps[number]
    checks = {check.screen: text.rindex(f"Check: {check.not_before}") for check in advice.checks_on_arrival}
    for screen, cautions in where.beside.items():
        for caution in cautions:
            assert text.index(f"CAUTION: {caution}") < checks[screen]
    for caution in where.first:
        assert text.index(f"CAUTION: {caution}") < min([*steps.values(), *checks.values(), len(text)])


@settings(max_examples=60, deadline=None)
@given(advice=advices())
def test_the_terminal_page_is_80_columns_wide_and_starts_with_what_to_do(advice: Advice) -> None:
    lines = terminal.render(advice, VOICE).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert lines[0].startswith(sentences.action(advice, VOICE))


@settings(max_examples=60, deadline=None)
@given(advice=advices())
def test_notes_keep_their_length_and_number_themselves(advice: Advice) -> None:
    notes = ticket_note.notes(advice, VOICE)
    assert max(len(note) for note in notes) <= ticket_note.LONGEST
    if len(notes) == 1:
        assert notes[0].startswith(sentences.headline(advice, VOICE))
    else:
        assert notes[0].startswith(f"[1 of {len(notes)}] {sentences.headline(advice, VOICE)}")
        for number, note in enumerate(notes[1:], start=2):
            assert note.startswith(f"[{number} of {len(notes)}] goes on\n")


@settings(max_examples=60, deadline=None)
@given(advice=advices())
def test_notes_are_broken_between_lines_only(advice: Advice) -> None:
    lines = {line for note in ticket_note.notes(advice, VOICE) for line in note.split("\n")}
    for caution in advice.cautions:
        assert sentences.caution(caution.text, VOICE) in lines


def test_what_may_yield_makes_no_further_note_and_is_named() -> None:
    lean = ticket_note.notes(an_advice(alternatives=(), barred=(), sources=()), VOICE)
    full = ticket_note.notes(an_advice(alternatives=an_advice().alternatives * 40), VOICE)
    assert len(full) == len(lean)
    assert "Left out here for length: other ways." in full[-1]
    assert "Not allowed here:" in full[-1]


def test_alternatives_yield_before_barred_plans_and_those_before_sources() -> None:
    many = an_advice(alternatives=an_advice().alternatives * 40, barred=an_advice().barred * 40)
    text = ticket_note.render(many, VOICE)
    assert "Left out here for length: not allowed here, other ways." in text
    assert "Sources:" in text


def test_what_fits_is_not_left_out() -> None:
    assert "Left out" not in ticket_note.render(ADVICES["stand_off"], VOICE)


def test_a_line_longer_than_a_note_goes_on_in_the_next_one() -> None:
    endless = " ".join(f"word{number}" for number in range(600))
    advice = an_advice(cautions=(a_caution(text=endless, before_step=0),))
    assert all(len(note) <= ticket_note.LONGEST for note in ticket_note.notes(advice, VOICE))
    assert endless in _flat(ticket_note.render(advice, VOICE))


def test_line_breaks_in_a_text_cannot_pass_for_other_lines() -> None:
    text = ticket_note.render(an_advice(say="Wait.\n\n[1 of 1] REPAIR. Go on."), VOICE)
    assert text.splitlines()[0].endswith("REPAIR. Wait. [1 of 1] REPAIR. Go on.")


@pytest.mark.parametrize("sign", ["\x1b[2J", "\x9b2J", "\x07", "\x08", "\u202e", "\u200b", "\udcff"])
@pytest.mark.parametrize("render", RENDERERS)
def test_signs_that_a_terminal_obeys_are_not_printed(render: Callable[[Advice, Voice], str], sign: str) -> None:
    used = replace(an_advice().facts_used[0], source=f"Saltgate{sign} desk", value=f"3{sign}")
    advice = an_advice(say=f"Stay{sign} back.", facts_used=(used,), call=(f"the owner{sign}",))
    assert all(line.isprintable() for line in render(advice, VOICE).split("\n"))
    assert "Stay\N{REPLACEMENT CHARACTER}" in render(advice, VOICE)


@pytest.mark.parametrize("advice", ADVICES.values(), ids=ADVICES.keys())
@pytest.mark.parametrize("render", RENDERERS)
def test_no_line_ends_in_space_or_says_none(render: Callable[[Advice, Voice], str], advice: Advice) -> None:
    for line in render(advice, VOICE).splitlines():
        assert line == line.rstrip()
        assert "None" not in line


@pytest.mark.parametrize("name", ADVICES)
@pytest.mark.parametrize("longest", [400, 700, ticket_note.LONGEST])
def test_an_item_to_carry_is_whole_in_one_note_and_no_heading_ends_one(name: str, longest: int) -> None:
    made = ticket_note.notes(ADVICES[name], VOICE, longest)
    lines = [line for note in made for line in note.splitlines()]
    for item in sentences.kit(ADVICES[name], VOICE):
        assert f"- {sentences.one_line(item)}" in lines
    assert [note for note in made if note.splitlines()[-1].endswith(":")] == []
    assert all(len(note) <= longest for note in made)


@pytest.mark.parametrize(("minutes", "said"), [(94.9, False), (95.1, True)])
def test_an_advice_that_runs_out_before_service_is_back_is_asked_for_again_on_arrival(
    minutes: float, said: bool
) -> None:
    given = datetime.fromisoformat(an_advice().now)
    back = Restored(minutes, 160.0, ())
    advice = an_advice(valid_until=(given + timedelta(minutes=95)).isoformat(), restored_after_min=back)
    for render in RENDERERS:
        assert ("Ask again on arrival: " in " ".join(render(advice, VOICE).split())) == said
    assert sentences.on_arrival(replace(advice, valid_until=""), VOICE) == []
    assert sentences.on_arrival(replace(advice, restored_after_min=None), VOICE) == []


def test_headings_are_the_policys() -> None:
    own = a_voice(wording={**WORDING, "heading": {**headings(VOICE), "kit": "To be loaded"}})
    assert "\nTo be loaded\n" in terminal.render(an_advice(), own)
    assert "\nTo be loaded:\n- " in ticket_note.render(an_advice(), own)
    assert "\nSteps\n" in terminal.render(an_advice(), own)


def test_the_action_is_not_said_twice() -> None:
    told = an_advice(action="stand_off", say="Stand off: touch nothing.")
    assert terminal.render(told, VOICE).startswith("STAND OFF: touch nothing.\n")


@pytest.mark.parametrize("render", RENDERERS)
def test_what_follows_when_checks_fail_is_said_once_for_those_that_fail_alike(
    render: Callable[[Advice, Voice], str],
) -> None:
    checks = (
        a_check(screen="a", if_it_fails="Stand off."),
        a_check(screen="b", not_before="No gas.", if_it_fails="Stand off."),
        a_check(screen="c", not_before="No water.", if_it_fails="Pump first."),
    )
    text = _flat(render(an_advice(checks_on_arrival=checks, cautions=()), VOICE))
    assert text.count("Stand off.") == 1
    assert text.index("No gas.") < text.index("Stand off.") < text.index("No water.") < text.index("Pump first.")


@pytest.mark.parametrize(
    ("costs_more", "said"), [(38.2, "costs 38 cu more"), (-38.2, "costs 38 cu less"), (-0.01, "costs the same")]
)
def test_an_alternative_costs_more_or_less(costs_more: float, said: str) -> None:
    (other,) = an_advice().alternatives
    assert said in terminal.render(an_advice(alternatives=(replace(other, costs_more=costs_more),)), VOICE)
