"""The style sheet as it is sent: without comments and indentation, which are for whoever changes it."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources

from flask import Flask, Response, request

SHEET = "page.css"
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)


def send_style_light(app: Flask) -> None:
    """Have the style sheet sent light, and every other static file as it is."""

    def send(filename: str) -> Response:
        if filename != SHEET:
            return app.send_static_file(filename)
        response = Response(style(), mimetype="text/css")
        response.add_etag()
        response.make_conditional(request)
        return response

    app.view_functions["static"] = send


@cache
def style() -> str:
    """The style sheet, a line what was one, without comments and indentation."""
    written = (resources.files("repairadvisor.web") / "static" / SHEET).read_text(encoding="utf-8")
    lines = (line.strip() for line in _COMMENT.sub("", written).splitlines())
    return "\n".join(line for line in lines if line) + "\n"
