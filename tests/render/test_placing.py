"""Each caution at its place, none lost."""

from __future__ import annotations

from builders import a_caution, a_check, an_advice

from repairadvisor.decision.advice import Caution, Step
from repairadvisor.render.placing import placed


def _placed_one(caution: Caution) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    advice = an_advice(cautions=(caution,), checks_on_arrival=(a_check(cautions=()),), steps=(Step(1, "Cut.", "", ()),))
    where = placed(advice)
    return where.first, where.beside["pole-sound"], where.before[1]


def test_a_known_caution_stands_before_its_step_or_before_anything() -> None:
    assert _placed_one(a_caution(text="Beware.", before_step=1)) == ((), (), ("Beware.",))
    assert _placed_one(a_caution(text="Beware.", before_step=0)) == (("Beware.",), (), ())


def test_a_caution_owed_to_the_unknown_stands_beside_its_check() -> None:
    owed = a_caution(text="Beware.", owed_to="unknown", beside_check="pole-sound")
    assert _placed_one(owed) == ((), ("Beware.",), ())


def test_a_caution_whose_place_is_not_there_comes_first() -> None:
    assert _placed_one(a_caution(text="Beware.", before_step=7))[0] == ("Beware.",)
    assert _placed_one(a_caution(text="Beware.", owed_to="unknown", beside_check="gone"))[0] == ("Beware.",)


def test_what_a_step_or_check_says_by_itself_is_kept_and_nothing_is_said_twice() -> None:
    advice = an_advice(
        cautions=(a_caution(tag="wind", text="Gusts.", before_step=1), a_caution(text="Gusts.", before_step=1)),
        checks_on_arrival=(a_check(cautions=("Listen.",)),),
        steps=(Step(1, "Cut.", "", ("wind", "Mind the edge.", "Mind the edge.")),),
    )
    where = placed(advice)
    assert where.before[1] == ("Gusts.", "Mind the edge.")
    assert where.beside["pole-sound"] == ("Listen.",)
