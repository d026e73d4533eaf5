"""What compiling a policy came to, in a file of the user's cache, so that the next start need not do it again.

A file stands under the policy, the method and the program that made it, so no other will ever read it. Its first line
is the SHA-256 of the rest: what was torn, or changed by anything but this program, is not read. Nor is a file that
somebody else may write. All of it can be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import tempfile
from pathlib import Path
from typing import Any

import orjson

_DIGEST = 64
_OTHERS_MAY_WRITE = stat.S_IWGRP | stat.S_IWOTH


class Compiled:
    """The file under ``folder`` for one policy, method and program, which ``name`` tells from all others."""

    def __init__(self, folder: Path, name: str) -> None:
        self._file = folder / f"{hashlib.sha256(name.encode()).hexdigest()}.compiled"

    def read(self) -> dict[str, Any] | None:
        """What was written; None where nothing was, or what is there cannot be trusted."""
        try:
            with self._file.open("rb") as file:
                owner = os.fstat(file.fileno())
                if owner.st_uid != os.getuid() or owner.st_mode & _OTHERS_MAY_WRITE:
                    return None
                digest, text = file.read(_DIGEST + 1), file.read()
        except OSError:
            return None
        if digest != _line(text):
            return None
        found = orjson.loads(text)
        return found if isinstance(found, dict) else None

    def write(self, plain: dict[str, Any]) -> None:
        """Put it there as a whole, for this user only. Where there is no place for it nothing is written."""
        text = orjson.dumps(plain)
        with contextlib.suppress(OSError):
            self._file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            number, name = tempfile.mkstemp(dir=self._file.parent)
            try:
                with os.fdopen(number, "wb") as file:
                    file.write(_line(text) + text)
                os.replace(name, self._file)  # noqa: PTH105 -- both names are texts here
            except OSError:
                os.unlink(name)  # noqa: PTH108
                raise


def _line(text: bytes) -> bytes:
    return hashlib.sha256(text).hexdigest().encode() + b"\n"
