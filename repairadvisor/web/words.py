"""The words of the policy in force, for every page."""

from __future__ import annotations

from flask import Flask

from repairadvisor.decision.reasons import Words
from repairadvisor.render.voice import Voice
from repairadvisor.service import Advisor

#: Under this name the application keeps how it speaks.
VOICE = "repairadvisor.voice"


def give_words(app: Flask, advisor: Advisor) -> None:
    """Let every template say what the policy in force has words for: ``say("desk", "where")``."""
    voice = Voice(Words(advisor.wording))
    app.extensions[VOICE] = voice
    app.jinja_env.globals["say"] = voice.say
