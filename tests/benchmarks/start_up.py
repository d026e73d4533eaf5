"""How long a fresh Python takes to its first answer: the advisor's beside a bare echo's."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from .echoes import PATH

_ECHO = f"""
import sys
import orjson
from flask import Flask, Response, request

app = Flask("bare_echo")

@app.post({PATH!r})
def echo():
    return Response(orjson.dumps(orjson.loads(request.get_data())), mimetype="application/json")

answer = app.test_client().post({PATH!r}, data=sys.stdin.buffer.read(), content_type="application/json")
sys.exit(answer.status_code != 200)
"""
_ADVISOR = f"""
import sys
from repairadvisor.methods import prepared_method
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.web.app import create_app

app = create_app(Settings(database_url="sqlite:////not/opened.db"), Advisor(prepared_method(), None))
answer = app.test_client().post({PATH!r}, data=sys.stdin.buffer.read(), content_type="application/json")
sys.exit(answer.status_code != 200)
"""
_ROOT = Path(__file__).resolve().parent.parent.parent


def bare_echo_process(body: bytes) -> Callable[[], object]:
    """Starts a Python that imports Flask and orjson and answers one request in process."""
    return _process(_ECHO, body)


def advisor_process(body: bytes) -> Callable[[], object]:
    """Starts a Python that reads and compiles the policy that ships and gives its first advice, kept nowhere."""
    return _process(_ADVISOR, body)


def _process(code: str, body: bytes) -> Callable[[], object]:
    """Raises subprocess.CalledProcessError where the process does not answer with 200."""
    return lambda: subprocess.run([sys.executable, "-c", code], input=body, cwd=_ROOT, check=True)
