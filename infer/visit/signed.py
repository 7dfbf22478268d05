"""Who stands for a report or a letter as it was written."""

from __future__ import annotations

from dataclasses import dataclass

from raysplay.infer.report.document import Block, Notice, Paragraph
from raysplay.infer.visit.language import Language


@dataclass(frozen=True)
class Signed:
    """Who wrote it and when, and whether they stand for it.

    Attributes
    ----------
    by : str
        Initials.
    at : str
        ISO 8601.
    confirmed : bool
    """

    by: str
    at: str
    confirmed: bool = False


def told_of(signed: Signed, words: Language) -> Paragraph:
    """Who wrote or confirmed it, and when."""
    key = "signed_confirmed" if signed.confirmed else "signed_written"
    return Paragraph(words.say(key, by=signed.by, day=words.day(signed.at[:10]), time=signed.at[11:16]))


def not_confirmed(signed: Signed, words: Language) -> list[Block]:
    """In large letters that nobody stands for it; nothing where somebody does."""
    if signed.confirmed:
        return []
    return [Notice(words.say("unconfirmed")), Paragraph(words.say("signed_by_nobody"), caution=True)]
