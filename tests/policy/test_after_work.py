"""What joints are held against after the work, and what is said beside a verdict: read strictly, or refused by name."""

import copy

import pytest

from repairadvisor.errors import PolicyError
from repairadvisor.policy.after_work import DO_FIRST, REASONS, VERDICTS
from repairadvisor.policy.lay_over import lay_over
from repairadvisor.policy.load import parsed, read_policy
from repairadvisor.policy.overlay import read_overlay
from repairadvisor.policy.read_after_work import AFTER_WORK_FILE, NUMBERS, read_after_work, read_to_do
from repairadvisor.policy.table import Table
from repairadvisor.store.policy_files import default_texts


@pytest.fixture(scope="module")
def raw():
    return {name: parsed(name, text) for name, text in default_texts().items()}


@pytest.fixture(scope="module")
def policy(raw):
    return read_policy(raw)


def changed(raw, change):
    """The file read by itself, which is all that its numbers and rows hang on."""
    file = copy.deepcopy(raw[AFTER_WORK_FILE])
    change(file)
    table = Table(AFTER_WORK_FILE, file)
    read_after_work(table)
    read_to_do(table, tuple(raw["plan_words.toml"]["words"]["method"]), tuple(raw["cautions.toml"]["text"]))


def test_the_policy_that_ships_has_every_number_with_its_source(policy):
    assert set(policy.after_work) == set(NUMBERS)
    for number in policy.after_work.values():
        assert number.source
        assert number.known
        assert number.since


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda file: file["after_work"].pop("bend_excess_db"), "after_work.bend_excess_db: is missing"),
        (lambda file: file["after_work"].update(bend_exces_db={}), "did you mean bend_excess_db?"),
        (lambda file: file["after_work"]["bend_excess_db"].update(unit="m"), "is 0.1 m; allowed: 0 to 2 dB"),
        (lambda file: file["after_work"]["limit_confidence"].update(value=0.4), "is 0.4 1; allowed: 0.5 to 0.999 1"),
        (lambda file: file["do"][0].update(verdicts=["red"]), "do clean-and-cleave-anew: verdicts: 'red' is not known"),
        (lambda file: file["do"][0].update(reasons=["luck"]), "reasons: 'luck' is not known"),
        (lambda file: file["do"][0].update(cautions=["glas_shards"]), "did you mean glass_shards?"),
        (lambda file: file["do"][0].update(methods=["glue"]), "methods: 'glue' is not known"),
        (lambda file: file["do"][0].pop("text"), "text: is missing"),
        (lambda file: file.update(more=1), "'more' is not known"),
    ],
)
def test_what_cannot_be_used_is_refused_by_file_and_key(raw, change, said):
    with pytest.raises(PolicyError) as caught:
        changed(raw, change)
    assert said in str(caught.value)


def test_two_rows_of_one_name_are_refused(raw):
    found = copy.deepcopy(raw)
    found[AFTER_WORK_FILE]["do"].append(found[AFTER_WORK_FILE]["do"][0])
    with pytest.raises(PolicyError, match="do clean-and-cleave-anew: is named twice"):
        read_policy(found)


def test_an_owners_higher_limit_counts_no_less_than_the_usual_one(raw):
    found = copy.deepcopy(raw)
    found["joints.toml"]["joint"][0]["allowed_up_to_db"]["value"] = 0.1
    with pytest.raises(PolicyError, match=r"allowed_up_to_db: is 0.1; allowed: good_up_to_db \(0.15\) or more"):
        read_policy(found)


def test_every_verdict_reason_and_thing_to_do_first_has_its_words(policy):
    wording = policy.wording
    assert set(VERDICTS) <= set(wording["verdict"])
    assert set(DO_FIRST) == set(wording["do_first"])
    # Of some reasons there is more than one sentence: strength failed or unknown, inspection dirty or damaged.
    for reason in REASONS:
        assert any(key.startswith(reason) for key in wording["verdict_why"]), reason


def test_every_thing_to_do_first_says_how(policy):
    rows = policy.to_do
    for first in DO_FIRST:
        assert any(first in row.do_first for row in rows), first
    for verdict in ("redo", "escalate", "accept"):
        assert any(verdict in row.verdicts for row in rows), verdict


def laid(raw, text):
    head = (
        'name = "Saltgate"\nfiles = ["after_work.toml"]\nsource = "owner\'s book"\nknown = "read"\nsince = 2031-05-01\n'
    )
    return read_policy(lay_over(raw, read_overlay({"overlay.toml": head, AFTER_WORK_FILE: text})))


def test_an_overlay_changes_a_number_and_adds_a_row_of_its_own(raw):
    policy = laid(
        raw,
        '[after_work.bend_excess_db]\nvalue = 0.08\nunit = "dB"\n'
        '[[do]]\nid = "ring-saltgate"\nadd = true\nverdicts = ["escalate"]\ntext = "Ring the desk at Saltgate."\n'
        'source = "the desk"\nknown = "read"\n',
    )
    assert policy.after_work["bend_excess_db"].value == 0.08
    assert policy.after_work["bend_excess_db"].source == "owner's book"
    assert policy.to_do[-1].text == "Ring the desk at Saltgate."


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[after_work.bend_exces_db]\nvalue = 0.08\n", "did you mean bend_excess_db?"),
        ('[after_work.bend_excess_db]\nvalue = 0.08\nunit = "m"\n', "bend_excess_db"),
        ('[[do]]\nid = "find-the-bent"\ntext = "?"\n', "did you mean find-the-bend?"),
    ],
)
def test_an_overlay_names_what_is_there(raw, text, said):
    with pytest.raises(PolicyError) as caught:
        laid(raw, text)
    assert said in str(caught.value)
