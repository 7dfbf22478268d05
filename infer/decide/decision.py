"""Puts the gates together."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from raysplay.infer.decide.ankle_view import ankle_view
from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.conditions import conditions
from raysplay.infer.decide.construction_sensitive import construction_sensitive
from raysplay.infer.decide.cut_off import cut_off
from raysplay.infer.decide.damage import damage
from raysplay.infer.decide.doubtful_landmarks import doubtful_landmarks
from raysplay.infer.decide.implausible_shape import implausible_shape
from raysplay.infer.decide.loading import loading
from raysplay.infer.decide.pixel_shape import pixel_shape
from raysplay.infer.decide.presence import presence, presence_from_afar
from raysplay.infer.decide.remarks import remarks
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.decide.side import side, side_of_points
from raysplay.infer.decide.side_letter import side_letter
from raysplay.infer.decide.spacing import spacing
from raysplay.infer.decide.unlike_training import unlike_training
from raysplay.infer.decide.view import view, view_from_afar
from raysplay.infer.decide.wide_interval import wide_interval
from raysplay.infer.decide.withheld import withheld
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, FoundFoot, Outcome

Gate = Callable[[FootCase, DecisionLimits], Iterable[Finding]]
"""Looks at one foot and says what it objects to."""

GATES: tuple[Gate, ...] = (
    presence,
    view,
    ankle_view,
    conditions,
    unlike_training,
    side,
    side_of_points,
    side_letter,
    cut_off,
    doubtful_landmarks,
    withheld,
    wide_interval,
    implausible_shape,
    construction_sensitive,
    spacing,
    pixel_shape,
    loading,
    damage,
    remarks,
)
"""Every gate, in the order of their reasons."""

GATES_FROM_AFAR: tuple[Callable[[FoundFoot, DecisionLimits], Iterable[Finding]], ...] = (
    presence_from_afar,
    view_from_afar,
)
"""Those that can keep a foot from being measured by what the locator saw."""

_WORST_FIRST = (Outcome.REFUSED, Outcome.REVIEW, Outcome.ACCEPTED)


def refusal(foot: FoundFoot, limits: DecisionLimits) -> Decision | None:
    """The refusal of a found foot before any landmark is read, by :data:`GATES_FROM_AFAR`; else ``None``."""
    return _refusal(finding for gate in GATES_FROM_AFAR for finding in gate(foot, limits))


def decide(case: FootCase, limits: DecisionLimits) -> Decision:
    """Outcome of a foot whose landmarks were read: the worst any gate asks for, with the reasons of every gate.

    Returns
    -------
    Decision
        ``REFUSED`` carries only the refusing reasons; nothing of that foot may be kept but where it was found.
    """
    findings = [finding for gate in GATES for finding in gate(case, limits)]
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
    return Decision(Outcome.REFUSED, (Reason(ReasonKind.NO_FOOT_FOUND, "no foot found"),))


_FIRST = {
    ReasonKind.DUPLICATE: "duplicate",
    ReasonKind.OTHER_FILE: "not a film",
    ReasonKind.OTHER_OBJECT: "not a film",
    ReasonKind.CONTAINER: "not a film",
    ReasonKind.LEFT_OUT: "left out",
}
"""How the sentence on a file without a film begins; otherwise it is unreadable."""


def not_read(problem: FilmRejected) -> Decision:
    """Decision of a file that yields no film, or is a copy of another one."""
    first = _FIRST.get(problem.kind, "unreadable")
    return Decision(Outcome.REFUSED, (Reason(problem.kind, f"{first}: {problem}", problem.numbers),))


def failed(error: Exception) -> Decision:
    """Decision of a film on which the program itself failed; only the error's class, never its text."""
    said = f"not read: internal error ({type(error).__name__})"
    return Decision(Outcome.REFUSED, (Reason(ReasonKind.INTERNAL_ERROR, said),))
