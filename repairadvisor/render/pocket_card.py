"""A pocket card as one page that needs nothing from elsewhere: text first, and a script that walks through it.

Decides nothing.
"""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from html import escape
from typing import Any

from repairadvisor.render import figures
from repairadvisor.render.card_text import barred, paper
from repairadvisor.render.voice import Voice

#: Data go as they are while they take no more than this, else packed: bytes.
PLAIN_UP_TO = 30_000
#: By what is told whether a card holds: beside the data, since that has to be known where these cannot be read.
_HEAD = ("form", "id", "policy", "given", "valid_until")


@dataclass(frozen=True, slots=True)
class Page:
    """The page, and the content security policy that it needs: its own script and style by their digests."""

    html: str
    security: str


@dataclass(frozen=True, slots=True)
class Dress:
    """What a card's page is dressed in: its style sheet and its script, as they are sent."""

    style: str
    script: str


def render(card: Mapping[str, Any], voice: Voice, dress: Dress, policy_in_force: str, now: datetime) -> Page:
    """The page of a card, as it stands at a moment (aware): one that does not hold then permits nothing."""
    script_source, style_source = _source(dress.script), _source(dress.style)
    security = (
        f"default-src 'none'; script-src {script_source}; style-src {style_source}; connect-src 'self'; "
        "worker-src 'self'; base-uri 'none'; form-action 'none'"
    )
    until = figures.moment(voice, card["valid_until"])
    standing = {"in_force": policy_in_force, "served": now.isoformat(), "until_said": until}
    head = {name: card[name] for name in _HEAD}
    rest = {name: value for name, value in card.items() if name not in _HEAD}
    data = _plain("head", {**head, **standing}) + "\n" + _data({**rest, "words": _script_words(voice)})
    text = paper(card, voice) if _holds(card, policy_in_force, now) else barred(card, voice)
    title, language = escape(voice.say("card", "title")), escape(voice.say("language", "tag"))
    html = (
        f'<!doctype html>\n<html lang="{language}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(security)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{title}</title>\n<style>{dress.style}</style>\n</head>\n<body>\n<main>\n"
        f'<div id="walk" hidden></div>\n<article id="paper">\n{text}</article>\n</main>\n'
        f"{data}\n<script>{dress.script}</script>\n</body>\n</html>\n"
    )
    return Page(html, security)


def _holds(card: Mapping[str, Any], policy_in_force: str, now: datetime) -> bool:
    """Whether a card holds: under the rules in force, from when it was given until a fact on it runs out."""
    until = card["valid_until"]
    is_over = bool(until) and datetime.fromisoformat(until) <= now
    return card["policy"] == policy_in_force and not is_over


def _source(text: str) -> str:
    """The name of an inline script or style in a content security policy."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _script_words(voice: Voice) -> dict[str, str]:
    """The words that the script shows."""
    card = voice.words.wording["card"]
    assert isinstance(card, Mapping)
    words = {key: voice.say("card", "script", key) for key in card["script"]}
    return {**words, "point": voice.say("figures", "decimal"), "minus": "-"}


def _data(data: Mapping[str, Any]) -> str:
    """The card's data in an element that no text in it can end; packed where they are large."""
    element = _plain("data", data)
    if len(element.encode()) <= PLAIN_UP_TO:
        return element
    plain = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = base64.b64encode(packer.compress(plain.encode()) + packer.flush()).decode()
    return f'<script type="text/plain" id="data">{packed}</script>'


def _plain(name: str, data: Mapping[str, Any]) -> str:
    plain = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    safe = plain.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
    return f'<script type="application/json" id="{name}">{safe}</script>'
