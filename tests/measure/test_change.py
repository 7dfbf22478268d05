"""Change of a foot between films: verdicts, intervals, series."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.configs.load import ConfigError
from raysplay.configs.new_film_error import new_film_error, read_new_film_errors
from raysplay.configs.protocol import protocol
from raysplay.configs.reader_error import reader_error
from raysplay.measure.change import (
    ConditionsMixed,
    ConstructionMixed,
    Occasion,
    Read,
    Verdict,
    compare,
    trend,
)
from raysplay.measure.evidence import Evidence
from raysplay.measure.reader_error import NewFilmError

TILT = protocol().change.largest_tilt_difference.value
FIRST = Read("hva", "deg", "shaft", 30.0, 1.0, "R", 2020.0, "full", "nothing", "dp", 15.0, "fiducial", False)


def later(difference, **change):
    return replace(FIRST, **({"value": FIRST.value + difference, "year": 2021.0} | change))


def against(second, first=FIRST, error="hva", **more):
    return compare(
        first, second, reader_error=reader_error(error) if error else None, largest_tilt_difference=TILT, **more
    )


@pytest.mark.parametrize(
    ("difference", "verdict"),
    [
        (4.8, Verdict.WITHIN_ERROR),
        (-4.8, Verdict.WITHIN_ERROR),
        (5.0, Verdict.BEYOND_ERROR),
        (-5.0, Verdict.BEYOND_ERROR),
        (0.0, Verdict.WITHIN_ERROR),
    ],
)
def test_published_reader_error_of_hva_is_about_five_degrees(difference, verdict):
    """Section 3.2 of the project's fact sheet: MDC95 of 4.9 degrees (tag D), above that of two reads at 1 degree."""
    change = against(later(difference))
    assert change.verdict is verdict
    assert change.reader_mdc == pytest.approx(4.9, abs=0.01)
    assert change.tool_mdc == pytest.approx(2.77, abs=0.005)
    assert change.reasons == change.caveats == ()


def test_the_larger_of_the_two_errors_decides():
    poor = later(6.0, sd=3.0)
    assert against(poor).verdict is Verdict.WITHIN_ERROR  # own: 1.96 * sqrt(1 + 9) = 6.2
    assert against(poor).tool_mdc == pytest.approx(1.96 * np.sqrt(10.0), rel=1e-4)
    assert against(later(3.0), error=None).verdict is Verdict.BEYOND_ERROR
    assert np.isnan(against(later(3.0), error=None).reader_mdc)


def test_interval_of_the_difference_holds_the_truth():
    """90 % of simulated pairs, with the errors of both reads (common practice, no source)."""
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(4000):
        change = against(later(2.0 + rng.normal(0, 1.5), sd=1.5), first=replace(FIRST, value=30.0 + rng.normal()))
        held += change.low <= 2.0 <= change.high
    assert 0.88 <= held / 4000 <= 0.92


def test_false_alarms_are_one_in_twenty_at_most():
    """Two reads of a foot that did not change, with only the tool's own error: 5 % by the definition of MDC95."""
    rng = np.random.default_rng(4)
    alarms = sum(
        against(later(rng.normal(0, 1.0)), first=replace(FIRST, value=30.0 + rng.normal()), error=None).verdict
        is Verdict.BEYOND_ERROR
        for _ in range(4000)
    )
    assert 0.04 <= alarms / 4000 <= 0.06


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"side": "L"}, "different sides: R and L"),
        ({"construction": "head_base"}, "different constructions: shaft and head_base"),
        ({"loading": "partial"}, "different loading"),
        ({"worn": "splint"}, "splint in place on the second film"),
        ({"projection": "oblique"}, "different projections: dp and oblique"),
        ({"tilt": 0.0}, "different projections: tube tilt 15 and 0 degrees"),
        ({"value": float("nan"), "sd": float("nan")}, "withheld on the second film"),
    ],
)
def test_what_cannot_be_compared_says_why(change, reason):
    for pair in ((FIRST, later(0.0, **change)), (later(0.0, **change), FIRST)):
        found = against(pair[1], first=pair[0])
        assert found.verdict is Verdict.NOT_COMPARABLE
        assert len(found.reasons) == 1
        assert np.isnan([found.difference, found.low, found.high]).all()
    assert reason in against(later(0.0, **change)).reasons[0]


def test_lengths_need_the_same_kind_of_millimetres():
    first = replace(FIRST, measure="eminence_width", unit="mm", value=4.0)
    second = replace(first, spacing_kind="detector plane")
    assert against(second, first=first, error=None).verdict is Verdict.NOT_COMPARABLE
    assert "fiducial and detector plane" in against(second, first=first, error=None).reasons[0]
    assert against(later(0.0, spacing_kind="detector plane")).verdict is Verdict.WITHIN_ERROR  # angles do not care


def test_what_is_unknown_is_a_caveat():
    change = against(later(10.0, loading=None, tilt=None), first=replace(FIRST, tilt=None))
    assert change.verdict is Verdict.BEYOND_ERROR
    assert change.caveats == (
        "loading unknown on the second film",
        "tube tilt unknown on both films",
    )


def test_films_are_called_by_the_names_they_are_given():
    """Names stand where a sentence speaks of a film, and nowhere else: words of the files stay as they are."""
    names = ("this film", "the other film")
    second = later(0.0, loading="as on the first film", worn="splint", value=float("nan"))
    change = compare(FIRST, second, largest_tilt_difference=TILT, names=names)
    assert change.reasons == (
        f"different loading: {FIRST.loading} and as on the first film",
        "splint in place on the other film",
        "withheld on the other film",
    )
    unknown = compare(replace(FIRST, tilt=None), later(0.0), largest_tilt_difference=TILT, names=names)
    assert unknown.caveats == ("tube tilt unknown on this film",)


def test_a_small_difference_of_tilt_is_no_reason():
    assert against(later(0.0, tilt=15.0 + TILT)).verdict is Verdict.WITHIN_ERROR
    assert against(later(0.0, tilt=15.1 + TILT)).verdict is Verdict.NOT_COMPARABLE


def test_angles_are_compared_round_the_circle():
    change = against(replace(FIRST, value=-179.0), first=replace(FIRST, value=179.0), error=None)
    assert change.difference == pytest.approx(2.0)


def test_misuse_is_a_clear_error():
    with pytest.raises(ValueError, match="hva and ima are different measures"):
        against(replace(FIRST, measure="ima"))
    with pytest.raises(ValueError, match="the reader error is that of ima, not of hva"):
        against(later(0.0), error="ima")


def series(values, sds=None, years=None):
    years = range(len(values)) if years is None else years
    sds = [1.0] * len(values) if sds is None else sds
    return [replace(FIRST, value=v, sd=s, year=2020.0 + y) for v, s, y in zip(values, sds, years, strict=True)]


def test_slope_agrees_with_a_reference_library():
    """Slope and its error by numpy's weighted polynomial fit with unscaled covariance."""
    values, sds, years = [20.0, 21.5, 20.8, 24.0, 25.1], [1.0, 0.5, 2.0, 1.0, 0.8], [0.0, 0.7, 1.1, 2.9, 4.2]
    found = trend(series(values, sds, years), level=0.90)
    (slope, _), covariance = np.polyfit(years, values, 1, w=1.0 / np.array(sds), cov="unscaled")
    assert found.per_year == pytest.approx(slope)
    assert (found.high - found.low) / 2 == pytest.approx(1.6449 * np.sqrt(covariance[0, 0]), rel=1e-4)
    assert found.reads == 5


def test_trend_interval_holds_the_truth():
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(3000):
        slope = trend(series(20.0 + 0.8 * np.arange(5) + rng.normal(0, 1.0, 5)))
        held += slope.low <= 0.8 <= slope.high
    assert 0.88 <= held / 3000 <= 0.92


def test_six_years_until_a_slow_change_shows():
    """Section 7, tag D: 0.8 degrees a year against an MDC of about 5 degrees shows after about 6 years."""
    verdicts = [against(later(0.8 * year)).verdict for year in range(1, 10)]
    assert verdicts.index(Verdict.BEYOND_ERROR) + 1 == 7
    assert against(later(0.8 * 6.2)).verdict is Verdict.BEYOND_ERROR


def test_scatter_tells_reads_that_jump():
    calm = trend(series([20.0, 21.0, 22.0, 23.0]))
    assert calm.scatter == pytest.approx(0.0, abs=1e-9)
    assert trend(series([20.0, 27.0, 16.0, 23.0])).scatter > 3.0
    assert np.isnan(trend(series([20.0, 21.0])).scatter)


def test_withheld_reads_are_left_out_and_errors_have_a_floor():
    reads = series([20.0, np.nan, 22.0], [0.1, np.nan, 0.1])
    assert trend(reads).reads == 2
    assert trend(reads, least_sd=1.77).high - 1.0 == pytest.approx(1.6449 * 1.77 * np.sqrt(2) / 2.0, rel=1e-4)


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ({"construction": "head_base"}, ConstructionMixed, "mixes constructions: head_base, shaft"),
        ({"side": "L"}, ValueError, "mixes measures or sides"),
        ({"year": None}, ValueError, "has no time"),
        ({"year": 2020.0}, ValueError, "two times"),
        ({"sd": 0.0}, ValueError, "outweighs"),
    ],
)
def test_a_series_that_is_none(change, error, message):
    with pytest.raises(error, match=message):
        trend([FIRST, later(1.0, **change)])


def of_a_new_film(sd, holds_reading=False):
    return NewFilmError("hva", sd, holds_reading, "a study", "this test", Evidence.DERIVED)


class TestNewFilm:
    def test_it_counts_beside_the_error_of_the_reads(self):
        """1.96 * sqrt(2) * sqrt(1 + 4) = 6.2 degrees: independent errors add in squares (common practice)."""
        change = against(later(6.0), new_film=of_a_new_film(2.0))
        assert change.verdict is Verdict.WITHIN_ERROR
        assert change.tool_mdc == change.mdc == pytest.approx(1.96 * np.sqrt(10.0), rel=1e-4)
        assert change.high - change.low == pytest.approx(2 * 1.6449 * np.sqrt(10.0), rel=1e-4)
        assert against(later(6.3), new_film=of_a_new_film(2.0)).verdict is Verdict.BEYOND_ERROR

    def test_a_study_of_repeated_films_takes_the_place_of_published_readers(self):
        """It holds reading error by this tool, so that of other people's readings says nothing more."""
        change = against(later(4.0), new_film=of_a_new_film(1.2, holds_reading=True))
        assert np.isnan(change.reader_mdc)
        assert change.mdc == pytest.approx(1.96 * np.sqrt(2) * 1.2, rel=1e-4)
        assert change.verdict is Verdict.BEYOND_ERROR

    def test_a_read_that_is_worse_than_the_study_keeps_its_own_error(self):
        change = against(later(4.0, sd=3.0), new_film=of_a_new_film(1.2, holds_reading=True))
        assert change.tool_mdc == pytest.approx(1.96 * np.hypot(1.2, 3.0), rel=1e-4)

    @pytest.mark.parametrize("holds", [False, True])
    def test_false_alarms_are_one_in_twenty_at_most(self, holds):
        """A foot that did not change, filmed twice: reading error of 0.5 and 1.4 degrees of a new film."""
        rng = np.random.default_rng(7)
        error = of_a_new_film(np.hypot(0.5, 1.4) if holds else 1.4, holds)
        alarms = 0
        for _ in range(4000):
            first, second = 30.0 + rng.normal(0, 0.5, 2) + rng.normal(0, 1.4, 2)
            found = against(later(second - 30.0, sd=0.5), first=replace(FIRST, value=first, sd=0.5), new_film=error)
            alarms += found.verdict is Verdict.BEYOND_ERROR
        assert alarms / 4000 <= 0.06
        assert alarms / 4000 >= (0.04 if holds else 0.0)

    def test_what_is_shipped(self):
        """The generator says less of IMA than of HVA; a shaft turns less with the foot than a toe does."""
        assert 0.0 < new_film_error("ima").sd < new_film_error("hva").sd < 3.0
        assert not new_film_error("hva").holds_reading
        assert new_film_error("dmaa") is None

    @pytest.mark.parametrize(
        ("line", "said"),
        [
            ("{measure: hav, sd: 1, holds_reading: true, basis: b, source: s, tag: D}", "no such measure: hav"),
            ("{measure: hva, sd: 0, holds_reading: true, basis: b, source: s, tag: D}", "greater than 0"),
        ],
    )
    def test_a_bad_file_is_a_clear_error(self, tmp_path, line, said):
        (tmp_path / "errors.yaml").write_text(f"errors: [{line}]", encoding="utf-8")
        with pytest.raises(ConfigError, match=said):
            read_new_film_errors(tmp_path / "errors.yaml")

    def test_that_of_another_measure_is_refused(self):
        with pytest.raises(ValueError, match="the error of a new film is that of hva, not of ima"):
            against(
                replace(FIRST, measure="ima"),
                first=replace(FIRST, measure="ima"),
                error=None,
                new_film=of_a_new_film(1.0),
            )


class TestOccasion:
    def test_splint_on_and_off_on_one_day_is_a_change_of_position(self):
        change = against(later(-11.0, year=2020.0, worn="splint"))
        assert change.occasion is Occasion.SAME_DAY
        assert (change.verdict, change.difference) == (Verdict.BEYOND_ERROR, -11.0)

    def test_so_are_two_loads(self):
        assert against(later(2.0, year=2020.0, loading="none")).occasion is Occasion.SAME_DAY

    def test_on_another_day_neither_is_compared(self):
        assert against(later(-11.0, worn="splint")).verdict is Verdict.NOT_COMPARABLE
        assert against(later(2.0, loading="none")).verdict is Verdict.NOT_COMPARABLE

    def test_without_days_neither_is_compared(self):
        first = replace(FIRST, year=None)
        assert against(later(-11.0, year=None, worn="splint"), first=first).verdict is Verdict.NOT_COMPARABLE

    def test_two_films_with_the_same_splint_are_no_pair(self):
        both = replace(FIRST, worn="splint")
        change = against(replace(both, value=25.0), first=both)
        assert (change.occasion, change.verdict) == (Occasion.FOLLOW_UP, Verdict.NOT_COMPARABLE)
        assert change.reasons == ("splint in place on both films",)

    def test_other_sides_and_constructions_are_refused_on_one_day_too(self):
        for other in ({"side": "L"}, {"construction": "head_base"}, {"tilt": 0.0}):
            change = against(later(1.0, year=2020.0, worn="splint", **other))
            assert change.verdict is Verdict.NOT_COMPARABLE

    def test_across_surgery_is_said(self):
        change = against(later(-18.0, after_surgery=True))
        assert (change.occasion, change.verdict) == (Occasion.ACROSS_SURGERY, Verdict.BEYOND_ERROR)
        assert against(later(-18.0, after_surgery=None)).occasion is Occasion.FOLLOW_UP


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"loading": "partial"}, "mixes loading: full, partial"),
        ({"worn": "splint"}, "mixes worn: nothing, splint"),
        ({"after_surgery": True}, "mixes after surgery"),
        ({"projection": "oblique"}, "mixes projection"),
    ],
)
def test_a_trend_never_mixes_conditions(change, said):
    with pytest.raises(ConditionsMixed, match=said):
        trend([FIRST, later(1.0), later(2.0, year=2022.0, **change)])


def test_a_trend_of_splints_is_none():
    with pytest.raises(ConditionsMixed, match="a splint is worn on the films"):
        trend([replace(FIRST, worn="splint"), later(1.0, worn="splint")])


def test_films_of_two_techniques_are_not_compared():
    """Own rule of the project: what is known to differ in stance or beam is another picture of the bones."""
    gait, parallel, unknown = ((("stance", word), ("beam", "")) for word in ("gait", "parallel", ""))
    first = replace(FIRST, technique=gait)
    assert against(later(20.0, technique=gait), first).verdict is Verdict.BEYOND_ERROR
    assert against(later(20.0, technique=unknown), first).verdict is Verdict.BEYOND_ERROR
    found = against(later(20.0, technique=parallel), first)
    assert found.verdict is Verdict.NOT_COMPARABLE
    assert found.reasons == ("different technique: stance gait and parallel",)
