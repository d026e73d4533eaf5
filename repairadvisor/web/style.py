"""Style sheets and scripts as they are sent: without comments and indentation, which are for whoever changes them."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources

from flask import Flask, Response, request

SHEET = "page.css"
SHEETS = (SHEET, "rules.css", "pole.css")
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
#: A comment of a script that stands on lines of its own: within a line nothing tells it from a text.
_COMMENT_LINES = re.compile(r"^[ \t]*(?://[^\n]*|/\*.*?\*/[ \t]*)$", re.DOTALL | re.MULTILINE)


def send_style_light(app: Flask) -> None:
    """Have style sheets of pages sent light, and every other static file as it is."""

    def send(filename: str) -> Response:
        if filename not in SHEETS:
            return app.send_static_file(filename)
        response = Response(style(filename), mimetype="text/css")
        response.add_etag()
        response.make_conditional(request)
        return response

    app.view_functions["static"] = send


@cache
def style(sheet: str = SHEET) -> str:
    """A style sheet, a line what was one, without comments and indentation."""
    return _lines(_COMMENT.sub("", _written(sheet)))


@cache
def script(name: str) -> str:
    """A script, a line what was one, without indentation and the comments that have lines of their own."""
    return _lines(_COMMENT_LINES.sub("", _written(name)))


def _written(name: str) -> str:
    return (resources.files("repairadvisor.web") / "static" / name).read_text(encoding="utf-8")


def _lines(written: str) -> str:
    lines = (line.strip() for line in written.splitlines())
    return "\n".join(line for line in lines if line) + "\n"
