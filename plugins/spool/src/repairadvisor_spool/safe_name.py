"""Names of files made from what others chose.

A ticket's reference may hold anything printable: ``../../x``, a slash, only dots, two hundred ideograms. Its folder is
called by the reference's UTF-8 in percent-encoding (RFC 3986, section 2.1), with only ``A-Z 0-9 - _`` as they are, and
as that is while it is short and without small letters. Otherwise it is cut and a digest of the whole reference follows
after a ``~``, which stands in no encoded text: names that differ in nothing but small and capital letters would be one
folder on many network shares.
"""

from __future__ import annotations

import hashlib
import string

#: No name of a folder is longer, characters; file systems allow 255 bytes.
LONGEST_NAME = 100
_DIGEST_DIGITS = 24
_AS_IT_IS = frozenset((string.ascii_letters + string.digits + "-_").encode())
#: Names of devices on Windows, with whatever ending: nothing can be stored under them. From memory.
_DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", *(f"{port}{number}" for port in ("COM", "LPT") for number in range(1, 10))]
)


def safe_name(text: str) -> str:
    """The name of a file or folder for ``text``: another one for every other text, never a path."""
    raw = text.encode("utf-8", "surrogatepass")
    encoded = "".join(chr(byte) if byte in _AS_IT_IS else f"%{byte:02X}" for byte in raw)
    if 0 < len(encoded) <= LONGEST_NAME and encoded == encoded.upper() and encoded not in _DEVICES:
        return encoded
    room = LONGEST_NAME - _DIGEST_DIGITS - 1
    return f"{encoded[:room]}~{hashlib.sha256(raw).hexdigest()[:_DIGEST_DIGITS]}"
