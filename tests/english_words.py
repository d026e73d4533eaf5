"""English words that are no Spanish ones, and how they are found in a text."""

from __future__ import annotations

import re

_WORDS = """
the and of or with before after is are be been was were will would should could must can not
nothing nobody somebody anybody everybody this that these those there here it its they them
their he she his her you your we our for from by at on into onto over under between within
without against about above below beside behind to up down out off again once more most less
least than then when where which who whom what why how if because until unless while still yet
already only also too very each every all any both either neither other another same such one
two three first last next as so but nor does done do did has have had make made take taken keep
kept give given put fibre fibres joint joints splice spliced plug plugs loss light margin owner
crew work working person people place tent vehicle ground pole chamber closure tray sleeve gel
fusion break broken cut wait waiting ring ask asked told known unknown safe danger caution check
limit cost expected hours minutes pieces yes common practice
assumed read derived memory
"""
ENGLISH = frozenset(re.findall(r"[a-z]+", _WORDS)) - {"he", "no", "once", "has", "gel", "as"}
#: Titles of books and names of standards stay as they were printed.
_TITLES = re.compile(r"Introduction to Statistical Quality Control|Fibre Channel")


def english_in(text: str) -> list[str]:
    """The English words of a text."""
    return [word for word in re.findall(r"[a-záéíóúüñ']+", _TITLES.sub("", text).lower()) if word in ENGLISH]
