"""Left and right: the codes that tables, networks and DICOM files have for them, and their words.

The codes are those of Image Laterality (0020,0062), DICOM PS3.3 C.8.11.2 (DX Anatomy Imaged); from memory.
"""

from __future__ import annotations

from typing import Literal, get_args

Side = Literal["L", "R"]
SIDES: tuple[Side, ...] = get_args(Side)

SIDE_WORDS: dict[str, str] = {"L": "left", "R": "right"}
"""Word of each side."""

Laterality = Literal[Side, "B"]
LATERALITIES: tuple[Laterality, ...] = get_args(Laterality)
"""What a file may state of a film: a side, or B where both feet are on it."""


def side_of(text: str) -> Side | None:
    """The side that a code or a word names, in any capitals; None for any other text.

    Examples
    --------
    >>> side_of("Left"), side_of("r"), side_of("both")
    ('L', 'R', None)
    """
    said = text.lower()
    return next((side for side in SIDES if said in (side.lower(), SIDE_WORDS[side])), None)


def other_side(side: str) -> str:
    """Left for right, right for left; empty where the side is not known."""
    return {"L": "R", "R": "L"}.get(side, "")


def foot_words(side: str) -> str:
    """``left foot``, ``right foot``; ``foot`` where the side is not known.

    Examples
    --------
    >>> foot_words("L"), foot_words("")
    ('left foot', 'foot')
    """
    return f"{SIDE_WORDS[side]} foot" if side in SIDE_WORDS else "foot"
