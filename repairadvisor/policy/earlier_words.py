"""Words that stood in the program before they stood in the policy, for policies that were kept before that.

A kept policy is never changed, and has to be read for as long as an advice given under it is: where it lacks one of
these it says what the program said then. A policy of today has them in its own files, which a test sees to.
"""

from __future__ import annotations

from collections.abc import Mapping

EARLIER_WORDS: Mapping[str, Mapping[str, str]] = {
    "fact": {"between": "{low} to {high}"},
    "continuity": {"of_100": "{low} of 100", "of_100_between": "{low} to {high} of 100"},
    "reckoned": {"known": "{count} {known}"},
    "what_if": {"lines": "{n} lines"},
    "verdict_with": {"not_told": "?"},
    "floor": {
        "owner_limit": "This method keeps the owner's limit for one joint too seldom to be planned.",
        "owner_limit_before": "Before anything is cut the control room reads out the owner's limit for one joint: "
        "it is one that this method keeps.",
        "owner_limit_lifted": "a method that loses less, or the owner's leave for this joint",
        "reserve_lifted": "the owner's leave to run below the reserve, or a way that loses less",
        "cable_owner": "the cable owner",
    },
    "rule": {
        "not": "it is not so that {part}",
        "and": ", and ",
        "or": ", or ",
        "is": "{name} is {words}",
        "below": "{name} is below {value}",
        "at_least": "{name} is {value} or more",
        "always": "always",
        "never": "never",
        "nothing_known": "nothing is known",
    },
    "known_shortly": {
        word: word
        for word in (
            "read",
            "derived",
            "calibrated",
            "common practice",
            "from memory",
            "assumed",
            "operator's records",
        )
    },
    "published_source": {
        "passive_network": "ITU-T G.984.2, G.987.2, G.9807.1, as quoted by operators",
        "analogue_video": "common demand at 1550 nm; many operators ask for -60",
        "single_mode_data": "IEEE 802.3 cabling clauses",
        "multimode_lan": "IEEE 802.3 cabling clauses",
        "DR": "IEEE 802.3 clauses 140 and 124 (100GBASE-DR, 400GBASE-DR4): verify",
        "FR": "IEEE 802.3 clause 140 (100GBASE-FR1, 400GBASE-FR4): verify",
        "LR": "IEEE 802.3 clause 140 (100GBASE-LR1): verify",
    },
}


def with_earlier(wording: Mapping[str, object]) -> dict[str, object]:
    """A policy's wording, with these words where it has none of its own."""
    found = dict(wording)
    for table, words in EARLIER_WORDS.items():
        own = wording.get(table, {})
        if isinstance(own, Mapping):
            found[table] = {**words, **own}
    return found
