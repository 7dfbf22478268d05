"""Words, dates and decimal signs of a language (``words/*.yaml``)."""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache
from pathlib import Path

from raysplay.configs.load import Config, ConfigError, load

_FOLDER = Path(__file__).parent / "words"
_PLACE = re.compile(r"\\\{(\d)\\\}")


class Language(Config):
    """One language.

    Attributes
    ----------
    language : str
        As BCP 47 names it.
    decimal : str
        Sign before decimals.
    date : str
        With ``{year}``, ``{month}`` and ``{day}``.
    messages : dict of str to str
        Sentences of the reports, by key.
    phrases : dict of str to str
        What other rooms say in English, with ``{0}`` and so on for what differs; what stands here by no pattern stays
        as it is.
    """

    language: str
    decimal: str
    date: str
    messages: dict[str, str]
    phrases: dict[str, str]

    def say(self, key: str, **values: str) -> str:
        """A sentence with its values, which are text already."""
        return self.messages[key].format(**values)

    def number(self, value: float, decimals: int = 1) -> str:
        """A number with the decimals that are meant.

        Examples
        --------
        >>> language("de").number(-7.04), language("en").number(0.0001)
        ('−7,0', '0.0')
        """
        text = f"{round(value, decimals) + 0.0:.{decimals}f}".replace(".", self.decimal)
        return text.replace("-", "−")

    def signed(self, value: float, decimals: int = 1) -> str:
        """A difference: with its sign."""
        text = self.number(value, decimals)
        return text if text.startswith("−") or not round(value, decimals) else f"+{text}"

    def day(self, iso: str) -> str:
        """A day as people write it.

        Examples
        --------
        >>> language("de").day("2026-03-01"), language("en").day("2026-03-01")
        ('01.03.2026', '1 March 2026')
        """
        one = date.fromisoformat(iso)
        month = self.messages[f"month_{one.month}"]
        return self.date.format(year=one.year, month=one.month, day=one.day, month_word=month)

    def phrase(self, text: str) -> str:
        """What another room says, in this language as far as it is known here; parts between semicolons each."""
        if "; " in text:
            return "; ".join(self.phrase(part) for part in text.split("; "))
        for pattern, own in _patterns(self.language):
            if found := pattern.fullmatch(text):
                return own.format(*(self._known(part) for part in found.groups()))
        return text

    def phrase_list(self, text: str) -> str:
        """Several phrases between commas, as the source of a number has them."""
        return ", ".join(self.phrase(part) for part in text.split(", "))

    def _known(self, part: str) -> str:
        return self.phrases.get(part, part)


@lru_cache(maxsize=8)
def language(name: str) -> Language:
    """A language by name.

    Raises
    ------
    ConfigError
        If there are no words in it.
    """
    if name not in languages():
        raise ConfigError(f"{name}: no words in this language; there are {', '.join(languages())}")
    return load(Language, _FOLDER / f"{name}.yaml")


def languages() -> tuple[str, ...]:
    """Languages that there are words in."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.yaml")))


@lru_cache(maxsize=8)
def _patterns(name: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Phrases as patterns, the most literal ones first."""
    known = language(name).phrases
    ordered = sorted(known, key=lambda one: (one.count("{"), -len(one)))
    return tuple((re.compile(_PLACE.sub("(.+?)", re.escape(one))), known[one]) for one in ordered)
