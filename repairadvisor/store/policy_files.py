"""The folders in which a policy's files stand, read as a whole or refused."""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from importlib import resources
from pathlib import Path

from repairadvisor.errors import PolicyError
from repairadvisor.policy.load import LONGEST_FILE
from repairadvisor.policy.overlay import HEAD, Overlay, read_head, read_overlay, refuse_file
from repairadvisor.settings import overlay_folder

#: Parents above one another.
MOST_PARENTS = 8
#: A folder with more in it is no overlay.
_MOST_NAMES = 200


def default_texts() -> dict[str, str]:
    """The files of the policy that ships, by name."""
    folder = resources.files("repairadvisor.policy") / "default"
    return {file.name: file.read_text(encoding="utf-8") for file in folder.iterdir() if file.name.endswith(".toml")}


def read_overlays(folder: Path) -> tuple[Overlay, ...]:
    """The overlay in a folder after all those it lies on, the outermost parent first.

    Raises PolicyError for a folder or file that cannot be read, is not whole, leads out of the folder or is too large,
    and for parents that go round in a circle.
    """
    found: list[Overlay] = []
    seen: list[Path] = []
    at: Path | None = folder
    while at is not None:
        here = _real(at)
        if here in seen:
            round_of = " lies on ".join(one.name for one in (*seen[seen.index(here) :], here))
            raise PolicyError(f"{HEAD}: parent", f"goes round in a circle: {round_of}")
        if len(seen) > MOST_PARENTS:
            raise PolicyError(f"{HEAD}: parent", f"stands on more than {MOST_PARENTS} others")
        seen.append(here)
        overlay = _read_folder(here)
        found.insert(0, overlay)
        at = overlay_folder(overlay.parent, here) if overlay.parent else None
    return tuple(found)


def _real(folder: Path) -> Path:
    try:
        real = folder.resolve(strict=True)
    except (OSError, RuntimeError, ValueError) as error:
        problem = getattr(error, "strerror", None) or "it cannot be reached"
        raise PolicyError(str(folder), f"is no folder to be read: {problem}") from error
    if not real.is_dir():
        raise PolicyError(str(folder), "is no folder")
    return real


def _read_folder(folder: Path) -> Overlay:
    """The overlay of one folder. What its list names is read, and nothing else may stand beside it."""
    try:
        head = _read_file(folder, HEAD)
        listed = read_head(head).files
        texts = {HEAD: head, **{name: _read_file(folder, name) for name in listed}}
        _refuse_unlisted(_names(folder), (HEAD, *listed))
        return read_overlay(texts)
    except PolicyError as error:
        raise PolicyError(f"{folder.name}/{error.where}", error.problem, error.allowed) from error


def _refuse_unlisted(names: Sequence[str], listed: Sequence[str]) -> None:
    for name in names:
        if name not in listed:
            refuse_file(name, name)
            raise PolicyError(f"{HEAD}: files", f"does not name {name}, which is there")


def _names(folder: Path) -> list[str]:
    """What stands in a folder; what begins with a dot is somebody else's."""
    found: list[str] = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if not entry.name.startswith("."):
                    found.append(entry.name)
                if len(found) > _MOST_NAMES:
                    raise PolicyError(folder.name, f"holds more than {_MOST_NAMES} files")
    except OSError as error:
        raise PolicyError(folder.name, f"cannot be read: {error.strerror}") from error
    return sorted(found)


def _read_file(folder: Path, name: str) -> str:
    """The text of one file, never more of it than may be there."""
    try:
        real = (folder / name).resolve(strict=True)
        if not real.is_relative_to(folder):
            raise PolicyError(name, "is a link that leads out of the folder")
        number = os.open(real, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(number, "rb") as file:
            if not stat.S_ISREG(os.fstat(number).st_mode):
                raise PolicyError(name, "is no file")
            content = file.read(LONGEST_FILE + 1)
    except FileNotFoundError:
        raise PolicyError(name, "is not there" + (f", though {HEAD} names it" if name != HEAD else "")) from None
    except (OSError, RuntimeError) as error:
        problem = getattr(error, "strerror", None) or "it cannot be reached"
        raise PolicyError(name, f"cannot be read: {problem}") from error
    if len(content) > LONGEST_FILE:
        raise PolicyError(name, f"is longer than {LONGEST_FILE} bytes")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise PolicyError(name, f"is not UTF-8: byte {error.start}") from None
