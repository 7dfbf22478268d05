"""What of a person's numbers still wants a person's confirmation, and the call that opens the review for it."""

from __future__ import annotations

import os
import shlex
from collections.abc import Sequence
from pathlib import Path

from raysplay.infer.films.address import is_address
from raysplay.infer.films.walk import common_root
from raysplay.infer.review.worklist import OPEN
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.language import language
from raysplay.infer.visit.persons import Person
from raysplay.infer.visit.report import foot_words, unconfirmed_numbers


def open_numbers(person: Person) -> list[str]:
    """A line for each foot with numbers that nobody stands for, or that are held back until somebody takes them."""
    return [line for foot in person.feet if (line := _of_foot(foot))]


def without_numbers(person: Person) -> list[str]:
    """A line for each foot that has no number though nobody has settled it, and why."""
    return [f"{_told(foot)}: no number: {foot.unfit}" for foot in person.feet if foot.unfit and _is_open(foot)]


def _of_foot(foot: FootOnFilm) -> str:
    names = [one.measure.abbreviation for one in unconfirmed_numbers(foot)]
    kept = [f"{one.measure.abbreviation} ({one.withheld})" for one in foot.shown if one.exists and one.withheld]
    parts = [f"to be confirmed: {', '.join(names)}"] if names else []
    parts += [f"held back: {'; '.join(kept)}"] if kept and _is_open(foot) else []
    if not parts:
        return ""
    waits = f" (sent to review: {'; '.join(foot.reasons)})" if foot.decision == "review" and foot.reasons else ""
    return f"{_told(foot)}{waits}: {'; '.join(parts)}"


def _told(foot: FootOnFilm) -> str:
    return f"{foot_words(foot, language('en'))}, {foot.film.name}"


def _is_open(foot: FootOnFilm) -> bool:
    return foot.standing.state == OPEN


def review_call(run: Path, store: str | None, name_key: Path | None, films: Path | None) -> str:
    """The call that opens the review of a run.

    Parameters
    ----------
    run : Path
    store : str or None
        Where the reads are, as it may be shown; None for the run's folder.
    name_key, films : Path or None
        As ``raysplay review`` takes them.
    """
    words = ["raysplay", "review", str(run)]
    for option, value in (("--store", store), ("--name-key", name_key), ("--films", films)):
        words += [option, str(value)] if value is not None else []
    return shlex.join(words)


def folder_of(paths: Sequence[Path]) -> Path | None:
    """The folder that holds all films that were given, as the review wants it beside a key; None for an address."""
    if any(is_address(path) for path in paths):
        return None
    return common_root([Path(os.path.abspath(path)) for path in paths])
