"""A report as a list of blocks, laid out by ``web_page.py`` and ``pdf_file.py``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Heading:
    """``level`` 1 is the title, 2 a section, 3 a part of one."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Paragraph:
    """Running text; a ``caution`` is set off."""

    text: str
    caution: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list of short sentences."""

    items: Sequence[str]


@dataclass(frozen=True)
class DataTable:
    """A table; columns whose index is in ``numbers`` stand to the right. ``weights`` are relative widths on paper.

    ``roomy`` is set like running text, with room to write by hand. A header of empty texts is left out.
    """

    caption: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: frozenset[int] = frozenset()
    weights: Sequence[float] = ()
    roomy: bool = False


@dataclass(frozen=True)
class Picture:
    """A plot as SVG for the page and PNG for paper, and what it shows in words; ``width`` and ``height`` in mm."""

    caption: str
    svg: str
    png: bytes
    width: float
    height: float


@dataclass(frozen=True)
class Notice:
    """A few words in large letters that nobody may overlook."""

    text: str


@dataclass(frozen=True)
class About:
    """Language of a report as BCP 47 names it, the command that wrote it, and words that every page carries."""

    language: str = "en"
    author: str = "raysplay agreement"
    contents: str = "Contents"
    page: str = "page"


@dataclass(frozen=True)
class NewPage:
    """On paper, what follows begins a page."""


Block = Heading | Paragraph | Bullets | DataTable | Picture | Notice | NewPage | About


def about(blocks: Sequence[Block]) -> About:
    """What a report says of itself."""
    return next((one for one in blocks if isinstance(one, About)), About())
