"""The words of the policy in force, for every page."""

from __future__ import annotations

from flask import Flask
from markupsafe import Markup, escape

from repairadvisor.errors import PolicyError
from repairadvisor.render import figures
from repairadvisor.render.prose import prose
from repairadvisor.render.voice import Voice

#: Under this name the application keeps how it speaks.
VOICE = "repairadvisor.voice"


def give_words(app: Flask, voice: Voice) -> None:
    """Let every template say what the policy in force has words for: ``say("desk", "where")``; and put moments into
    text: ``moment``."""

    def say(*path: str, **fields: object) -> Markup:
        """The words at a path. What is filled in is escaped, unless it is a piece of the page itself, as a link is."""
        words = escape(voice.say(*path))
        try:
            return words.format(**fields) if fields else words
        except (KeyError, IndexError, ValueError) as error:
            raise PolicyError(f"wording: {'.'.join(path)}", f"cannot be filled in: {error}") from error

    app.extensions[VOICE] = voice
    app.jinja_env.globals["say"] = say
    app.jinja_env.globals["named"] = voice.named
    app.jinja_env.globals["voice"] = voice
    app.jinja_env.filters["prose"] = lambda text: prose(voice, text)
    app.jinja_env.filters["moment"] = lambda text: figures.moment(voice, text)
    app.jinja_env.filters["number"] = lambda value: figures.with_sign(voice, f"{value:g}")
