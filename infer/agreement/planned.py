"""The plan of a study as a table: films and readers by formula, and what simulated studies of that size show."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, isfinite

from raysplay.infer.agreement.result import Figure
from raysplay.infer.agreement.statistics.planning import (
    RUNS,
    Plan,
    design_effect,
    films_for_intraclass,
    films_for_limits,
    films_for_limits_within,
)

PLAN_COLUMNS = (
    *("measure", "wanted", "expected", "readers", "films_by_formula", "simulated_at_that", "share_of_studies"),
    *("films_by_simulation", "films_to_plan", "formula", "assumption", "source"),
)
NOT_ENOUGH = "no number of films"
READERS = (2, 3, 4, 5, 6)


@dataclass(frozen=True)
class Feet:
    """How many feet a person gives, and how alike the differences of one person's feet are (correlation, 0..1)."""

    of_person: float = 1.0
    alike: float = 0.0

    @property
    def effect(self) -> float:
        """By how much more films are needed than if all were of different persons."""
        return design_effect(self.of_person, self.alike)


@dataclass(frozen=True)
class PlannedStudy:
    """One line of a plan.

    Attributes
    ----------
    measure : str
        Empty where the plan is of no study's figures.
    wanted, expected : str
        In words.
    plan : Plan
    feet : Feet
    """

    measure: str
    wanted: str
    expected: str
    plan: Plan
    feet: Feet = Feet()

    @property
    def films(self) -> int | None:
        """Films to plan with: the larger of formula and simulation, times the design effect; None if none suffices."""
        if self.plan.films_by_simulation == 0:
            return None
        return ceil(max(self.plan.films, self.plan.films_by_simulation) * self.feet.effect - 1e-9)

    @property
    def simulated(self) -> str:
        """What simulated studies of the formula's size show."""
        plan = self.plan
        if not isfinite(plan.reached):
            return f"{100 * plan.simulated:.1f} % of studies show it"
        return f"mean {plan.simulated:.3g}; {100 * plan.reached:.0f} % of studies are as narrow as wanted"

    def row(self) -> tuple[str | float | int | None, ...]:
        """In the order of :data:`PLAN_COLUMNS`."""
        plan = self.plan
        return (
            self.measure,
            self.wanted,
            self.expected,
            plan.readers,
            plan.films,
            plan.simulated,
            plan.reached if isfinite(plan.reached) else None,
            plan.films_by_simulation or None,
            self.films,
            plan.method,
            plan.assumption,
            plan.source,
        )


def of_limits(
    half: float, sd: float, level: float, feet: Feet = Feet(), measure: str = "", said: str = ""
) -> PlannedStudy:
    """Films for limits of agreement that are known to within ``half``, at a spread ``sd`` of the differences."""
    wanted = f"each limit of agreement known to within {half:g}"
    return PlannedStudy(
        measure,
        wanted,
        said or f"standard deviation of differences {sd:.3g}",
        films_for_limits(half, sd, level=level),
        feet,
    )


def of_bound(bound: float, sd: float, bias: float, power: float, level: float, feet: Feet = Feet()) -> PlannedStudy:
    """Films that show that the limits of agreement lie within a bound."""
    plan = films_for_limits_within(bound, sd, bias=bias, power=power, level=level)
    wanted = f"limits of agreement shown to lie within {bound:g}, with a power of {power:g}"
    return PlannedStudy("", wanted, f"standard deviation of differences {sd:.3g}, bias {bias:.3g}", plan, feet)


def of_correlation(
    correlation: float,
    width: float,
    readers: Sequence[int],
    reader_share: float,
    level: float,
    feet: Feet = Feet(),
    measure: str = "",
) -> Iterator[PlannedStudy]:
    """Films for an intraclass correlation with an interval of that width, for several numbers of readers."""
    expected = f"correlation {correlation:.3g}"
    expected += f", {100 * reader_share:.0f} % of the error constant differences of readers" if reader_share else ""
    for k in readers:
        plan = films_for_intraclass(correlation, width, k, reader_share=reader_share, level=level)
        kind = "ICC(2,1)" if reader_share else "ICC(3,1)"
        yield PlannedStudy(measure, f"{kind} with an interval {width:g} wide", expected, plan, feet)


def plans_of_figures(
    figures: Sequence[Figure],
    halves: Mapping[str, float],
    widths: Mapping[str, float],
    spread: str,
    main: str,
    everybody: str,
    level: float,
) -> Iterator[PlannedStudy]:
    """Plans of a next study from the figures of one: by the value found, and by the worse end of its interval.

    ``halves`` and ``widths`` by measure; ``spread`` names the statistic, ``main`` the comparison that is taken before
    others, ``everybody`` the reader of correlations. A measure without the figure gives no plan.
    """
    first: dict[tuple[str, str, str], Figure] = {}
    for one in sorted(figures, key=lambda one: one.reader != main):
        if one.feet == "all" and isfinite(one.value):
            first.setdefault((one.measure, one.statistic, one.reader if one.statistic.startswith("ICC(") else ""), one)
    for measure, half in halves.items():
        found = first.get((measure, spread, ""))
        for said, sd in (("as found", found.value), ("upper end", found.high)) if found else ():
            if isfinite(sd) and sd > 0.0:
                told = f"standard deviation of differences {sd:.3g} ({said}, {found.reader if found else ''})"
                yield of_limits(half, sd, level, measure=measure, said=told)
    for measure, width in widths.items():
        both = [first.get((measure, name, everybody)) for name in ("ICC(2,1)", "ICC(3,1)")]
        if both[0] is None or both[1] is None or not 0.0 < both[0].value < 1.0 or not 0.0 < both[1].value < 1.0:
            continue
        error, whole = ((1.0 - one.value) / one.value for one in (both[1], both[0]))
        share = min(max(1.0 - error / whole, 0.0), 0.99)
        yield from of_correlation(both[0].value, width, READERS, share, level, measure=measure)


def plan_lines(studies: Sequence[PlannedStudy]) -> Iterator[str]:
    """The plan in sentences, with what was simulated."""
    for one in studies:
        plan = one.plan
        of = f"{one.measure}: " if one.measure else ""
        yield f"{of}{one.wanted}; expected: {one.expected}; {plan.readers} readings of each film"
        yield f"  by formula ({plan.method}): {plan.films} films"
        yield f"  {RUNS} simulated studies of {plan.films} films: {one.simulated}"
        if one.films is None:
            yield f"  by simulation: {NOT_ENOUGH} suffices with so few readers: take more readers, or a wider interval"
            continue
        yield f"  by simulation: {plan.films_by_simulation} films"
        effect = (
            f", with a design effect of {one.feet.effect:.3g} for feet of one person" if one.feet.effect > 1.0 else ""
        )
        yield f"  plan with {one.films} films{effect}"
        yield f"  assumes: {plan.assumption}. Source: {plan.source}"
