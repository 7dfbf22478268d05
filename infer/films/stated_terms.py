"""Words for body part and view that free text may hold, as terms of a closed list: no text of it is passed on."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from raysplay.configs.load import Config, load, shipped

FOOT, DORSOPLANTAR = "foot", "dorsoplantar"


class StatedTerms(Config):
    """Checked form of ``configs/stated_terms.yaml``: words by term."""

    parts: dict[str, tuple[str, ...]]
    views: dict[str, tuple[str, ...]]

    @property
    def other_parts(self) -> frozenset[str]:
        """Parts that are neither a foot nor next to one."""
        return frozenset(self.parts) - {FOOT, "ankle", "calcaneus"}


@lru_cache(maxsize=1)
def stated_terms_settings() -> StatedTerms:
    """The terms of ``configs/stated_terms.yaml``."""
    return load(StatedTerms, shipped("stated_terms.yaml"))


def terms_in(text: str) -> tuple[str, ...]:
    """Terms that a text names."""
    words = _plain(text)
    return tuple(term for term, pattern in _patterns() if pattern.search(words))


@lru_cache(maxsize=1)
def _patterns() -> tuple[tuple[str, re.Pattern[str]], ...]:
    settings = stated_terms_settings()
    return tuple(
        (term, re.compile("|".join(f"(?<![a-z]){_regular(word)}(?![a-z])" for word in words)))
        for term, words in (*settings.parts.items(), *settings.views.items())
    )


def _regular(word: str) -> str:
    return "[a-z]*".join(re.escape(part) for part in word.split("*"))


def _plain(text: str) -> str:
    """Small letters without accents; whatever is no letter is a gap."""
    folded = unicodedata.normalize("NFKD", text.casefold())
    letters = "".join(c for c in folded if not unicodedata.combining(c))
    return "".join(c if c.isascii() and (c.isalpha() or c == "|") else " " for c in letters)
