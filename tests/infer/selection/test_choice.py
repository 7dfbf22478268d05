"""Which films are kept: both sides of every rule. An omitted foot is the harm, so that doubt keeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.stated_terms import stated_terms_settings
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import FoundFoot
from raysplay.infer.selection.choice import Kind, Verdict, choose, refused
from raysplay.infer.selection.settings import selection_settings

SETTINGS, STATED = selection_settings(), stated_terms_settings()


def _foot(dp: float, score: float = 1.0, other: str = "lateral") -> FoundFoot:
    views = dict.fromkeys(("dp", "oblique", "lateral", "other"), 0.0) | {"dp": dp, other: 1.0 - dp}
    return FoundFoot(np.eye(3), "R", 0.9, score, views)


@pytest.mark.parametrize(
    ("feet", "terms", "verdict", "kind"),
    [
        ([_foot(0.97)], (), Verdict.KEPT, Kind.DORSOPLANTAR),
        ([_foot(0.97)], ("hand", "lateral"), Verdict.KEPT, Kind.DORSOPLANTAR),
        ([_foot(0.02), _foot(0.97)], (), Verdict.KEPT, Kind.DORSOPLANTAR),
        ([_foot(0.5 - 1e-6)], (), Verdict.KEPT, Kind.DOUBTFUL),
        ([_foot(0.05)], ("foot", "lateral"), Verdict.KEPT, Kind.DOUBTFUL),
        ([_foot(0.05 - 1e-6)], (), Verdict.LEFT_OUT, Kind.LATERAL),
        ([_foot(0.0, other="oblique")], ("foot",), Verdict.LEFT_OUT, Kind.OBLIQUE),
        ([_foot(0.0, other="other")], (), Verdict.LEFT_OUT, Kind.OTHER_VIEW),
        ([_foot(0.0)], ("foot", "dorsoplantar"), Verdict.KEPT, Kind.STATED),
        ([_foot(0.0)], ("foot", "hand", "dorsoplantar"), Verdict.LEFT_OUT, Kind.LATERAL),
        ([], ("foot",), Verdict.KEPT, Kind.STATED),
        ([], ("dorsoplantar",), Verdict.KEPT, Kind.STATED),
        ([], ("foot", "lateral"), Verdict.LEFT_OUT, Kind.LATERAL),
        ([], ("foot", "axial"), Verdict.LEFT_OUT, Kind.OTHER_VIEW),
        ([], ("hand",), Verdict.LEFT_OUT, Kind.OTHER_PART),
        ([], ("ankle",), Verdict.LEFT_OUT, Kind.NO_FOOT),
        ([], (), Verdict.LEFT_OUT, Kind.NO_FOOT),
    ],
)
def test_choice(film, feet, terms, verdict, kind) -> None:
    choice = choose(replace(film, terms=terms), feet, SETTINGS, STATED)
    assert (choice.verdict, choice.kind) == (verdict, kind)
    assert choice.feet == len(feet)
    assert choice.terms == terms
    assert choice.why


def test_no_words_can_leave_out_what_is_seen(film) -> None:
    for terms in ((), *((term,) for term in (*STATED.parts, *STATED.views)), tuple(STATED.parts)):
        for dp in (SETTINGS.seen_at_all, 0.3, 0.99):
            assert choose(replace(film, terms=terms), [_foot(dp)], SETTINGS, STATED).verdict is Verdict.KEPT


@pytest.mark.parametrize("kind", [kind for kind in ReasonKind if kind.gave_no_film])
def test_what_may_have_been_a_film_is_not_left_out(kind) -> None:
    choice = refused(FilmRejected("words", kind))
    sure = {ReasonKind.OTHER_FILE, ReasonKind.OTHER_OBJECT, ReasonKind.DUPLICATE}
    assert choice.verdict is (Verdict.LEFT_OUT if kind in sure else Verdict.NOT_READ)
    assert choice.kind in Kind


def test_every_kind_has_words() -> None:
    assert all(kind.words for kind in Kind)
