"""Published guidance on reporting (``configs/reporting_checklist.yaml``), with what of a report answers it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache

from raysplay.configs.load import Config, load, shipped
from raysplay.measure.evidence import Evidence, cite

ANSWERS = frozenset(
    {
        *("device", "process", "independence", "methods", "sample", "estimates", "details", "missing", "reference"),
        *("readers", "variability", "uncertainty", "flow", "failures", "software"),
    }
)
"""What the program can fill in."""

FOR_AUTHORS = "for the authors to write"


class ChecklistItem(Config):
    """One item of a published list, in short words of our own.

    ``number`` is the one it has there; ``answer`` names what the program fills in, one of ``ANSWERS``, and is empty
    where the authors must; ``tag`` is None where that of the list holds.
    """

    number: int
    item: str
    answer: str = ""
    tag: Evidence | None = None


class Guideline(Config):
    """A published list; ``tag`` holds for its items unless one has its own."""

    name: str
    title: str
    source: str
    tag: Evidence
    items: tuple[ChecklistItem, ...]


class _Checklist(Config):
    guidelines: tuple[Guideline, ...]


@lru_cache(maxsize=1)
def guidelines() -> tuple[Guideline, ...]:
    """Those shipped with the package.

    Raises
    ------
    ValueError
        If an item asks for an answer that is not known.
    """
    found = load(_Checklist, shipped("reporting_checklist.yaml")).guidelines
    for one in found:
        for item in one.items:
            if item.answer and item.answer not in ANSWERS:
                raise ValueError(f"{one.name} {item.number}: no answer is called {item.answer}")
    return found


def filled(guideline: Guideline, answers: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    """Number, item and answer of every item; what is from memory says so."""
    for one in guideline.items:
        item = cite(one.item, one.tag) if one.tag is not None else one.item
        yield str(one.number), item, answers.get(one.answer, FOR_AUTHORS) if one.answer else FOR_AUTHORS
