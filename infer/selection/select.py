"""Goes through an archive, file by file, and chooses."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Protocol

from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.films.candidate import Candidate
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.polarity import negative
from raysplay.infer.films.stated_terms import StatedTerms, stated_terms_settings
from raysplay.infer.outputs.names import film_name
from raysplay.infer.pipeline import ReadsFilms
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import FoundFoot
from raysplay.infer.selection.choice import Choice, Kind, choose, refused
from raysplay.infer.selection.settings import SelectionSettings, selection_settings


class FindsFeet(Protocol):
    """What looks at a film in small: the locator, or whatever stands in for it."""

    def find(self, film: Film) -> list[FoundFoot]:
        """Every foot on the film."""


@dataclass(frozen=True)
class Selected:
    """A file and what becomes of it."""

    candidate: Candidate
    choice: Choice


def select(
    candidates: Iterable[Candidate],
    films: ReadsFilms,
    feet: FindsFeet,
    settings: SelectionSettings | None = None,
    stated: StatedTerms | None = None,
) -> Iterator[Selected]:
    """Choose, one file after the other; each gets exactly one choice, whatever goes wrong with it.

    A second film with the same bytes is a duplicate. Their digests are all that grows with the archive.
    """
    settings, stated = settings or selection_settings(), stated or stated_terms_settings()
    first: dict[bytes, str] = {}
    for candidate in candidates:
        yield Selected(candidate, _choice(candidate, films, feet, settings, stated, first))


def _choice(
    candidate: Candidate,
    films: ReadsFilms,
    feet: FindsFeet,
    settings: SelectionSettings,
    stated: StatedTerms,
    first: dict[bytes, str],
) -> Choice:
    try:
        if candidate.problem is not None:
            raise candidate.problem
        film = films.read(candidate.path)
        if film.sha256:
            earlier = first.setdefault(bytes.fromhex(film.sha256), candidate.name)
            if earlier != candidate.name:
                raise FilmRejected(f"same file as {film_name(earlier)}", ReasonKind.DUPLICATE)
        found = feet.find(film)
        if film.polarity_doubtful:
            found = [*found, *feet.find(negative(film))]
        return choose(film, found, settings, stated)
    except FilmRejected as rejected:
        return refused(rejected)
    except AcceleratorError:
        raise  # of no film: the run ends
    except Exception as error:
        said = FilmRejected(f"internal error ({type(error).__name__})", ReasonKind.INTERNAL_ERROR)
        return refused(said)


def kept_or_refused(candidates: Iterable[Candidate], films: ReadsFilms, feet: FindsFeet) -> Iterator[Candidate]:
    """The same candidates as a run takes them after a selection, see :func:`left_out`."""
    return (left_out(one) for one in select(candidates, films, feet))


_LEFT_OUT = frozenset({Kind.LATERAL, Kind.OBLIQUE, Kind.OTHER_VIEW, Kind.OTHER_PART, Kind.NO_FOOT})
"""What only a selection leaves out; the reason of all else comes from reading it."""


def left_out(selected: Selected) -> Candidate:
    """The candidate as a run takes it after a selection: what was left out has its reason, all else is as it was."""
    if selected.choice.kind not in _LEFT_OUT:
        return selected.candidate
    problem = FilmRejected(selected.choice.why, ReasonKind.LEFT_OUT)
    return replace(selected.candidate, problem=problem)
