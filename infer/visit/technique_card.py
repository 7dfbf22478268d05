"""A card of one page: how a film is taken so that the next one can be compared with it, and what to note down."""

from __future__ import annotations

from raysplay.infer.report.document import About, Block, DataTable, Heading, Paragraph
from raysplay.infer.visit.language import Language

ITEMS = ("loading", "stance", "tilt", "distance", "beam", "marker", "worn", "same")
"""What the card says something of."""

_NOTED = ("person", "day", "loading", "worn", "stance", "tilt", "beam", "distance", "marker", "surgery", "by")


def technique_card(words: Language) -> list[Block]:
    """The card; it names no person."""
    rows = [[words.say(f"card_{one}"), words.say(f"card_{one}_do"), words.say(f"card_{one}_why")] for one in ITEMS]
    header = [words.say(f"card_head_{one}") for one in ("what", "do", "why")]
    noted = [[words.say(f"card_note_{one}"), words.say(f"card_choice_{one}")] for one in _NOTED]
    return [
        About(words.language, "raysplay technique-card", words.say("contents"), words.say("page")),
        Heading(words.say("card_title"), 1),
        Paragraph(words.say("card_about")),
        DataTable(words.say("card_caption"), header, rows, frozenset(), (16, 42, 42), roomy=True),
        DataTable(words.say("card_noted"), ["", ""], noted, frozenset(), (30, 70), roomy=True),
        Paragraph(words.say("card_caution"), caution=True),
    ]
