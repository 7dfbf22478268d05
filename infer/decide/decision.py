"""Puts the gates together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.conditions import conditions
from raysplay.infer.decide.config import DecisionLimits
from raysplay.infer.decide.construction_sensitive import construction_sensitive
from raysplay.infer.decide.cut_off import cut_off
from raysplay.infer.decide.damage import damage
from raysplay.infer.decide.doubtful_landmarks import doubtful_landmarks
from raysplay.infer.decide.implausible_shape import implausible_shape
from raysplay.infer.decide.loading import loading
from raysplay.infer.decide.needed import deciding
from raysplay.infer.decide.pixel_shape import pixel_shape
from raysplay.infer.decide.presence import presence
from raysplay.infer.decide.remarks import remarks
from raysplay.infer.decide.side import side, side_of_points
from raysplay.infer.decide.spacing import spacing
from raysplay.infer.decide.unlike_training import unlike_training
from raysplay.infer.decide.view import view, view_from_afar
from raysplay.infer.decide.wide_interval import wide_interval
from raysplay.infer.decide.withheld import given, withheld
from raysplay.infer.records import Decision, FoundFoot, Outcome

_WORST_FIRST = (Outcome.REFUSED, Outcome.REVIEW, Outcome.ACCEPTED)


def refusal(foot: FoundFoot, limits: DecisionLimits) -> Decision | None:
    """The refusal of a found foot before any landmark is read; else ``None``."""
    return _refusal([*presence(foot, limits.presence), *view_from_afar(foot, limits.view)])


def decide(case: FootCase, limits: DecisionLimits) -> Decision:
    """Outcome of a foot whose landmarks were read: the worst any gate asks for, with the reasons of every gate.

    Returns
    -------
    Decision
        ``REFUSED`` carries only the refusing reasons; nothing of that foot may be kept but where it was found.
    """
    findings = list(_findings(case, limits))
    return _refusal(findings) or combine(findings)


def combine(findings: Iterable[Finding]) -> Decision:
    """The worst outcome with all reasons, each once, those of the worst findings first."""
    found = sorted(findings, key=lambda one: _WORST_FIRST.index(one.outcome))
    outcome = found[0].outcome if found else Outcome.ACCEPTED
    return Decision(outcome, tuple(dict.fromkeys(one.reason for one in found)))


def _refusal(findings: Iterable[Finding]) -> Decision | None:
    refused = [one for one in findings if one.outcome is Outcome.REFUSED]
    return combine(refused) if refused else None


def no_foot() -> Decision:
    """Decision of a film on which no foot was found."""
    return Decision(Outcome.REFUSED, ("no foot found",))


def not_read(problem: str) -> Decision:
    """Decision of a file that yields no film; a copy of another file is named as such."""
    kind = "duplicate" if problem.startswith("same file as") else "unreadable"
    return Decision(Outcome.REFUSED, (f"{kind}: {problem}",))


def failed(error: Exception) -> Decision:
    """Decision of a film on which the program itself failed; only the error's class, never its text."""
    return Decision(Outcome.REFUSED, (f"not read: internal error ({type(error).__name__})",))


def _findings(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    yield from presence(case.foot, limits.presence)
    yield from view(case.film, case.foot, limits.view)
    yield from conditions(case.landmarks, limits.conditions)
    yield from unlike_training(case.landmarks, limits.unlike_training)
    yield from side(case.film, case.foot, case.companions, limits.side)
    yield from side_of_points(case, limits)
    measures = deciding(case.measurements, limits.interval)
    yield from cut_off(case, limits.cut_off, measures)
    yield from doubtful_landmarks(case, limits.landmarks, measures)
    yield from withheld(case, limits)
    yield from wide_interval(case.measurements, limits.interval)
    yield from implausible_shape(replace(case, measurements=given(case, limits)), limits.shape)
    yield from construction_sensitive(case, limits)
    yield from spacing(case, limits.spacing)
    yield from pixel_shape(case, limits)
    yield from loading(case.film, limits.loading)
    yield from damage(case.film)
    yield from remarks(case.film, limits.remarks)
