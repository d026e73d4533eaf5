"""Facts and place out of a ticket, by the operator's expressions (JMESPath, https://jmespath.org/specification.html).

Nothing is read that no expression names; so a title, a description or a note says nothing here unless the operator
points at it. What an expression yields is handed on as it is, and the core's checks refuse by name what is no fact:

=====================================  ==============================================================================
null, "", an empty list                nothing is known
a text, number or yes/no               a report, with the ticket as its source
an object                              a whole report (``value``, ``between``, ``one_of``, ``unit``, ``seen_at`` ...);
                                       keys that are null are left out, and with no value left nothing is known
a list                                 what several sources say: each a value or a report
an error of the expression             nothing is known (a part that it works on is missing, or of another type)
=====================================  ==============================================================================

``seen_at`` is never made up from ``lastUpdate``: that moves with every note, ours included, so an old sight would
look fresh, and each of our notes would make the facts new.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

import jmespath
from jmespath.exceptions import JMESPathError, UnknownFunctionError
from jmespath.functions import Functions
from jmespath.parser import ParsedResult

from repairadvisor.plugin import FACT_NAMES, Site, typed_fact

_SAYS = ("value", "between", "one_of", "not_applicable")
_LONGEST_SOURCE = 200
_DECIMAL = re.compile(r"[+-]?[0-9]{1,3}(\.[0-9]{1,20})?")


class TicketMapping:
    """The operator's expressions, compiled once. Raises :class:`ValueError`, naming the fact, for one that is wrong."""

    def __init__(
        self,
        facts: Mapping[str, str],
        words: Mapping[str, Mapping[str, str]],
        typed: Sequence[str],
        latitude: str,
        longitude: str,
    ) -> None:
        for table, names in (("mapping", facts), ("words", words), ("typed_facts", typed)):
            for name in names:
                _check_name(table, name)
        for table, names in (("words", words), ("typed_facts", typed)):
            for name in names:
                if name not in facts:
                    raise ValueError(f"{table}.{name}: stands in no mapping; allowed: {', '.join(facts) or 'none'}")
        if bool(latitude) != bool(longitude):
            raise ValueError("latitude_deg and longitude_deg: go together")
        self._facts = {name: _compiled(f"mapping.{name}", text) for name, text in facts.items()}
        self._words = words
        self._typed = frozenset(typed)
        self._site = (_compiled("latitude_deg", latitude), _compiled("longitude_deg", longitude)) if latitude else None

    def facts(self, ticket: Mapping[str, Any], reference: str) -> dict[str, object]:
        """Raw facts of the ticket, each with the ticket as its source. What it does not say is left out."""
        source = f"ticket {reference}"
        source = source if len(source) <= _LONGEST_SOURCE else "ticket"
        found = {}
        for name, expression in self._facts.items():
            reports = self._reports(name, _found(expression, ticket), source)
            if reports is not None:
                found[name] = reports
        return found

    def site(self, ticket: Mapping[str, Any]) -> Site | None:
        """Where the ticket is; None where it does not say so in two numbers within their ranges.

        0, 0 counts as not said: it is what systems hold where nobody has filled anything in (common practice, no
        source), and lies in the open sea.
        """
        if self._site is None:
            return None
        latitude, longitude = (_degrees(_found(expression, ticket)) for expression in self._site)
        if latitude is None or longitude is None or latitude == longitude == 0:
            return None
        try:
            return Site(latitude, longitude)
        except ValueError:
            return None

    def _reports(self, name: str, found: Any, source: str) -> object:
        if not isinstance(found, list):
            return self._report(name, found, source)
        reports = [self._report(name, one, source) for one in found]
        said = [one for one in reports if one is not None]
        return said or None

    def _report(self, name: str, found: Any, source: str) -> object:
        """One report, or None where nothing is said."""
        if found is None or (isinstance(found, str) and not found.strip()):
            return None
        if not isinstance(found, dict):
            value = self._our_word(name, found)
            if name in self._typed and isinstance(value, str):
                value = typed_fact(name, value)
            # A whole report only where a text was read as one: what the other side sends as an object stood above.
            return {**value, "source": source} if isinstance(value, dict) else {"value": value, "source": source}
        report = {key: value for key, value in found.items() if value is not None and value != ""}
        if any(key in found for key in _SAYS) and not any(key in report for key in _SAYS):
            return None
        if "value" in report:
            report["value"] = self._our_word(name, report["value"])
        return {"source": source, **report}

    def _our_word(self, name: str, value: Any) -> Any:
        """Our word for the other side's; what has none stays as it is, for the core to refuse by name."""
        word = value if isinstance(value, str) else json.dumps(value)
        return self._words.get(name, {}).get(word, value)


def _check_name(table: str, name: str) -> None:
    if name in FACT_NAMES:
        return
    near = difflib.get_close_matches(name, sorted(FACT_NAMES), n=1, cutoff=0.6)
    raise ValueError(
        f"{table}.{name}: no such fact; " + (f"did you mean {near[0]}?" if near else "see the table of facts")
    )


def _compiled(where: str, text: str) -> ParsedResult:
    try:
        expression = jmespath.compile(text)
        _check_functions(expression.parsed)
    except (JMESPathError, RecursionError) as error:
        reason = " ".join(str(error).split())
        raise ValueError(f"{where} = {text}: is no JMESPath expression: {reason}") from error
    return expression


def _check_functions(node: Mapping[str, Any]) -> None:
    """The library looks for a function only when it is called, which would be at somebody's first ticket."""
    if node["type"] == "function_expression":
        name, given = node["value"], len(node["children"])
        if name not in Functions.FUNCTION_TABLE:
            raise UnknownFunctionError(f"there is no function {name}()")
        signature = Functions.FUNCTION_TABLE[name]["signature"]
        is_open = bool(signature and signature[-1].get("variadic"))
        if given < len(signature) or (given > len(signature) and not is_open):
            raise UnknownFunctionError(f"{name}() takes {len(signature)} arguments and is given {given}")
    for child in node["children"]:
        if isinstance(child, Mapping):
            _check_functions(child)


def _found(expression: ParsedResult, ticket: Mapping[str, Any]) -> Any:
    try:
        return expression.search(ticket)
    except (JMESPathError, TypeError, ValueError, AttributeError, RecursionError):
        # The library lets some errors of Python through, as for ``sort`` over mixed types.
        return None


def _degrees(found: Any) -> float | None:
    """A number, also where it is written as text, as characteristics of a ticket often are."""
    if isinstance(found, bool) or not isinstance(found, int | float | str):
        return None
    if isinstance(found, str) and not _DECIMAL.fullmatch(found):
        return None
    try:
        return float(found)
    except OverflowError:
        return None
