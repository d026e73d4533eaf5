"""Files in a folder, touched so that nothing is half-written and nothing outside is reached.

Everything goes by the open folder and a name in it: symbolic links are not followed, and what is no regular file is not
there. A file is written under a temporary name, brought to disk and put in its place in one step.

What the operating system refuses becomes :class:`~repairadvisor.errors.RemoteUnavailableError`: shares come back, disks
are cleared and permissions are mended.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from repairadvisor.plugin import RemoteUnavailableError

#: For the group as well, as far as the umask lets it: the other system is seldom the same user.
FILE_MODE, FOLDER_MODE = 0o660, 0o770
_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
# A file that is a pipe by the time it is opened must not hold us up.
_READ_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_WRITE_FLAGS = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
#: What opening says of a name that is gone or has become a link.
_NOT_THERE = (errno.ENOENT, errno.ELOOP)
#: What a file system says that cannot bring a folder to disk, as some network shares cannot. From memory.
_CANNOT_SYNC = (errno.EINVAL, errno.ENOTSUP, errno.EBADF)


@dataclass(frozen=True, slots=True)
class FileMark:
    """What changes when a file is written to or replaced."""

    inode: int
    size_bytes: int
    modified_ns: int


@contextlib.contextmanager
def told(where: str) -> Iterator[None]:
    """What the operating system refuses inside, said of ``where``."""
    try:
        yield
    except OSError as error:
        said = os.strerror(error.errno) if error.errno else type(error).__name__
        raise RemoteUnavailableError(f"{where}: {said}") from error


@contextlib.contextmanager
def open_folder(path: Path) -> Iterator[Folder]:
    """The folder at ``path``, which has to be there: to make it would hide that a share is not mounted."""
    with told(str(path)):
        number = os.open(path, _FOLDER_FLAGS)
    try:
        yield Folder(number, str(path))
    finally:
        os.close(number)


class Folder:
    """An open folder. Its methods raise :class:`OSError`; :func:`told` says what it means."""

    def __init__(self, number: int, shown: str) -> None:
        self._number = number
        #: Its path, to be shown.
        self.shown = shown

    @contextlib.contextmanager
    def inside(self, name: str, make: bool = False) -> Iterator[Folder]:
        """A folder in this one; ``make``: made where there is none."""
        shown = f"{self.shown}/{name}"
        with told(shown):
            if make:
                self._make(name)
            number = os.open(name, _FOLDER_FLAGS | os.O_NOFOLLOW, dir_fd=self._number)
        try:
            yield Folder(number, shown)
        finally:
            os.close(number)

    def _make(self, name: str) -> None:
        with contextlib.suppress(FileExistsError):
            os.mkdir(name, FOLDER_MODE, dir_fd=self._number)
            self.sync()

    def has_folder(self, name: str) -> bool:
        """Whether there is a folder of that name, which is no link."""
        try:
            return stat.S_ISDIR(os.stat(name, dir_fd=self._number, follow_symlinks=False).st_mode)
        except FileNotFoundError:
            return False

    def files(self) -> dict[str, FileMark]:
        """The regular files in it, by name."""
        with os.scandir(self._number) as entries:
            names = [entry.name for entry in entries]
        marks = ((name, self.mark(name)) for name in names)
        return {name: mark for name, mark in marks if mark is not None}

    def mark(self, name: str) -> FileMark | None:
        """The mark of a regular file, or None."""
        try:
            found = os.stat(name, dir_fd=self._number, follow_symlinks=False)
        except FileNotFoundError:
            return None
        return _mark(found)

    def read(self, name: str, most_bytes: int) -> tuple[bytes, FileMark] | None:
        """What stands in a regular file, and its mark; None where it is gone or is just being written to.

        Of a file of more than ``most_bytes`` the content is ``b""``.
        """
        if self.mark(name) is None:
            return None
        try:
            number = os.open(name, _READ_FLAGS, dir_fd=self._number)
        except OSError as error:
            if error.errno in _NOT_THERE:
                return None
            raise
        with os.fdopen(number, "rb") as file:
            before = _mark(os.fstat(number))
            if before is None:
                return None
            content = file.read(most_bytes) if before.size_bytes <= most_bytes else b""
            return (content, before) if _mark(os.fstat(number)) == before else None

    def write(self, name: str, content: bytes) -> None:
        """Put ``content`` under ``name`` in one step: whoever reads sees the old or the new, whole."""
        temporary = f".{name}.tmp"
        self.remove(temporary)  # left by a crash; or somebody else's link, which is not to be written through
        number = os.open(temporary, _WRITE_FLAGS, FILE_MODE, dir_fd=self._number)
        try:
            try:
                _write_all(number, content)
                os.fsync(number)
            finally:
                os.close(number)
            os.replace(temporary, name, src_dir_fd=self._number, dst_dir_fd=self._number)
        except OSError:
            with contextlib.suppress(OSError):
                self.remove(temporary)
            raise
        self.sync()

    def remove(self, name: str) -> None:
        """Remove a file, if it is there."""
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name, dir_fd=self._number)

    def move(self, name: str, to: Folder, new_name: str) -> None:
        """Move a file to another folder of the same file system, in one step. Takes the place of what is there."""
        os.replace(name, new_name, src_dir_fd=self._number, dst_dir_fd=to._number)

    def move_to_free_name(self, name: str, to: Folder, new_name: str) -> None:
        """Move a file; raises :class:`FileExistsError` where there is one. Not every file system can do this."""
        os.link(name, new_name, src_dir_fd=self._number, dst_dir_fd=to._number, follow_symlinks=False)
        os.unlink(name, dir_fd=self._number)

    def sync(self) -> None:
        """Bring names to disk, where the file system can."""
        try:
            os.fsync(self._number)
        except OSError as error:
            if error.errno not in _CANNOT_SYNC:
                raise


def _mark(found: os.stat_result) -> FileMark | None:
    return FileMark(found.st_ino, found.st_size, found.st_mtime_ns) if stat.S_ISREG(found.st_mode) else None


def _write_all(number: int, content: bytes) -> None:
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(number, rest) :]
