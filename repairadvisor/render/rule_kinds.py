"""The kinds of rules in the order in which they are shown."""

from __future__ import annotations

KINDS = ("scope", "danger", "safety", "competence", "feasibility", "budget", "reflectance", "permanence")
