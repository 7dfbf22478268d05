"""How well a definition, threshold or error is known, and how that is said."""

from __future__ import annotations

from enum import Enum


class Evidence(Enum):
    """Where a statement comes from; goes with every definition, threshold and published error."""

    SEEN = "S"
    """Read in the abstract, table or opening of the source."""
    MEMORY = "M"
    """Remembered, to be verified against the source; never to be printed as certain."""
    DERIVED = "D"
    """Computed by this project from what the source gives."""
    PROPOSED = "P"
    """This project's own rule; not published, waits for a clinician reader."""


_WORDS = {
    Evidence.SEEN: "",
    Evidence.MEMORY: "from memory, not verified",
    Evidence.DERIVED: "derived here",
    Evidence.PROPOSED: "proposed here, not published",
}


class Cited:
    """What a source states; those that inherit have ``source`` and ``evidence``."""

    source: str
    evidence: Evidence

    @property
    def cited(self) -> str:
        """Source with the words that its evidence asks for."""
        return cite(self.source, self.evidence)


def cite(source: str, evidence: Evidence) -> str:
    """The source with the words that its evidence asks for.

    Examples
    --------
    >>> cite("Piggott, JBJS Br 1960;42:749", Evidence.MEMORY)
    'Piggott, JBJS Br 1960;42:749 (from memory, not verified)'
    >>> cite("Condon 2002", Evidence.SEEN)
    'Condon 2002'
    """
    words = _WORDS[evidence]
    return f"{source} ({words})" if words else source
