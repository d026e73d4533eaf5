"""Overlays are merged by key and id, whatever their files' order, and refused by file, key and nearest right name."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from repairadvisor.errors import PolicyError
from repairadvisor.policy.lay_over import lay_over
from repairadvisor.policy.load import read_policy
from repairadvisor.policy.model import Policy
from repairadvisor.policy.overlay import OVERLAY_FILES, Overlay, merged, read_overlay

Texts = dict[str, str]
WHENCE = 'source = "records of Saltgate depot"\nknown = "operator\'s records"\nsince = "2031-01-15"\n'


def overlay(files: Mapping[str, str], head: str = WHENCE) -> Overlay:
    """An overlay of files, its list written for it."""
    listed = ", ".join(f'"{name}"' for name in files)
    return read_overlay({"overlay.toml": f'name = "Saltgate"\nfiles = [{listed}]\n{head}', **files})


@pytest.fixture(scope="module")
def raw(texts: Texts) -> dict[str, Any]:
    return {name: tomllib.loads(text) for name, text in texts.items()}


def _laid(raw: dict[str, Any], files: Mapping[str, str], head: str = WHENCE) -> Policy:
    return read_policy(lay_over(raw, overlay(files, head)))


def _refused(raw: dict[str, Any], files: Mapping[str, str], *said: str, head: str = WHENCE) -> None:
    with pytest.raises(PolicyError) as caught:
        _laid(raw, files, head)
    for one in said:
        assert one in str(caught.value)
    assert "\n" not in str(caught.value)


# --- merging -----------------------------------------------------------------------------------------------------


def test_one_number_changes_and_nothing_else(raw: dict[str, Any], policy: Policy) -> None:
    text = '[rate.second_visit_cu]\nvalue = 410\nunit = "cu"\n'
    changed = _laid(raw, {"prices.toml": text})
    assert changed.rates["second_visit_cu"].value == 410.0
    assert changed.rates["second_visit_cu"].source == "records of Saltgate depot"
    assert changed.rates["second_visit_cu"].since == "2031-01-15"
    others = {name: rate for name, rate in changed.rates.items() if name != "second_visit_cu"}
    assert others == {name: rate for name, rate in policy.rates.items() if name != "second_visit_cu"}
    assert (changed.screens, changed.prices, changed.minutes) == (policy.screens, policy.prices, policy.minutes)
    assert changed.id != policy.id


def test_a_range_takes_the_place_of_a_value_and_a_value_that_of_a_range(raw: dict[str, Any]) -> None:
    ranged = lay_over(raw, overlay({"prices.toml": '[rate.second_visit_cu]\nlow = 200\nhigh = 400\nunit = "cu"\n'}))
    assert read_policy(ranged).rates["second_visit_cu"].ends == (200.0, 400.0)
    back = lay_over(ranged, overlay({"prices.toml": '[rate.second_visit_cu]\nvalue = 410\nunit = "cu"\n'}))
    assert read_policy(back).rates["second_visit_cu"].ends is None


def test_one_word_of_a_price_changes_and_the_others_stay(raw: dict[str, Any], policy: Policy) -> None:
    changed = _laid(raw, {"prices.toml": '[[price]]\nid = "closure-one"\ncu = { drop = 38 }\nunit = "cu"\n'})
    row, old = (next(one for one in of.prices if one.id == "closure-one") for of in (changed, policy))
    assert row.amount == {**old.amount, "drop": 38.0}


def test_a_condition_part_of_a_plan_and_a_list_replace_what_was_there(raw: dict[str, Any]) -> None:
    text = """[[screen]]
id = "gust-on-a-ladder"
plans = { access = ["ladder", "climbing"] }
bars_when = { any = [{ fact = "wind_gust_mps", at_least = "ladder_gust" }, { fact = "precipitation", is = "snow" }] }
cautions = ["wind"]
"""
    row = next(one for one in _laid(raw, {"screens_safety.toml": text}).screens if one.id == "gust-on-a-ladder")
    assert row.plans == {"access": ("ladder", "climbing")}
    assert row.cautions == ("wind",)


def test_a_row_is_taken_out_and_one_is_added(raw: dict[str, Any], policy: Policy) -> None:
    gone = '[[price]]\nid = "heater"\nremove = true\n'
    new = '[[price]]\nadd = true\nid = "lamps"\npart = "machine"\ncu = 7\nunit = "cu"\n'
    text = gone + new
    before, after = ({row.id for row in one.prices} for one in (policy, _laid(raw, {"prices.toml": text})))
    assert (before - after, after - before) == ({"heater"}, {"lamps"})


def test_words_of_a_sentence_change(raw: dict[str, Any]) -> None:
    changed = _laid(raw, {"wording.toml": '[cost]\ncurrency = "crowns"\n'})
    assert changed.wording["cost"]["currency"] == "crowns"  # type: ignore[index]


def test_an_overlay_that_says_what_stands_there_already_changes_no_id(raw: dict[str, Any], policy: Policy) -> None:
    same = Overlay("same", "", {name: copy.deepcopy(raw[name]) for name in OVERLAY_FILES})
    assert read_policy(lay_over(raw, same)).id == policy.id
    assert read_policy(lay_over(raw, overlay({}))).id == policy.id


@settings(deadline=None)
@given(some.data())
def test_rows_and_numbers_that_stand_there_already_change_no_id(raw: dict[str, Any], data: some.DataObject) -> None:
    """Any few rows and numbers of the policy, said again as they are."""
    price = data.draw(some.lists(some.sampled_from(raw["prices.toml"]["price"]), unique_by=lambda row: row["id"]))
    step = data.draw(some.lists(some.sampled_from(raw["steps.toml"]["step"]), unique_by=lambda row: row["id"]))
    limits = data.draw(some.lists(some.sampled_from(sorted(raw["limits.toml"]["limit"])), unique=True))
    again = {
        "prices.toml": {"price": price},
        "steps.toml": {"step": step},
        "limits.toml": {"limit": {name: raw["limits.toml"]["limit"][name] for name in limits}},
    }
    assert merged(raw, again) == raw


# Overlays drawn so that they touch each other: few keys, few ids, the same amounts.
_MONEY = some.integers(1, 9) | some.fixed_dictionaries({"low": some.integers(1, 4), "high": some.integers(5, 9)})
_AMOUNT = _MONEY | some.dictionaries(some.sampled_from(["trunk", "drop"]), some.integers(1, 9), min_size=1)
_ROW = some.fixed_dictionaries(
    {"id": some.sampled_from(["a", "b", "c"])},
    optional={
        "cu": _AMOUNT,
        "by": some.sampled_from(["network_part", "place"]),
        "plans": some.dictionaries(some.sampled_from(["method", "stage"]), some.just(["x"])),
        "remove": some.booleans(),
    },
)
_RATE = some.dictionaries(some.sampled_from(["value", "low", "high", "source"]), some.integers(1, 9))
_FACT = some.fixed_dictionaries(
    {},
    optional={
        "parent": some.sampled_from(["place", ""]),
        "prior": some.dictionaries(some.sampled_from(["x", "y"]), some.integers(1, 9)),
        "prior_by": some.dictionaries(some.sampled_from(["x", "y"]), some.just([[0, 1, 1]])),
    },
)
_RAW = some.fixed_dictionaries(
    {},
    optional={
        "prices.toml": some.fixed_dictionaries(
            {},
            optional={
                "price": some.lists(_ROW, max_size=3, unique_by=lambda row: row["id"]),
                "rate": some.dictionaries(some.sampled_from(["r", "s"]), _RATE, max_size=2),
            },
        ),
        "facts.toml": some.fixed_dictionaries({}, optional={"fact": some.dictionaries(some.just("f"), _FACT)}),
        "wording.toml": some.fixed_dictionaries({}, optional={"say": some.dictionaries(some.text("ab"), some.text())}),
    },
)


def _or_refused(*overlays: Mapping[str, Any]) -> dict[str, Any] | None:
    try:
        return merged(*overlays)
    except PolicyError:
        return None


@settings(deadline=None)
@given(_RAW, _RAW, _RAW)
def test_merging_is_associative_over_parents(one: dict[str, Any], two: dict[str, Any], three: dict[str, Any]) -> None:
    """Where laying one after the other is accepted, so is laying the two that were merged first, with the same result:
    the law is that of any associative operation."""
    kept = copy.deepcopy((one, two, three))
    first = _or_refused(one, two)
    in_turn = None if first is None else _or_refused(first, three)
    last = _or_refused(two, three)
    if in_turn is not None:
        assert last is not None
        assert _or_refused(one, last) == in_turn
    assert (one, two, three) == kept


@settings(deadline=None)
@given(some.permutations(["prices.toml", "minutes.toml", "limits.toml", "wording.toml"]))
def test_the_order_of_files_does_not_matter(raw: dict[str, Any], order: list[str]) -> None:
    files = {
        "prices.toml": '[rate.second_visit_cu]\nvalue = 410\nunit = "cu"\n',
        "minutes.toml": '[[minutes]]\nid = "ladder"\np50 = 5\np95 = 9\nunit = "min"\n',
        "limits.toml": '[limit.ladder_gust]\nvalue = 7\nunit = "m/s"\n',
        "wording.toml": '[cost]\ncurrency = "crowns"\n',
    }
    laid = lay_over(raw, overlay({name: files[name] for name in order}))
    assert laid == lay_over(raw, overlay(files))


# --- refusals ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        (
            "prices.toml",
            '[[price]]\nid = "pigtial"\ncu = 7\nunit = "cu per fibre"\n',
            "prices.toml: pigtial: no such row; did you mean pigtail?",
        ),
        (
            "prices.toml",
            '[rate.second_vist_cu]\nvalue = 7\nunit = "cu"\n',
            "prices.toml: second_vist_cu: no such rate; did you mean second_visit_cu?",
        ),
        (
            "limits.toml",
            '[limit.ladder_gusts]\nvalue = 7\nunit = "m/s"\n',
            "limits.toml: ladder_gusts: no such limit; did you mean ladder_gust?",
        ),
        (
            "limits.toml",
            '[limits.ladder_gust]\nvalue = 7\nunit = "m/s"\n',
            "limits.toml: limits: is not known; did you mean limit?",
        ),
        (
            "facts.toml",
            "[fact.fusion_machin]\nprice_min = 2\n",
            "facts.toml: fusion_machin: no such fact; did you mean fusion_machine?",
        ),
        (
            "wording.toml",
            '[cost]\ncurency = "crowns"\n',
            "wording.toml: cost: curency: no such sentence or word; did you mean currency?",
        ),
        ("wording.toml", '[say]\nrepair = "{wrok} now"\n', "{wrok} is not filled in here; did you mean work?"),
        ("wording.toml", '[say]\nrepair = "{work now"\n', "wording.toml: say: repair: has a brace"),
        *(
            ("wording.toml", f'[say]\nrepair = "{field} now"\n', f"say: repair: has {field}, which is more than a name")
            for field in (
                "{work:>20000000}",
                "{work:{why}}",
                "{work!z}",
                "{work!r}",
                "{work.__class__}",
                "{work[0]}",
                "{}",
            )
        ),
        ("wording.toml", "[cost]\ncurrency = 7\n", "wording.toml: cost: currency: is 7"),
        ("steps.toml", '[[step]]\nid = "look-for-danger"\ntext = "{fibers} first"\n', "did you mean fibres?"),
        (
            "cautions.toml",
            '[text]\nlone_wrok = "Not alone."\n',
            "cautions.toml: lone_wrok: no such caution; did you mean lone_work?",
        ),
        (
            "prices.toml",
            '[[price]]\nid = "pigtail"\nplns = {}\n',
            "price pigtail: 'plns' is not known; did you mean plans?",
        ),
        (
            "prices.toml",
            '[[price]]\nid = "pigtail"\ncu = 7\n',
            "prices.toml: pigtail: unit: is missing beside a number that changes; allowed: 'cu per fibre'",
        ),
        (
            "prices.toml",
            '[[price]]\nid = "pigtail"\ncu = 7\nunit = "cu"\n',
            "prices.toml: pigtail: unit: is 'cu'; allowed: 'cu per fibre'",
        ),
        (
            "limits.toml",
            '[limit.ladder_gust]\nvalue = 7\nunit = "km/h"\n',
            "limits.toml: ladder_gust: unit: is 'km/h'; allowed: 'm/s'",
        ),
        (
            "prices.toml",
            '[[price]]\nid = "pigtail"\n[[price]]\nid = "pigtail"\n',
            "prices.toml: price pigtail: is named twice",
        ),
        (
            "prices.toml",
            '[[price]]\nadd = true\nid = "pigtail"\n',
            "prices.toml: pigtail: stands in prices.toml already",
        ),
        ("screens_stock.toml", '[[screen]]\nid = "gust-on-a-ladder"\n', "stands in screens_safety.toml"),
        ("kit.toml", '[limit.ladder_gust]\nvalue = 7\nunit = "m/s"\n', "ladder_gust: stands in limits.toml"),
        ("prices.toml", "[[price]]\ncu = 7\n", "price: id: is missing"),
        ("prices.toml", "[price]\nid = 7\n", "price: is no list of rows"),
        (
            "prices.toml",
            '[[price]]\nid = "pigtail"\ncu = { drop = 7 }\nunit = "cu per fibre"\n',
            "needs its `by` beside it",
        ),
        ("prices.toml", 'rate = "cheap"\n', "prices.toml: rate: is not a table"),
        (
            "joints.toml",
            '[[joint]]\nmethod = "fusion_splise"\nmode = "single_mode"\n',
            "no such row; did you mean fusion_splice single_mode?",
        ),
        (
            "claims.toml",
            '[[claim]]\nid = "no-arc-where-gas-is-not-clear-and-fresh"\nremove = true\n',
            "no overlay's to change",
        ),
        ("claims.toml", '[limit.claim_flammable]\nvalue = 20\nunit = "% LEL"\n', "no overlay's to change"),
        ("crew.toml", '[least_by_place]\npole_to = { value = 3, unit = "persons" }\n', "did you mean pole_top?"),
    ],
)
def test_what_the_policy_does_not_have_is_refused_by_file_and_name(
    raw: dict[str, Any], file: str, text: str, said: str
) -> None:
    _refused(raw, {file: text}, said)


@pytest.mark.parametrize("left_out", ["source", "known", "since"])
def test_a_number_that_changes_says_where_it_comes_from(raw: dict[str, Any], left_out: str) -> None:
    head = "\n".join(line for line in WHENCE.splitlines() if not line.startswith(left_out))
    files = {"prices.toml": '[[price]]\nid = "pigtail"\ncu = 7\nunit = "cu per fibre"\n'}
    _refused(raw, files, "prices.toml: price pigtail: changes a number", left_out, "overlay.toml", head=head)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ('files = []\nparents = "x"', "overlay.toml: 'parents' is not known; did you mean parent?"),
        ("files = []\nname = 7", "overlay.toml: name: is 7"),
        ('files = []\nname = " "', "overlay.toml: name: is empty"),
        ("", "overlay.toml: files: is missing"),
        ('files = ["price.toml"]', "'price.toml' is no file of an overlay; did you mean prices.toml?"),
        ('files = ["plan_words.toml"]', "'plan_words.toml' is no file of an overlay"),
        ('files = ["../prices.toml"]', "'../prices.toml' is no file of an overlay"),
        ('files = ["screens_/../../x.toml"]', "is no file of an overlay"),
        ("files = [7]", "7 is no file of an overlay"),
        ('files = ["prices.toml", "prices.toml"]', "names a file twice"),
        ('files = ["prices.toml"]', "names prices.toml, which is not there"),
        ('files = []\nknown = "everybody"', "overlay.toml: known: is 'everybody'"),
        ('files = []\nsince = "spring"', "overlay.toml: since: is 'spring', no day"),
    ],
)
def test_a_head_that_cannot_be_right_is_refused(head: str, said: str) -> None:
    named = head if "name = " in head else f'name = "Saltgate"\n{head}'
    with pytest.raises(PolicyError) as caught:
        read_overlay({"overlay.toml": named})
    assert said in str(caught.value)


def test_a_file_that_is_not_listed_is_refused() -> None:
    with pytest.raises(PolicyError, match=r"does not name prices\.toml"):
        read_overlay({"overlay.toml": 'name = "Saltgate"\nfiles = []', "prices.toml": ""})


def test_an_overlay_without_its_head_is_refused() -> None:
    with pytest.raises(PolicyError, match=r"overlay\.toml: is missing"):
        read_overlay({"prices.toml": ""})
