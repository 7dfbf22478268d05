"""The feet of a run in the order in which they want a person, with filters and counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.decide.wording import DECIMALS
from raysplay.infer.films.remark import Remark
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.reason import Reason
from raysplay.infer.records import FloatArray
from raysplay.infer.review.answers import Decision, Interval, OpenCounts, Said, State, Tally, WorklistRow
from raysplay.infer.review.reading import scale_of
from raysplay.measure.definition import DEGREE
from raysplay.measure.grades import grade

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STATES: tuple[State, ...] = get_args(State)
OPEN, CONFIRMED, CORRECTED, NOT_MEASURABLE, WRONG_SIDE, WRONG_VIEW = STATES
"""What a foot is after its last read; ``open`` before the first one and after it was reopened."""

DECISIONS: tuple[Decision, ...] = get_args(Decision)
"""In the order in which they want a person."""

DOUBT, FILM, WIDTH, BORDER = "doubt", "film", "width", "border"
"""Orders besides those by a measure's name."""

FOUND = FOOT, NO_FOOT = ("foot", "none")
"""Rows in which a foot was found, and files without one: no foot on the film, or no film at all."""


@dataclass(frozen=True)
class Filter:
    """Which feet, in which order; empty strings choose all."""

    sort: str = DOUBT
    descending: bool = False
    state: str = ""
    decision: str = ""
    side: str = ""
    reason: str = ""
    text: str = ""
    found: str = ""


@dataclass(frozen=True)
class Change:
    """What a read made of a foot; ``values`` begin with value, low and high, a measure they lack is withheld."""

    foot: int
    version: int
    state: State
    values: Mapping[str, Sequence[float | None]]
    side: str | None = None


class Worklist:
    """All feet of a run by number; reads change their states and values.

    Parameters
    ----------
    run : FinishedRun
    grading : str
        Scheme by which nearness to a border is judged.
    """

    def __init__(self, run: FinishedRun, grading: str) -> None:
        self._run = run
        count = len(run)
        self._lower_films = pc.utf8_lower(run.films)
        self.decision: IntArray = np.asarray(pc.index_in(run.decisions, value_set=_strings(DECISIONS)), dtype=np.int64)
        self.side = np.asarray(run.sides.to_numpy(zero_copy_only=False), dtype="U1")
        self._is_foot: BoolArray = self.side != ""
        self.state = np.zeros(count, dtype=np.int64)
        self.version = np.zeros(count, dtype=np.int64)
        self.values: FloatArray = run.values.copy()
        self.kinds, self._reasons, reasons = _reasons(run)
        self.widest = np.full(count, np.nan)
        self.border = np.full(count, np.nan)
        self.borderline = np.zeros(count, dtype=np.bool_)
        angles = np.array([measure.unit == DEGREE for measure in run.measures], dtype=np.bool_)
        self._angles = angles if angles.any() else np.ones_like(angles)
        possible = decision_settings().shape.values
        self._scales = {
            i: scale
            for i, measure in enumerate(run.measures)
            if (scale := scale_of(grading, measure.name, possible)) is not None
        }
        self._derive(slice(None))
        # Fixed, so that a worklist does not move under the hands of a reader.
        self._by_doubt = np.lexsort((np.arange(count), -_known(self.widest), ~self.borderline, -reasons, self.decision))

    def apply(self, changes: Iterable[Change]) -> None:
        """Take over what reads made of feet."""
        names = [measure.name for measure in self._run.measures]
        withheld = (None, None, None)
        changed = list(changes)
        feet, versions, states, values = [], [], [], []
        for change in changed:
            feet.append(change.foot)
            versions.append(change.version)
            states.append(STATES.index(change.state))
            values.append([change.values.get(name, withheld)[:3] for name in names])
        if not feet:
            return
        # Of several changes of one foot the last counts, as in an assignment one after another.
        self.version[feet], self.state[feet] = versions, states
        for change in changed:
            if change.side is not None:
                self.side[change.foot] = change.side
        self.values[feet] = np.array(values, dtype=np.float64)
        self._derive(np.array(feet))

    def select(self, wanted: Filter) -> IntArray:
        """Feet that pass, in order."""
        order = self._order(wanted)
        return order[self._passing(wanted)[order]]

    def neighbour(self, foot: int, wanted: Filter, step: Literal[-1, 1]) -> int | None:
        """The next or previous foot that passes, whether or not ``foot`` itself still does."""
        order = self._order(wanted)
        rank = np.empty_like(order)
        rank[order] = np.arange(len(order))
        chosen = rank[self._passing(wanted)]
        further = chosen[chosen > rank[foot]] if step > 0 else chosen[chosen < rank[foot]]
        if not len(further):
            return None
        return int(order[further.min() if step > 0 else further.max()])

    def following(self, foot: int, wanted: Filter, count: int) -> list[int]:
        """Up to ``count`` feet after one."""
        order = self._order(wanted)
        place = int(np.flatnonzero(order == foot)[0])
        later = order[place + 1 :]
        chosen: list[int] = later[self._passing(wanted)[later]][:count].tolist()
        return chosen

    def counts(self, wanted: Filter) -> OpenCounts:
        """How many feet each choice of a filter would leave, the other filters staying as they are."""
        masks = self._masks(wanted)

        def others(name: str) -> BoolArray:
            return _all([mask for key, mask in masks.items() if key != name], len(self.state))

        state = np.bincount(self.state[others("state")], minlength=len(STATES))
        decision = np.bincount(self.decision[others("decision")], minlength=len(DECISIONS))
        left = self._reasons[others("reason")]
        return {
            "state": dict(zip(STATES, state.tolist(), strict=True)),
            "decision": dict(zip(DECISIONS, decision.tolist(), strict=True)),
            "side": dict(Counter(self.side[others("side")].tolist())),
            "reason": {kind: int(np.count_nonzero(left >> i & 1)) for i, kind in enumerate(self.kinds)},
            "found": _tally(self._is_foot[others("found")]),
        }

    def progress(self) -> tuple[Tally, Tally]:
        """Rows still open, settled, and all of them; and the same of those in which no foot was found."""
        return _progress(self.state), _progress(self.state[~self._is_foot])

    def row(self, foot: int) -> WorklistRow:
        """A foot's line, with ``None`` for what is not known."""
        run = self._run
        return {
            "film": run.films[foot].as_py(),
            "foot": str(self.side[foot]),
            "foot_index": int(run.foot_index[foot]),
            "state": STATES[self.state[foot]],
            "decision": DECISIONS[self.decision[foot]],
            "reasons": self.reasons(foot),
            "values": {
                measure.name: _interval(self.values[foot, i], measure.unit) for i, measure in enumerate(run.measures)
            },
            "widest": number_or_none(self.widest[foot]),
            "border": number_or_none(self.border[foot]),
            "borderline": bool(self.borderline[foot]),
            "version": int(self.version[foot]),
        }

    def reasons(self, foot: int) -> list[Said]:
        """Reasons of the model's decision, as the server answers."""
        return [said_json(reason) for reason in self._run.reasons[foot]]

    def known_order(self, name: str) -> bool:
        """Whether feet can be put in that order."""
        return name in (DOUBT, FILM, WIDTH, BORDER) or any(name == one.name for one in self._run.measures)

    def _order(self, wanted: Filter) -> IntArray:
        if wanted.sort == DOUBT:
            order = self._by_doubt
        elif wanted.sort == FILM:
            order = np.arange(len(self.state))
        else:
            if wanted.sort == WIDTH:
                keys = -self.widest  # the widest first
            elif wanted.sort == BORDER:
                keys = self.border
            else:
                names = [measure.name for measure in self._run.measures]
                keys = self.values[:, names.index(wanted.sort), 0]
            if wanted.descending:
                keys = -keys
            return np.argsort(keys, kind="stable")  # what is not known comes last either way
        return order[::-1] if wanted.descending else order

    def _passing(self, wanted: Filter) -> BoolArray:
        return _all(list(self._masks(wanted).values()), len(self.state))

    def _masks(self, wanted: Filter) -> dict[str, BoolArray]:
        masks: dict[str, BoolArray] = {}
        if wanted.state:
            masks["state"] = self.state == STATES.index(wanted.state)
        if wanted.decision:
            masks["decision"] = self.decision == DECISIONS.index(wanted.decision)
        if wanted.side:
            masks["side"] = self.side == wanted.side
        if wanted.found:
            masks["found"] = self._is_foot == (wanted.found == FOOT)
        if wanted.reason:
            bit = self.kinds.index(wanted.reason) if wanted.reason in self.kinds else len(self.kinds)
            masks["reason"] = (self._reasons >> bit & 1).astype(np.bool_)
        if wanted.text:
            found = pc.match_substring(self._lower_films, wanted.text.lower())
            masks["text"] = np.asarray(found.to_numpy(zero_copy_only=False), dtype=np.bool_)
        return masks

    def _derive(self, feet: slice | IntArray) -> None:
        """Widest interval among the angles and nearness to a grade border, from the values."""
        values = self.values[feet]
        width = np.round(values[..., 2] - values[..., 1], 3)[:, self._angles]
        self.widest[feet] = np.where(
            np.isnan(width).all(axis=1), np.nan, np.nanmax(_known(width, 0.0), axis=1, initial=0)
        )
        nearest = np.full(len(values), np.inf)
        crossed = np.zeros(len(values), dtype=np.bool_)
        for i, scale in self._scales.items():
            value, low, high = (values[:, i, end] for end in range(3))
            nearest = np.fmin(nearest, grade(value, scale).distance)
            edges = np.asarray(scale.edges)
            crossed |= np.isfinite(value) & ((low[:, None] < edges) & (edges < high[:, None])).any(axis=1)
        self.border[feet] = np.where(np.isfinite(nearest), nearest, np.nan)
        self.borderline[feet] = crossed


def _reasons(run: FinishedRun) -> tuple[list[str], IntArray, IntArray]:
    """Kinds of reason, the most frequent first; bits of every foot by kind; number of reasons of every foot."""
    kinds_of = [{reason.kind.value for reason in reasons} for reasons in run.reasons]
    names = [kind for kind, _ in Counter(kind for kinds in kinds_of for kind in kinds).most_common()]
    bit = {kind: 1 << i for i, kind in enumerate(names)}  # there are fewer kinds than bits
    bits = np.array([sum(bit[kind] for kind in kinds) for kinds in kinds_of], dtype=np.int64)
    return names, bits, np.array([len(reasons) for reasons in run.reasons], dtype=np.int64)


def _progress(state: IntArray) -> Tally:
    still = int(np.count_nonzero(state == 0))
    return {"open": still, "done": len(state) - still, "total": len(state)}


def _tally(is_foot: BoolArray) -> dict[str, int]:
    feet = int(np.count_nonzero(is_foot))
    return {FOOT: feet, NO_FOOT: len(is_foot) - feet}


def _interval(numbers: FloatArray, unit: str) -> Interval:
    value, low, high = (shown_number(v, unit) for v in numbers)
    return {"value": value, "low": low, "high": high}


def said_json(said: Reason | Remark) -> Said:
    """A reason or remark: its kind and its sentence."""
    return {"kind": said.kind.value, "text": said.text}


def number_or_none(value: float) -> float | None:
    """A place on a film, or a distance, as JSON holds it: three decimals; what is not finite is missing."""
    return round(float(value), 3) if np.isfinite(value) else None


def shown_number(value: float, unit: str) -> float | None:
    """A number of a measure with the decimals that are meant, as in the tables of the run; None where not finite."""
    return round(float(value), DECIMALS[unit]) + 0.0 if np.isfinite(value) else None  # + 0.0: no minus before a zero


def _known(values: FloatArray, missing: float = -np.inf) -> FloatArray:
    return np.where(np.isnan(values), missing, values)


def _all(masks: list[BoolArray], count: int) -> BoolArray:
    return np.logical_and.reduce(masks) if masks else np.ones(count, dtype=np.bool_)


def _strings(values: Sequence[str]) -> Any:
    import pyarrow as pa

    return pa.array(values, pa.string())
