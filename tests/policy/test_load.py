"""What a policy is refused for, and what its id depends on."""

from __future__ import annotations

import re
from collections.abc import Mapping

import pytest

from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME
from repairadvisor.policy.load import LONGEST_FILE, load_policy
from repairadvisor.policy.model import Policy

Texts = dict[str, str]

SCREEN = """
[[screen]]
id = "{id}"
kind = "safety"
bars_when = {bars_when}
check = "on_arrival"
not_before = "Not before somebody has looked."
because = "It is so."
source = "common practice, no source"
known = "common practice"
lifted_by = {{ what = "somebody looks", who = "the crew lead", minutes = "", cost_cu = 0 }}
[screen.examples]
bars = {{}}
clears = {{}}
leaves_open = {{}}
"""
#: Files that are long and of which a few rows do for a test of reading.
SHORTENED = {"minutes.toml": "[[minutes]]", "kit.toml": "[[item]]", "steps.toml": "[[step]]"}
WET = '{ fact = "precipitation", is = "rain" }'


@pytest.fixture(scope="module")
def texts(texts: Texts) -> Texts:
    """A whole policy of the shipped one's files, with one file of screens and fewer rows."""
    short = {name: text for name, text in texts.items() if not name.startswith("screens_")}
    short["screens_scope_and_danger.toml"] = texts["screens_scope_and_danger.toml"]
    for name, head in SHORTENED.items():
        short[name] = head.join(texts[name].split(head)[:5])
    return short


@pytest.fixture(scope="module")
def policy(texts: Texts) -> Policy:
    return load_policy(texts)


def _with_screen(texts: Texts, bars_when: str = WET, screen_id: str = "made-up") -> Texts:
    return {**texts, "screens_made_up.toml": SCREEN.format(id=screen_id, bars_when=bars_when)}


def _changed(texts: Texts, name: str, old: str, new: str) -> Texts:
    """The texts with one piece of one file replaced; the piece has to be there."""
    assert old in texts[name], f"{name} has no {old!r}"
    return {**texts, name: texts[name].replace(old, new, 1)}


def _fact_changed(texts: Texts, fact: str, pattern: str, new: str) -> Texts:
    """The texts with something in the entry of one fact replaced."""
    entry = re.search(rf"^\[fact\.{fact}\]\n.*?(?=^\[fact\.|\Z)", texts["facts.toml"], re.MULTILINE | re.DOTALL)
    assert entry is not None
    other, count = re.subn(pattern, new, entry.group(), count=1, flags=re.MULTILINE)
    assert count == 1
    return _changed(texts, "facts.toml", entry.group(), other)


def _refused(texts: Mapping[str, str], *said: str) -> PolicyError:
    with pytest.raises(PolicyError) as caught:
        load_policy(texts)
    for one in said:
        assert one in str(caught.value)
    return caught.value


# --- files and keys ----------------------------------------------------------------------------------------------


def test_a_screen_may_stand_in_a_file_of_its_own(texts: Texts, policy: Policy) -> None:
    loaded = load_policy(_with_screen(texts))
    assert {screen.id for screen in loaded.screens} - {screen.id for screen in policy.screens} == {"made-up"}


@pytest.mark.parametrize("name", ["facts.toml", "limits.toml", "wording.toml", "slots.toml"])
def test_a_file_that_is_not_there_is_named(texts: Texts, name: str) -> None:
    _refused({one: text for one, text in texts.items() if one != name}, name, "is missing")


def test_a_file_that_belongs_to_no_policy_is_named(texts: Texts) -> None:
    _refused({**texts, "weather.toml": ""}, "weather.toml", "is no file of a policy", "facts.toml")


def test_what_is_not_toml_is_refused_with_its_file(texts: Texts) -> None:
    _refused({**texts, "crew.toml": "[least_by_place\n"}, "crew.toml", "is not TOML")


def test_a_text_beyond_measure_is_refused_before_it_is_read(texts: Texts) -> None:
    _refused({**texts, "crew.toml": "[" * (LONGEST_FILE + 1)}, "crew.toml", f"longer than {LONGEST_FILE}")


def test_an_overlong_sentence_is_refused(texts: Texts) -> None:
    _refused(
        _changed(_with_screen(texts), "screens_made_up.toml", "It is so.", "so " * 1000), "made-up", "because", "2000"
    )


@pytest.mark.parametrize(
    ("written", "right"),
    [("becuase", "because"), ("bars_wen", "bars_when"), ("sourc", "source"), ("lifted_buy", "lifted_by")],
)
def test_an_unknown_key_is_refused_with_the_nearest_right_one(texts: Texts, written: str, right: str) -> None:
    more = _with_screen(texts)
    more["screens_made_up.toml"] = more["screens_made_up.toml"].replace(
        'known = "common practice"', f'known = "common practice"\n{written} = ""'
    )
    _refused(more, "made-up", f"'{written}' is not known; did you mean {right}?")


@pytest.mark.parametrize("name", ["derived.toml", "crew.toml", "prices.toml", "kit.toml", "steps.toml", "slots.toml"])
def test_an_unknown_key_at_the_top_of_a_file_is_refused(texts: Texts, name: str) -> None:
    _refused({**texts, name: f"stray_key = 1\n{texts[name]}"}, name, "'stray_key' is not known")


@pytest.mark.parametrize("key", ["because", "source", "known", "kind", "lifted_by", "id"])
def test_a_screen_without_one_of_its_parts_is_refused(texts: Texts, key: str) -> None:
    more = _with_screen(texts)
    more["screens_made_up.toml"] = re.sub(
        rf"^{key} = .*\n", "", more["screens_made_up.toml"], count=1, flags=re.MULTILINE
    )
    _refused(more, f"{key}: is missing")


def test_a_check_without_words_for_it_is_refused(texts: Texts) -> None:
    more = _changed(_with_screen(texts), "screens_made_up.toml", "Not before somebody has looked.", "")
    _refused(more, "made-up", "has no words for it")


def test_a_screen_of_no_known_kind_is_refused(texts: Texts) -> None:
    _refused(
        _changed(_with_screen(texts), "screens_made_up.toml", 'kind = "safety"', 'kind = "habit"'), "'habit'", "safety"
    )


def test_how_a_rule_is_known_has_to_be_one_of_the_words_for_it(texts: Texts) -> None:
    more = _changed(_with_screen(texts), "screens_made_up.toml", 'known = "common practice"', 'known = "everybody"')
    _refused(more, "'everybody'", "common practice", "from memory")


# --- numbers -----------------------------------------------------------------------------------------------------

LIMIT = """
[limit.made_up]
value = 5
unit = "m"
source = "common practice, no source"
known = "common practice"
since = "2026-11-25"
"""


@pytest.mark.parametrize("key", ["value", "unit", "source", "known", "since"])
def test_a_number_without_unit_source_or_date_is_refused(texts: Texts, key: str) -> None:
    whole = load_policy({**texts, "limits.toml": texts["limits.toml"] + LIMIT})
    assert (whole.limits["made_up"].value, whole.limits["made_up"].unit) == (5.0, "m")
    bare = re.sub(rf"^{key} = .*\n", "", LIMIT, flags=re.MULTILINE)
    _refused({**texts, "limits.toml": texts["limits.toml"] + bare}, "limit.made_up", f"{key}: is missing")


@pytest.mark.parametrize("value", ['"5"', "true", "[5]"])
def test_a_number_that_is_none_is_refused(texts: Texts, value: str) -> None:
    _refused(
        {**texts, "limits.toml": texts["limits.toml"] + LIMIT.replace("value = 5", f"value = {value}")},
        "limit.made_up",
        "value",
    )


def test_a_limit_named_in_two_files_is_refused(texts: Texts) -> None:
    twice = {**texts, "limits.toml": texts["limits.toml"] + LIMIT, "kit.toml": LIMIT + texts["kit.toml"]}
    _refused(twice, "limit.made_up", "is named twice")


def test_the_pessimistic_minutes_never_lie_below_the_median(texts: Texts) -> None:
    _refused(_changed(texts, "minutes.toml", "p50 = 12\np95 = 25", "p50 = 12\np95 = 11"), "p95", "below the median")


@pytest.mark.parametrize(
    ("persons", "said"),
    [("1.5", "whole number"), ("-1", "whole number"), ('"two"', "not of type"), ("true", "not of type")],
)
def test_persons_are_whole_numbers(texts: Texts, persons: str, said: str) -> None:
    old = "on_foot = { value = 1,"
    _refused(_changed(texts, "crew.toml", old, f"on_foot = {{ value = {persons},"), "on_foot", said)


def test_persons_are_counted_in_persons(texts: Texts) -> None:
    old = 'on_foot = { value = 1, unit = "persons"'
    _refused(_changed(texts, "crew.toml", old, 'on_foot = { value = 1, unit = "min"'), "on_foot", "1 min", "persons")


# --- conditions --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bars_when", "said"),
    [
        ('{ fact = "precipitaton", is = "rain" }', "did you mean precipitation?"),
        ('{ fact = "precipitation", is = "rian" }', "did you mean rain?"),
        ('{ fact = "precipitation", is_one_of = ["rain", "hail"] }', "'hail' is not known"),
        ('{ fact = "wind_gust_mps", at_least = "platform_wnd" }', "did you mean platform_wind?"),
        ('{ fact = "wind_gust_mps", at_least = 12.5 }', "12.5"),
        ('{ fact = "wind_gust_mps", is = "platform_wind" }', "is a number"),
        ('{ fact = "precipitation", below = "platform_wind" }', "is a fact in words"),
        ('{ fact = "wind_gust_mps", above = "platform_wind" }', "is not a condition"),
        ('{ fact = "precipitation", known = true }', "is not a condition"),
        ('{ fact = "precipitation", is = "rain", is_one_of = ["rain"] }', "is not a condition"),
        ('{ all = { fact = "precipitation", is = "rain" } }', "needs a list"),
        (f"{{ all = [{WET}], any = [{WET}] }}", "is not a condition"),
        ("{ }", "is not a condition"),
    ],
)
def test_a_condition_outside_the_language_is_refused(texts: Texts, bars_when: str, said: str) -> None:
    _refused(_with_screen(texts, bars_when), "made-up", "bars_when", said)


def _all_of(names: list[str]) -> str:
    words = ", ".join(f'{{ fact = "{name}", is = "yes" }}' for name in names)
    return f"{{ all = [{words}] }}"


FIVE = ["may_climb", "first_aid", "attendant", "holders_fit_coating", "van_inverter"]


def test_a_screen_speaks_of_four_facts_at_most(texts: Texts) -> None:
    load_policy(_with_screen(texts, _all_of(FIVE[:4])))
    _refused(_with_screen(texts, _all_of(FIVE)), "made-up", "speaks of 5 facts", "1 to 4")


def test_a_screen_without_a_condition_is_refused(texts: Texts) -> None:
    more = _with_screen(texts)
    more["screens_made_up.toml"] = re.sub(r"bars_when = .*\n", "", more["screens_made_up.toml"])
    _refused(more, "made-up", "speaks of 0 facts")


@pytest.mark.parametrize("beside", ["wind_gust_mps", "platform_wind_limit_mps"])
def test_a_derived_fact_beside_what_it_is_derived_from_is_refused(texts: Texts, beside: str) -> None:
    both = (
        '{ any = [{ fact = "gust_over_plate_mps", at_least = "nothing" }, '
        f'{{ fact = "{beside}", at_least = "platform_wind" }}] }}'
    )
    _refused(_with_screen(texts, both), "made-up", "combines a derived fact")


def test_two_derived_facts_that_share_a_number_are_refused(texts: Texts) -> None:
    both = (
        '{ any = [{ fact = "spare_beyond_rise_near_m", below = "nothing" }, '
        '{ fact = "spare_at_break_near_m", below = "nothing" }] }'
    )
    _refused(_with_screen(texts, both), "made-up", "combines a derived fact")


def test_a_derived_fact_of_too_many_numbers_or_of_none_is_refused(texts: Texts) -> None:
    head = '[derived.made_up]\nmeaning = "made up"\nunit = "m"\nterms = ['
    term = '{ fact = "spare_near_m", times = 1.0 }, '
    for count in (0, 5):
        text = f"{texts['derived.toml']}\n{head}{term * count}]\n"
        _refused({**texts, "derived.toml": text}, "derived.made_up", "1 to 4 terms")


def test_a_derived_fact_of_words_is_refused(texts: Texts) -> None:
    text = '\n[derived.made_up]\nmeaning = "made up"\nunit = "m"\nterms = [{ fact = "place", times = 1.0 }]\n'
    _refused({**texts, "derived.toml": texts["derived.toml"] + text}, "place is not a fact with a number")


def test_part_of_a_plan_that_no_plan_has_is_refused(texts: Texts) -> None:
    more = _with_screen(texts)
    text = more["screens_made_up.toml"]
    for wrong, said in (('{ acces = ["ladder"] }', "access"), ('{ access = ["lader"] }', "ladder")):
        changed = text.replace("bars_when", f"plans = {wrong}\nbars_when", 1)
        _refused({**more, "screens_made_up.toml": changed}, f"did you mean {said}?")


def test_a_caution_without_a_text_is_refused(texts: Texts) -> None:
    row = '\n[[caution]]\ntag = "made_up"\n'
    _refused({**texts, "cautions.toml": texts["cautions.toml"] + row}, "made_up", "has no text")


# --- doubles -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "head", "kind"),
    [
        ("minutes.toml", "[[minutes]]", "minutes"),
        ("prices.toml", "[[price]]", "price"),
        ("steps.toml", "[[step]]", "step"),
        ("kit.toml", "[[item]]", "item"),
        ("slots.toml", "[[slot]]", "slot"),
        ("hazard_control.toml", "[[control]]", "control"),
    ],
)
def test_two_rows_under_one_id_are_refused(texts: Texts, name: str, head: str, kind: str) -> None:
    rows = texts[name].split(head)
    last = re.split(r"^\[(?!\[)", rows[-1], flags=re.MULTILINE)[0]
    doubled = {**texts, name: f"{texts[name]}\n{head}{last}"}
    row_id = re.search(r'^id = "(.*)"', last, re.MULTILINE)
    assert row_id is not None
    _refused(doubled, f"{kind} {row_id.group(1)}", "is named twice")


def test_two_screens_under_one_id_are_refused_across_files(texts: Texts) -> None:
    _refused(_with_screen(texts, screen_id="gas-alarm"), "screen gas-alarm", "is named twice")


# --- priors ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mass", [0.9, 1.1, 1.000001])
def test_a_prior_sums_to_one(texts: Texts, mass: float) -> None:
    high = f"{BY_NAME['distance_from_pump_km'].high:g}"
    entry = f"prior = [[0, {high}, {mass}]]"
    _refused(_fact_changed(texts, "distance_from_pump_km", r"^prior = .*$", entry), "distance_from_pump_km", "sums to")
    load_policy(_fact_changed(texts, "distance_from_pump_km", r"^prior = .*$", f"prior = [[0, {high}, 1.0]]"))


@pytest.mark.parametrize(
    "stretches",
    [
        "[[0, 10, 0.5], [11, 500, 0.5]]",  # a gap
        "[[0, 10, 0.5], [9, 500, 0.5]]",  # an overlap
        "[[1, 500, 1.0]]",  # begins above the lowest permitted
        "[[0, 10, 0.5], [10, 500, 0.0]]",  # nothing where something is permitted
        "[[0, 10, 1.5], [10, 500, -0.5]]",  # less than nothing
        "[[0, 0, 0.5], [0, 500, 0.5]]",  # no width
        "[[0, 500]]",  # no mass
        "[]",
    ],
)
def test_stretches_of_a_prior_leave_nothing_out(texts: Texts, stretches: str) -> None:
    _refused(
        _fact_changed(texts, "distance_from_pump_km", r"^prior = .*$", f"prior = {stretches}"), "distance_from_pump_km"
    )


def test_stretches_of_a_prior_reach_the_highest_permitted_value(texts: Texts) -> None:
    short = _fact_changed(texts, "distance_from_pump_km", r"^prior = .*$", "prior = [[0, 499, 1.0]]")
    _refused(short, "distance_from_pump_km", "ends at 499", "500")


def test_a_prior_of_words_knows_only_the_words_of_its_fact(texts: Texts) -> None:
    wrong = _fact_changed(texts, "services_located", r"^prior = .*$", "prior = { yes = 0.5, maybe = 0.5 }")
    _refused(wrong, "services_located", "maybe")


def test_facts_that_hang_on_each_other_in_a_circle_are_refused(texts: Texts) -> None:
    """Height has a meaning only at some places, so place may not hang on what hangs on it."""
    entry = re.search(r"^\[fact\.place\]\n.*?(?=^\[fact\.)", texts["facts.toml"], re.MULTILINE | re.DOTALL)
    assert entry is not None
    even = "{ " + ", ".join(f"{word} = {1 / len(BY_NAME['place'].words)!r}" for word in BY_NAME["place"].words) + " }"
    by = ", ".join(f"{word} = {even}" for word in BY_NAME["lightning"].words)
    parts = [
        line
        for line in entry.group().splitlines()
        if line.startswith(("question", "of_whom", "price_min", "known", "lasts_min"))
    ]
    new = "\n".join(["[fact.place]", 'parent = "lightning"', f"prior_by = {{ {by} }}", *parts, ""])
    _refused(_changed(texts, "facts.toml", entry.group(), f"{new}\n"), "facts.toml", "circle")


def test_a_fact_that_passes_says_how_long_it_lasts(texts: Texts) -> None:
    assert BY_NAME["wind_gust_mps"].passing
    _refused(_fact_changed(texts, "wind_gust_mps", r"^lasts_min = .*\n", ""), "wind_gust_mps", "lasts_min")


def test_a_fact_of_the_vocabulary_is_never_left_out_and_none_is_added(texts: Texts) -> None:
    renamed = _changed(texts, "facts.toml", "[fact.services_located]", "[fact.services_located_x]")
    _refused(renamed, "fact.services_located_x", "no fact of the vocabulary")
    _refused(_fact_changed(texts, "services_located", r"\A(.|\n)*\Z", ""), "no entry for services_located")


@pytest.mark.parametrize(
    ("written", "named"),
    [
        ('link_length_m = "length of the link"\n', "fact_name.link_length_m"),
        ('gpon_b_plus = "GPON class B+"\n', "word.link_class.gpon_b_plus"),
    ],
)
def test_a_fact_or_word_without_a_name_is_refused(texts: Texts, written: str, named: str) -> None:
    with pytest.raises(PolicyError, match=re.escape(named)):
        load_policy(_changed(texts, "wording.toml", written, ""))


def test_every_prior_sums_to_one(policy: Policy) -> None:
    for fact in policy.facts.values():
        for prior in fact.priors.values():
            masses = [*prior.words.values(), *(mass for _, _, mass in prior.stretches)]
            assert all(mass > 0.0 for mass in masses), fact.name
            assert abs(sum(masses) - 1.0) <= 1e-9, fact.name


def test_every_permitted_word_has_a_mass_under_some_parent(policy: Policy) -> None:
    """A value that nobody thinks possible could never be weighed when it is seen."""
    never = {
        name: missing
        for name, fact in policy.facts.items()
        if (missing := set(BY_NAME[name].words) - {word for prior in fact.priors.values() for word in prior.words})
    }
    assert never == {}


# --- the id ------------------------------------------------------------------------------------------------------


def test_the_same_policy_has_the_same_id(texts: Texts, policy: Policy) -> None:
    again = load_policy(dict(texts))
    assert (again.id, again.canonical) == (policy.id, policy.canonical)
    assert re.fullmatch(r"[0-9a-f]{64}", policy.id)


def test_the_order_in_which_files_are_given_changes_nothing(texts: Texts, policy: Policy) -> None:
    backwards = load_policy({name: texts[name] for name in sorted(texts, reverse=True)})
    assert backwards == policy


def test_the_order_of_keys_comments_and_the_writing_of_numbers_do_not_change_the_id(
    texts: Texts, policy: Policy
) -> None:
    old = 'p50 = 12\np95 = 25\nunit = "min"'
    new = 'unit = "min"  # the same\np95 = 25.0\np50 = 1.2e1'
    assert load_policy(_changed(texts, "minutes.toml", old, new)).id == policy.id


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("minutes.toml", "p50 = 12\np95 = 25", "p50 = 12\np95 = 25.000001"),
        ("crew.toml", "on_foot = { value = 1,", "on_foot = { value = 2,"),
        ("prices.toml", "value = 300", "value = 301"),
        ("hazard_control.toml", "step = 2", "step = 3"),
        ("wording.toml", "{n} questions", "{n} matters"),
    ],
)
def test_a_changed_number_or_word_changes_the_id(texts: Texts, policy: Policy, name: str, old: str, new: str) -> None:
    assert load_policy(_changed(texts, name, old, new)).id != policy.id


def test_a_caution_has_an_id_of_its_own(texts: Texts) -> None:
    row = '\n[[caution]]\nid = "made-up"\ntag = "trips"\n'
    load_policy({**texts, "cautions.toml": texts["cautions.toml"] + row})
    _refused({**texts, "cautions.toml": texts["cautions.toml"] + row + row}, "caution made-up", "is named twice")
    _refused({**texts, "cautions.toml": texts["cautions.toml"] + row.replace("id", "#")}, "id: is missing")
