"""Names of films as they stand in every table and file name, and the files they belong to."""

from __future__ import annotations

import hashlib
import re
import sys
import unicodedata
from functools import lru_cache

_FORMULA = frozenset("=+-@\u2212")
"""OWASP, "CSV Injection": ``= + - @`` at the start of a cell. The minus sign U+2212 is added here."""

_HERE = "./"

_WRITTEN = r"%(?:[01][0-9A-F]|25|5C|7F|[89A-F][0-9A-F])"
"""What :func:`film_name` writes in place of a byte; ``%20`` and the like are left as they are."""


def film_name(path: str) -> str:
    """Name of a film for every output: its relative path, made harmless. Different paths have different names.

    A spreadsheet runs a cell that starts with ``= + - @``, some also with their full-width forms; such a path gets
    ``./`` in front, which leads to the same file. Line breaks, control characters, backslashes and bytes that are no
    text are written as RFC 3986 has it, ``%0A``; so is a percent sign that would read as one of these. No name holds a
    backslash or a line break.

    Parameters
    ----------
    path : str
        Relative, with forward slashes, no ``./`` in front; bytes that are no text as Python gives them
        (``surrogateescape``).
    """
    text = re.sub(f"{_WRITTEN}|[^%]", _byte_by_byte, path)
    return f"{_HERE}{text}" if _starts_formula(text) else text


def film_path(name: str) -> str:
    """The relative path that has this name: what :func:`film_name` was given."""
    octets = re.sub(_WRITTEN.encode(), lambda found: bytes.fromhex(found[0][1:].decode()), _octets(name))
    try:
        text = octets.decode("utf-8", sys.getfilesystemencodeerrors())
    except UnicodeDecodeError:  # a name of another system
        text = octets.decode("utf-8", "surrogateescape")
    return text.removeprefix(_HERE)


def given_film(text: str) -> str:
    """The name that a table made by a person means: as a run writes it, or the path with any slashes, ``./`` in front.

    What could be both is taken for what a run wrote.
    """
    if "\\" not in text and film_name(film_path(text)) == text:
        return text
    plain = text.replace("\\", "/")
    while plain.startswith(_HERE):
        plain = plain.removeprefix(_HERE)
    return plain if film_name(film_path(plain)) == plain else film_name(plain)


def overlay_name(film: str, foot_index: int, side: str) -> str:
    """File name of a foot's overlay: readable, safe on every system and different for every foot.

    Two names of films that become alike once made safe, or on a system that knows no capitals, differ in the digest (80
    bits: among a million films two are alike with a chance below one in a million million).
    """
    safe = re.sub(r"[^A-Za-z0-9._]+", "_", film).strip("._")[-80:]
    mark = hashlib.sha256(film.encode("utf-8", "surrogatepass")).hexdigest()[:20]
    return f"{safe}-{mark}-{foot_index + 1}{side}.png"


@lru_cache(maxsize=2**14)  # names of films, readers and measures come again and again
def cell_text(text: str) -> str:
    """Text as every cell of every table has it: one line, and none that a spreadsheet runs. Names of films stay.

    OWASP, "CSV Injection" (owasp.org/www-community/attacks/CSV_Injection): no cell may begin with ``= + - @``, tab,
    carriage return or line feed; a quotation mark in front makes it text. Full-width forms of these signs, which some
    programs for Asian languages take for them, count, too (common practice, no source). Numbers do not come here.
    """
    line = text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)
    return f"'{line}" if _starts_formula(line) else line


def _starts_formula(text: str) -> bool:
    first = text.lstrip()[:1]
    return unicodedata.normalize("NFKC", first)[:1] in _FORMULA if first else False


def _byte_by_byte(found: re.Match[str]) -> str:
    part = found[0]
    if part.startswith("%"):
        return f"%25{part[1:]}"
    if part.isprintable() and part != "\\":
        return part
    return "".join(f"%{octet:02X}" for octet in _octets(part))


def _octets(text: str) -> bytes:
    """UTF-8, in which bytes that were no text are what they were, and lone surrogates as Windows passes them."""
    return b"".join(
        c.encode("utf-8", "surrogateescape" if "\udc80" <= c <= "\udcff" else "surrogatepass") for c in text
    )
