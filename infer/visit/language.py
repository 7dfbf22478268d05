"""Words, dates and decimal signs of a language (``words/*.yaml``)."""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache
from pathlib import Path
from re import fullmatch

from raysplay.configs.load import Config, ConfigError, load

_FOLDER = Path(__file__).parent / "words"
ENGLISH = "en"
"""What every part says before it is put into another language."""

_PLACE = re.compile(r"\\\{(\d)\\\}")


class Language(Config):
    """One language.

    Attributes
    ----------
    language : str
        As BCP 47 names it.
    called : str
        As it calls itself.
    decimal : str
        Sign before decimals.
    date : str
        With ``{year}``, ``{month}`` and ``{day}``.
    messages : dict of str to str
        Sentences of the reports, by key.
    page : dict of str to str
        Sentences of the desk's page that no report has, by key.
    phrases : dict of str to str
        What other rooms say in English, with ``{0}`` and so on for what differs; what stands here by no pattern stays
        as it is.
    """

    language: str
    called: str
    decimal: str
    date: str
    messages: dict[str, str]
    page: dict[str, str]
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
        """What another room says, in this language as far as it is known here; parts between semicolons each, and what
        stands in the places of a sentence, too."""
        said = self._said(text)
        if said is None and text[:1].isupper():
            said = self._said(text[0].lower() + text[1:])  # at the head of an answer
            said = None if said is None else said[:1].upper() + said[1:]
        if said is not None:
            return said
        if "; " in text:
            return "; ".join(self.phrase(part) for part in text.split("; "))
        return self._digits(text)

    def _said(self, text: str) -> str | None:
        for pattern, own in _patterns(self.language):
            if found := pattern.fullmatch(text):
                return own.format(*(self.phrase(part) for part in found.groups()))
        return None

    def _digits(self, text: str) -> str:
        """A number as English writes it with the signs of this language; any other text as it is."""
        if self.decimal == "." or not fullmatch(r"-?\d{1,3}(?:,\d{3})+(?:\.\d+)?|-?\d+\.\d+", text):
            return text
        return text.replace(",", " ").replace(".", self.decimal).replace(" ", ".").replace("-", "−")

    def phrase_list(self, text: str) -> str:
        """Several phrases between commas, as the source of a number has them."""
        return ", ".join(self.phrase(part) for part in text.split(", "))


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
