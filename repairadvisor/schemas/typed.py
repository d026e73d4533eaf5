"""A fact as a person types it, at a shell or in a form.

============================  ==============================================
``pole_top``  ``yes``         a word
``pole_top|aerial_span``      one of several words
``3``  ``3m``  ``20 km/h``    a number, in the fact's own unit or in another
``0.5..3``  ``0.5..3 m``      somewhere between two numbers
``n/a``                       it has no meaning here
``2031-05-04T07:30:00Z``      a moment, for the names that take one
============================  ==============================================
"""

from __future__ import annotations

import re

from repairadvisor.facts.vocabulary import BY_NAME, TIME_NAMES

NOT_APPLICABLE = "n/a"

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_ONE = re.compile(rf"({_NUMBER})\s*(\S.*)?")
_TWO = re.compile(rf"({_NUMBER})\s*\.\.\s*({_NUMBER})\s*(\S.*)?")
_TWO_MOMENTS = re.compile(r"(\S+?)\.\.(\S+)")


def typed_fact(name: str, text: str) -> object:
    """``text`` in the form in which the fact ``name`` is given in a request.

    Judges nothing: what fits no form stays the text it is and is refused like any other wrong value.
    """
    text = text.strip()
    if text == NOT_APPLICABLE:
        return {"not_applicable": True}
    if name in TIME_NAMES:
        moments = _TWO_MOMENTS.fullmatch(text)
        return {"between": list(moments.groups())} if moments else text
    fact = BY_NAME.get(name)
    if fact is not None and fact.is_number:
        return _typed_number(text)
    if "|" in text:
        return {"one_of": [word.strip() for word in text.split("|")]}
    return text


def _typed_number(text: str) -> object:
    two = _TWO.fullmatch(text)
    if two:
        low, high, unit = two.groups()
        between: dict[str, object] = {"between": [float(low), float(high)]}
        return between | {"unit": unit} if unit else between
    one = _ONE.fullmatch(text)
    if one is None:
        return text
    value, unit = one.groups()
    return {"value": float(value), "unit": unit} if unit else float(value)
