"""What counts as loosening is decided by conditions, plans, checks and what they hang on; somebody stands for it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from shipped_policy import shipped_texts

from repairadvisor.decision.loosening import policy_with, why_looser
from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy, Screen
from repairadvisor.policy.overlay import Overlay, read_overlay
from repairadvisor.policy.table import read_condition

Texts = dict[str, str]
WHENCE = 'source = "Saltgate depot"\nknown = "assumed"\nsince = "2031-01-15"\n'
STANDS = 'loosened_by = "head of field work"\nloosened_because = "tried for a year"\nloosened_on = 2031-01-10\n'


@pytest.fixture(scope="module")
def texts() -> Texts:
    return shipped_texts()


@pytest.fixture(scope="module")
def shipped(texts: Texts) -> Policy:
    return load_policy(texts)


def overlay(name: str = "Saltgate", **files: str) -> Overlay:
    """An overlay whose files are named without their ending."""
    named = {f"{file}.toml": text for file, text in files.items()}
    listed = ", ".join(f'"{one}"' for one in named)
    return read_overlay({"overlay.toml": f'name = "{name}"\nfiles = [{listed}]\n{WHENCE}', **named})


def _screen(policy: Policy, screen_id: str) -> Screen:
    return next(screen for screen in policy.screens if screen.id == screen_id)


def _with_screen(policy: Policy, screen: Screen) -> Policy:
    return replace(policy, screens=tuple(screen if one.id == screen.id else one for one in policy.screens))


# --- conditions, against an enumeration of its own ---------------------------------------------------------------

#: Limits of wind, m/s, in rising order, and words of the weather: what the drawn conditions are made of.
GUSTS = ("wet_climb_gust", "ladder_gust", "tent_gust", "climbing_gust", "platform_wind")
WEATHER = BY_NAME["precipitation"].words

_COMPARISON = some.one_of(
    some.builds(
        lambda operator, limit: {"fact": "wind_gust_mps", operator: limit},
        some.sampled_from(["below", "at_least"]),
        some.sampled_from(GUSTS),
    ),
    some.builds(
        lambda words: {"fact": "precipitation", "is_one_of": sorted(words)},
        some.sets(some.sampled_from(WEATHER), min_size=1),
    ),
    some.builds(lambda word: {"fact": "ice_on_structure", "is": word}, some.sampled_from(["yes", "no"])),
)
_CONDITION: some.SearchStrategy[dict[str, Any]] = some.recursive(
    _COMPARISON,
    lambda inner: some.one_of(
        some.builds(lambda parts: {"all": parts}, some.lists(inner, min_size=1, max_size=3)),
        some.builds(lambda parts: {"any": parts}, some.lists(inner, min_size=1, max_size=3)),
        some.builds(lambda part: {"not": part}, inner),
    ),
    max_leaves=5,
)


def _true(raw: dict[str, Any], world: dict[str, Any], limits: dict[str, float]) -> bool:
    """A condition as it stands in the file, in one world; written anew here, from the language's description."""
    if "all" in raw:
        return all(_true(one, world, limits) for one in raw["all"])
    if "any" in raw:
        return any(_true(one, world, limits) for one in raw["any"])
    if "not" in raw:
        return not _true(raw["not"], world, limits)
    value = world[raw["fact"]]
    if value is None:
        return False
    if "is" in raw:
        return bool(value == raw["is"])
    if "is_one_of" in raw:
        return value in raw["is_one_of"]
    return bool(value < limits[raw["below"]] if "below" in raw else value >= limits[raw["at_least"]])


def _worlds(limits: dict[str, float]) -> list[dict[str, Any]]:
    """Out of doors at every limit and a little to each side, and indoors, without wind, rain and ice."""
    gusts = sorted({limits[name] + by for name in GUSTS for by in (-0.01, 0.0, 0.01)})
    outside = [
        {"wind_gust_mps": gust, "precipitation": wet, "ice_on_structure": ice}
        for gust, wet, ice in itertools.product(gusts, WEATHER, ("yes", "no", None))
    ]
    return [*outside, {"wind_gust_mps": None, "precipitation": None, "ice_on_structure": None}]


@settings(max_examples=150, deadline=None)
@given(_CONDITION, _CONDITION)
def test_a_condition_is_as_strict_just_where_it_bars_whatever_the_old_one_barred(
    shipped: Policy, old: dict[str, Any], new: dict[str, Any]
) -> None:
    limits = {name: number.value for name, number in shipped.limits.items()}
    screen = _screen(shipped, "gust-on-a-ladder")
    before, after = (
        _with_screen(shipped, replace(screen, bars_when=read_condition("here", raw, shipped.limits, ())))
        for raw in (old, new)
    )
    found = why_looser(_screen(before, screen.id), before, after)
    bars_less = [world for world in _worlds(limits) if _true(old, world, limits) and not _true(new, world, limits)]
    assert bool(found) == bool(bars_less)


@pytest.mark.parametrize("screen_id", ["gust-while-climbing", "no-smell-of-gas", "not-beside-the-railway"])
def test_a_screen_is_as_strict_as_itself(shipped: Policy, screen_id: str) -> None:
    assert why_looser(_screen(shipped, screen_id), shipped, shipped) == ""


# --- what a screen hangs on --------------------------------------------------------------------------------------


def _limit(name: str, value: float, unit: str) -> str:
    return f'[limit.{name}]\nvalue = {value}\nunit = "{unit}"\n'


LOOSENINGS = [
    ({"limits": _limit("ladder_gust", 9, "m/s")}, "gust-on-a-ladder", "no longer bars where wind_gust_mps is 8"),
    ({"screens_safety": '[[screen]]\nid = "gust-on-a-ladder"\nremove = true\n'}, "gust-on-a-ladder", "it is gone"),
    (
        {"screens_safety": '[[screen]]\nid = "gust-on-a-ladder"\nkind = "feasibility"\n'},
        "gust-on-a-ladder",
        "of the kind feasibility",
    ),
    (
        {"screens_safety": '[[screen]]\nid = "gust-on-a-ladder"\nplans = { access = ["climbing"] }\n'},
        "gust-on-a-ladder",
        "no longer speaks of",
    ),
    (
        {
            "screens_scope_and_danger": '[[screen]]\nid = "not-beside-the-railway"\ncheck = "on_arrival"\n'
            'not_before = "No rails."\n'
        },
        "not-beside-the-railway",
        "may be settled on arrival",
    ),
    ({"facts": "[fact.wind_gust_mps]\nlasts_min = 2000\n"}, "gust-on-a-ladder", "wind_gust_mps counts for longer"),
    (
        {"slots": '[[slot]]\nid = "thunder-over"\nafter_min = { less_fact = "since_thunder_min" }\n'},
        "no-height-in-thunder",
        "a slot says otherwise than before what lightning will be",
    ),
    (
        {
            "slots": '[[slot]]\nadd = true\nid = "air-clears"\nwhen = { fact = "gas_test", is = "alarm" }\n'
            'after_min = { limit = "thunder_wait" }\nthen = { gas_test = "clear" }\nuntil = "the air is good"\n'
        },
        "gas-alarm",
        "what gas_test will be",
    ),
    (
        {
            "derived": '[derived.gust_over_plate_mps]\nterms = [{ fact = "wind_gust_mps", times = 0.9 }, '
            '{ fact = "platform_wind_limit_mps", times = -1.0 }]\n'
        },
        "gust-over-the-plate",
        "is another sum",
    ),
    (
        {
            "limits": f"{_limit('plate_reserve', 2, 'm/s')}add = true\n",
            "derived": '[derived.gust_over_plate_mps]\nminus = ["plate_reserve"]\n',
        },
        "gust-over-the-plate",
        "no longer bars",
    ),
]


@pytest.mark.parametrize(("files", "screen_id", "why"), LOOSENINGS)
def test_loosening_is_refused_where_nobody_stands_for_it(
    texts: Texts, files: dict[str, str], screen_id: str, why: str
) -> None:
    with pytest.raises(PolicyError) as caught:
        policy_with(texts, [overlay(**files)])
    for said in ("is loosened", why, "loosened_by", "loosened_because", "loosened_on"):
        assert said in str(caught.value)


def test_loosening_with_name_reason_and_day_is_kept_with_the_screen_as_it_was(texts: Texts, shipped: Policy) -> None:
    row = f'[[screen]]\nid = "gust-on-a-ladder"\n{STANDS}'
    policy = policy_with(texts, [overlay(limits=_limit("ladder_gust", 9, "m/s"), screens_safety=row)])
    (one,) = policy.loosened
    assert one.screen == _screen(shipped, "gust-on-a-ladder")
    assert (one.by, one.because, one.on) == ("head of field work", "tried for a year", "2031-01-10")


@pytest.mark.parametrize("left_out", ["loosened_by", "loosened_because", "loosened_on"])
def test_each_of_the_three_is_asked_for(texts: Texts, left_out: str) -> None:
    said = "".join(line for line in STANDS.splitlines(keepends=True) if not line.startswith(left_out))
    row = f'[[screen]]\nid = "gust-on-a-ladder"\n{said}'
    with pytest.raises(PolicyError, match=f"its row lacks {left_out};"):
        policy_with(texts, [overlay(limits=_limit("ladder_gust", 9, "m/s"), screens_safety=row)])


def test_the_day_is_a_day(texts: Texts) -> None:
    row = f'[[screen]]\nid = "gust-on-a-ladder"\n{STANDS}'.replace("2031-01-10", '"soon"')
    with pytest.raises(PolicyError, match=r"loosened_on: is 'soon', no day"):
        policy_with(texts, [overlay(limits=_limit("ladder_gust", 9, "m/s"), screens_safety=row)])


@pytest.mark.parametrize(
    "files",
    [
        {"limits": _limit("ladder_gust", 6, "m/s")},
        {"screens_safety": '[[screen]]\nid = "gust-on-a-ladder"\nplans = { access = ["ladder", "climbing"] }\n'},
        {"screens_safety": '[[screen]]\nid = "gust-on-a-ladder"\ncheck = ""\n'},
        {"facts": "[fact.wind_gust_mps]\nlasts_min = 1\n"},
        {"slots": '[[slot]]\nid = "thunder-over"\nmeanwhile = ["sit in the van"]\n'},
        {"limits": _limit("thunder_wait", 45, "min")},
        {
            "slots": '[[slot]]\nadd = true\nid = "air-unknown"\nwhen = { fact = "gas_test", is = "alarm" }\n'
            'after_min = { limit = "thunder_wait" }\nthen = { gas_test = "?" }\nuntil = "the air was tested"\n'
        },
        {
            "screens_safety": '[[screen]]\nid = "gust-on-a-ladder"\nbars_when = { any = [{ fact = "wind_gust_mps", '
            'at_least = "ladder_gust" }, { fact = "precipitation", is = "snow" }] }\n'
        },
        {
            "limits": f"{_limit('plate_reserve', 2, 'm/s')}add = true\n",
            "derived": '[derived.gust_over_plate_mps]\nplus = ["plate_reserve"]\n',
        },
    ],
)
def test_tightening_is_free(texts: Texts, files: dict[str, str]) -> None:
    assert policy_with(texts, [overlay(**files)]).loosened == ()


def test_a_screen_that_protects_nobody_may_go(texts: Texts) -> None:
    row = '[[screen]]\nid = "no-fusion-machine"\nremove = true\n'
    assert policy_with(texts, [overlay(screens_stock=row)]).loosened == ()


# --- one overlay on another --------------------------------------------------------------------------------------

TIGHT = {"limits": _limit("ladder_gust", 6, "m/s")}
BACK = {"limits": _limit("ladder_gust", 8, "m/s")}
ROW = {"screens_safety": f'[[screen]]\nid = "gust-on-a-ladder"\n{STANDS}'}


def test_what_a_parent_tightened_is_not_loosened_silently(texts: Texts) -> None:
    with pytest.raises(PolicyError, match="gust-on-a-ladder: is loosened"):
        policy_with(texts, [overlay("group", **TIGHT), overlay("depot", **BACK)])
    (one,) = policy_with(texts, [overlay("group", **TIGHT), overlay("depot", **BACK, **ROW)]).loosened
    assert one.screen.bars_when.value == 6.0  # type: ignore[union-attr]


def test_a_parents_name_does_not_stand_for_what_its_child_loosens(texts: Texts) -> None:
    parent = overlay("group", limits=_limit("ladder_gust", 9, "m/s"), **ROW)
    with pytest.raises(PolicyError, match="depot: gust-on-a-ladder: is loosened"):
        policy_with(texts, [parent, overlay("depot", limits=_limit("ladder_gust", 10, "m/s"))])


def test_what_a_child_tightened_again_is_loosened_no_more(texts: Texts) -> None:
    parent = overlay("group", limits=_limit("ladder_gust", 9, "m/s"), **ROW)
    assert policy_with(texts, [parent, overlay("depot", **BACK)]).loosened == ()


def test_the_row_of_a_removed_screen_belongs_to_what_the_id_is_made_of(texts: Texts) -> None:
    row = '[[screen]]\nid = "gust-on-a-ladder"\nremove = true\n'
    first, second = (
        policy_with(texts, [overlay(screens_safety=row + STANDS.replace("a year", length))])
        for length in ("a year", "two years")
    )
    assert first.screens == second.screens
    assert first.id != second.id
    assert len(first.screens) == len(load_policy(texts).screens) - 1
