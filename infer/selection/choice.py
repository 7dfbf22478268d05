"""Whether a film is kept: what the picture shows first, what the file says where the picture leaves doubt."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.stated_terms import DORSOPLANTAR, FOOT, StatedTerms
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import FoundFoot
from raysplay.infer.selection.settings import SelectionSettings


class Verdict(Enum):
    """What the selection does with a file; the values stand in the table."""

    KEPT = "kept"
    LEFT_OUT = "left_out"
    NOT_READ = "not_read"
    """It may be a film, but nobody could look at it; a run names it again."""


class Kind(Enum):
    """Why; the values stand in the table."""

    DORSOPLANTAR = "dorsoplantar"
    DOUBTFUL = "doubtful"
    STATED = "stated"
    """By the file a dorsoplantar foot film, or a foot film of no known view; the picture does not show it."""
    LATERAL = "lateral"
    OBLIQUE = "oblique"
    OTHER_VIEW = "other_view"
    OTHER_PART = "other_part"
    NO_FOOT = "no_foot"
    OTHER_FILE = "other_file"
    OTHER_OBJECT = "other_object"
    DUPLICATE = "duplicate"
    CONTAINER = "container"
    UNREADABLE = "unreadable"
    NO_DECODER = "no_decoder"
    ENCRYPTED = "encrypted"
    MISSING = "missing"
    CHANGED = "changed"
    FAILED = "internal_error"

    @property
    def words(self) -> str:
        """The kind in a few words."""
        return _WORDS[self]


_WORDS = {
    Kind.DORSOPLANTAR: "a dorsoplantar foot is seen",
    Kind.DOUBTFUL: "perhaps a dorsoplantar foot",
    Kind.STATED: "a foot film by the file's words, not seen in the picture",
    Kind.LATERAL: "a foot from the side",
    Kind.OBLIQUE: "an oblique view of a foot",
    Kind.OTHER_VIEW: "a foot in another view",
    Kind.OTHER_PART: "another part of the body, by file and picture",
    Kind.NO_FOOT: "no foot is seen, and the file names none",
    Kind.OTHER_FILE: "another kind of file",
    Kind.OTHER_OBJECT: "a DICOM object that is no projection radiograph",
    Kind.DUPLICATE: "a copy of another file",
    Kind.CONTAINER: "a file that holds or lists others",
    Kind.UNREADABLE: "could not be read",
    Kind.NO_DECODER: "could not be read: a decoder is missing",
    Kind.ENCRYPTED: "could not be read: encrypted",
    Kind.MISSING: "is not there",
    Kind.CHANGED: "was changed while it was read",
    Kind.FAILED: "the program failed on it",
}

_OF_REFUSAL = {
    ReasonKind.OTHER_FILE: (Verdict.LEFT_OUT, Kind.OTHER_FILE),
    ReasonKind.OTHER_OBJECT: (Verdict.LEFT_OUT, Kind.OTHER_OBJECT),
    ReasonKind.DUPLICATE: (Verdict.LEFT_OUT, Kind.DUPLICATE),
    ReasonKind.CONTAINER: (Verdict.NOT_READ, Kind.CONTAINER),
    ReasonKind.NO_DECODER: (Verdict.NOT_READ, Kind.NO_DECODER),
    ReasonKind.ENCRYPTED: (Verdict.NOT_READ, Kind.ENCRYPTED),
    ReasonKind.MISSING: (Verdict.NOT_READ, Kind.MISSING),
    ReasonKind.CHANGED: (Verdict.NOT_READ, Kind.CHANGED),
    ReasonKind.INTERNAL_ERROR: (Verdict.NOT_READ, Kind.FAILED),
}
_BY_VIEW = {"lateral": Kind.LATERAL, "oblique": Kind.OBLIQUE}


@dataclass(frozen=True)
class Choice:
    """What becomes of one file.

    Attributes
    ----------
    verdict : Verdict
    kind : Kind
    why : str
        A sentence for a person, without text of the header.
    terms : tuple of str
        What the header's words name.
    feet : int
        Feet that were seen, in whatever view.
    seen : float
        Score times probability of the dorsoplantar view, the largest of all feet; nan where nothing was looked at.
    view : str
        Likeliest view of that foot, or of the surest one; empty without a foot.
    """

    verdict: Verdict
    kind: Kind
    why: str
    terms: tuple[str, ...] = ()
    feet: int = 0
    seen: float = float("nan")
    view: str = ""


def refused(problem: FilmRejected) -> Choice:
    """What becomes of a file that gives no film; what may have been one is not left out, but not read."""
    verdict, kind = _OF_REFUSAL.get(problem.kind, (Verdict.NOT_READ, Kind.UNREADABLE))
    return Choice(verdict, kind, str(problem))


def choose(film: Film, found: Iterable[FoundFoot], settings: SelectionSettings, stated: StatedTerms) -> Choice:
    """What becomes of a film on which these feet were found, in its picture or its negative.

    The picture alone can keep a film; to leave one out, the file must not speak for a dorsoplantar foot. A file that
    says foot and no view is kept unless another view is seen.
    """
    feet = list(found)
    seen = max((foot.score * foot.view["dp"] for foot in feet), default=0.0)
    best = max(feet, key=lambda foot: (foot.score * foot.view["dp"] >= settings.seen_at_all, foot.score), default=None)
    view = max(best.view, key=lambda name: best.view[name]) if best is not None else ""
    words = set(film.terms)

    def chosen(verdict: Verdict, kind: Kind, why: str) -> Choice:
        return Choice(verdict, kind, why, film.terms, len(feet), seen, view)

    figure = f"a dorsoplantar foot is seen at {seen:.2f}"
    if seen >= settings.seen_surely:
        return chosen(Verdict.KEPT, Kind.DORSOPLANTAR, figure)
    if seen >= settings.seen_at_all:
        return chosen(Verdict.KEPT, Kind.DOUBTFUL, f"{figure}, kept from {settings.seen_at_all:g} on")
    if DORSOPLANTAR in words and not words & stated.other_parts:
        return chosen(Verdict.KEPT, Kind.STATED, f"the file says dorsoplantar; {figure} only")
    other_view = bool(words & set(stated.views))
    if FOOT in words and not feet and not other_view:
        return chosen(Verdict.KEPT, Kind.STATED, "the file says foot and no view; none was found in the picture")
    if feet:
        kind = _BY_VIEW.get(view, Kind.OTHER_VIEW)
        return chosen(Verdict.LEFT_OUT, kind, f"{kind.words}; {figure}, kept from {settings.seen_at_all:g} on")
    if FOOT in words:  # a view that the file names, and no foot to say otherwise
        named = next((term for term in ("lateral", "oblique") if term in words), "")
        return chosen(Verdict.LEFT_OUT, _BY_VIEW.get(named, Kind.OTHER_VIEW), "the file names another view of a foot")
    if words & stated.other_parts:
        return chosen(Verdict.LEFT_OUT, Kind.OTHER_PART, "the file names another part, and no foot is seen")
    return chosen(Verdict.LEFT_OUT, Kind.NO_FOOT, "no foot is seen, and the file names none")
