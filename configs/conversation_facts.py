"""Published facts for the conversation at the desk (``configs/conversation_facts.yaml``); never advice."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.measure.evidence import Evidence


class ConversationFact(Config):
    """One statement of a published source, by language.

    Attributes
    ----------
    about : str
        What it is told for.
    text : dict of str to str
        By language, as BCP 47 names it.
    source : str
    tag : Evidence
        Seen in the source: nothing else is told to a patient.
    """

    about: Literal["symptoms", "reading", "loading", "course", "splint", "surgery", "bump"]
    text: Annotated[dict[str, str], Field(min_length=1)]
    source: Annotated[str, Field(min_length=1)]
    tag: Evidence

    @model_validator(mode="after")
    def _seen(self) -> ConversationFact:
        if self.tag is not Evidence.SEEN:
            raise ValueError(f"{self.source}: only what was seen in its source (tag S) is told to a patient")
        return self


class _FactFile(Config):
    facts: tuple[ConversationFact, ...]

    @model_validator(mode="after")
    def _in_all_languages(self) -> _FactFile:
        languages = {language for one in self.facts for language in one.text}
        for one in self.facts:
            if missing := languages - set(one.text):
                raise ValueError(f"{one.source}: no text in {', '.join(sorted(missing))}")
        return self


def read_conversation_facts(path: Path | str) -> tuple[ConversationFact, ...]:
    """Facts of a file, in its order.

    Raises
    ------
    ConfigError
        If the file does not fit, a text is missing in a language, or a fact was not seen in its source.
    """
    return load(_FactFile, path).facts


@lru_cache(maxsize=1)
def conversation_facts() -> tuple[ConversationFact, ...]:
    """The shipped facts."""
    return read_conversation_facts(shipped("conversation_facts.yaml"))
