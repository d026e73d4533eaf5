"""What each kind of rule is called where the rules are shown, in the order in which they are shown."""

from __future__ import annotations

from collections.abc import Mapping

KIND_SAID: Mapping[str, str] = {
    "scope": "What is not ours to do",
    "danger": "Danger",
    "safety": "What keeps people whole",
    "competence": "Who may do it",
    "feasibility": "What can be done",
    "budget": "Light that is lost",
    "reflectance": "Light that is thrown back",
    "permanence": "For good or for now",
}
