"""Advice for crews who repair optical fibre: which joint, made how, where, with what, and how to prove it.

Two functions: a policy is compiled once, and answers often::

    from repairadvisor import advise, load_policy, parse_context, prepare

    rules = prepare(load_policy(texts))                # texts: {file name: content}, takes a second or two
    advice = advise(parse_context(facts, now), rules)  # facts: {name: value}, now: an aware datetime

Both are pure: the same context and policy give the same advice.
"""

import importlib.metadata as _metadata

from repairadvisor import errors
from repairadvisor.decision.advice import Advice
from repairadvisor.decision.method import advise
from repairadvisor.decision.prepare import prepare
from repairadvisor.decision.rules import Rules
from repairadvisor.facts.context import Context
from repairadvisor.facts.parse import parse_context
from repairadvisor.policy.load import load_policy
from repairadvisor.policy.model import Policy

try:
    __version__ = _metadata.version("repairadvisor")
except _metadata.PackageNotFoundError:  # a tree that was never installed
    __version__ = "0"

__all__ = [
    "Advice",
    "Context",
    "Policy",
    "Rules",
    "__version__",
    "advise",
    "errors",
    "load_policy",
    "parse_context",
    "prepare",
]
