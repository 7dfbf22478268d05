"""Names of films as they stand in every table and file name."""

from __future__ import annotations

import hashlib
import re

_FORMULA_START = ("=", "+", "-", "@")


def film_name(relative: str) -> str:
    """Name of a film for every output: its relative path, made harmless.

    A spreadsheet runs a cell that starts with ``= + - @``; such a path gets ``./`` in front, which leads to
    the same file. Line breaks, control characters and bytes that are no text are written as escapes.
    """
    text = relative.encode("utf-8", "backslashreplace").decode("utf-8")
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return f"./{text}" if text.lstrip().startswith(_FORMULA_START) else text


def overlay_name(film: str, foot_index: int, side: str) -> str:
    """File name of a foot's overlay: readable, safe on every system and different for every foot.

    Two paths that become alike once made safe differ in the digest.
    """
    safe = re.sub(r"[^A-Za-z0-9._]+", "_", film).strip("._")[-80:]
    mark = hashlib.sha256(film.encode("utf-8")).hexdigest()[:8]
    return f"{safe}-{mark}-{foot_index + 1}{side}.png"


def cell_text(text: str) -> str:
    """Free text for a cell: one line, and none that a spreadsheet runs.

    A quotation mark goes before ``= + - @`` at the start, as OWASP's page on CSV injection has it.
    """
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return f"'{plain}" if plain.startswith(_FORMULA_START) else plain
