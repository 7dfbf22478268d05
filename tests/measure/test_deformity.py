"""Where the deformity sits: sums that hold exactly, excess over published normals, and when a level leads."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raysplay.configs.load import ConfigError
from raysplay.configs.normal_ranges import normal_ranges, read_normal_ranges
from raysplay.measure.axes import CONSTRUCTIONS
from raysplay.measure.deformity import (
    BESIDE,
    HALLUX_VALGUS,
    INTERMETATARSAL,
    RAY,
    Deformity,
    Excess,
    where_deformity_sits,
)
from raysplay.measure.evidence import Evidence
from raysplay.measure.normal_range import NormalRange
from raysplay.measure.propagate import MeasureArray

SPREAD = 0.04


def broken_down(foot, schema, construction="shaft", spread=SPREAD, **more):
    covariance = np.broadcast_to(spread * np.eye(2), (len(foot), len(schema), 2, 2))
    return where_deformity_sits(foot, covariance, schema, normal_ranges(), construction=construction, **more)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
@pytest.mark.parametrize("construction", CONSTRUCTIONS)
def test_the_sums_hold_exactly(construction, random_foot, schema, seed):
    """HVA = DMAA + joint angle + PPAA and IMA = TMT angle + obliquity (fact sheet, section 1.2, D), to 1e-9 degrees."""
    sits = broken_down(random_foot(seed), schema, construction)
    assert sits.construction == construction
    for whole, links in ((sits.hva, HALLUX_VALGUS), (sits.levels["ima"], INTERMETATARSAL)):
        total = sum(sits.levels[name].value[0] for name in links)
        assert (total - whole.value[0] + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


def test_golden_parts_and_what_they_have_beyond_normal(golden_foot, schema):
    """Section 8.5: IMA 13.995, DMAA 11.972, joint 15.025, PPAA 4.997, HIA 6.002. Normal: IMA below 9 and PPAA below 6
    (J Foot Ankle Res 2009;2:15), DMAA to 8 (PMC4638376), joint to 10.67 (doi 10.1186/s13018-022-03028-1), HIA below 10.
    """
    sits = broken_down(golden_foot, schema)
    np.testing.assert_allclose(
        [sits.levels[name].value[0] for name in RAY], [13.995, 11.972, 15.025, 4.997, 6.002], atol=0.0011
    )
    np.testing.assert_allclose(
        [sits.excess[name].value[0] for name in RAY], [4.995, 3.972, 4.355, 0.0, 0.0], atol=0.0011
    )
    assert set(sits.levels) == {*RAY, *BESIDE}


def test_a_normal_link_counts_for_nothing(golden_foot, schema):
    """Before, PPAA of 5.0 degrees, which is normal, was called 16 % of the deformity."""
    leading = broken_down(golden_foot, schema, spread=1e-6).leading(0)
    assert leading.level is None  # 5.0 of 13.3 degrees: 37 % is not most
    assert leading.share == pytest.approx(4.995 / 13.322, abs=1e-3)


@pytest.mark.parametrize("name", RAY)
def test_excess_holds_the_truth_as_often_as_the_level_does(name, whole_foot, schema):
    """By simulation: what rises with the value keeps the coverage of its interval, where the truth is beyond normal."""
    rng = np.random.default_rng(6)
    foot = np.repeat(whole_foot, 4000, axis=0)
    exact = broken_down(whole_foot, schema)
    read = broken_down(foot + rng.normal(0.0, np.sqrt(SPREAD), foot.shape), schema)
    level, truth = read.levels[name], exact.levels[name].value
    held = np.mean((level.low <= truth) & (truth <= level.high))
    beyond, true_excess = read.excess[name], exact.excess[name].value
    held_beyond = np.mean((beyond.low <= true_excess) & (true_excess <= beyond.high))
    assert 0.88 <= held <= 0.92
    assert held_beyond == held if true_excess != 0.0 else held_beyond >= held


def foot_with(hva=32.0, **excess):
    """One foot whose levels have the given excess: (value, low, high)."""
    of = np.array
    whole = MeasureArray(of([hva]), of([1.0]), of([hva - 1.6]), of([hva + 1.6]), "hva", "deg", "shaft")
    return Deformity(
        whole, {}, {name: Excess(*(of([one]) for one in three)) for name, three in excess.items()}, "shaft"
    )


class TestLeadingLevel:
    def test_more_than_half_by_the_least_that_the_intervals_allow(self):
        sure = foot_with(ima=(8, 7, 9), dmaa=(3, 1, 5), ppaa=(0, 0, 0)).leading(0)
        assert (sure.level, sure.low) == ("ima", pytest.approx(7 / 12))

    def test_half_by_the_value_alone_is_not_told(self):
        unsure = foot_with(ima=(8, 4, 12), dmaa=(3, 1, 5)).leading(0)
        assert unsure.level is None
        assert unsure.share == pytest.approx(8 / 11)
        assert unsure.low < 0.5 < unsure.high

    def test_the_largest_of_many_is_not_most(self):
        assert foot_with(ima=(4, 4, 4), dmaa=(3, 3, 3), ppaa=(3, 3, 3)).leading(0).level is None

    def test_what_leans_the_other_way_is_not_counted(self):
        leading = foot_with(ima=(6, 5, 7), mtp1_joint=(-20, -21, -19)).leading(0)
        assert (leading.level, leading.share) == ("ima", 1.0)

    def test_in_varus_the_most_negative_leads(self):
        leading = foot_with(hva=-20.0, mtp1_joint=(-15, -16, -14), dmaa=(2, 1, 3)).leading(0)
        assert leading.level == "mtp1_joint"

    def test_nothing_beyond_normal_leads_nowhere(self):
        nowhere = foot_with(hva=10.0, ima=(0, 0, 1), dmaa=(0, 0, 0)).leading(0)
        assert nowhere.level is None
        assert np.isnan(nowhere.share)
        assert nowhere.missing == ()

    def test_a_missing_level_is_named_and_nothing_is_weighed_without_it(self):
        told = foot_with(ima=(8, 7, 9), ppaa=(np.nan,) * 3).leading(0)
        assert told.level is None
        assert told.missing == ("ppaa",)


def test_a_missing_surface_withholds_its_levels(whole_foot, schema):
    visible = np.ones((1, len(schema)), dtype=bool)
    visible[0, schema.index("PP_art_med")] = False
    sits = broken_down(whole_foot, schema, visible=visible)
    assert np.isnan(sits.levels["ppaa"].value[0])
    assert np.isnan(sits.excess["ppaa"].value[0])
    assert np.isfinite(sits.excess["ima"].value[0])
    assert sits.leading(0).missing == ("mtp1_joint", "ppaa")


class TestNormalRanges:
    def test_ends_are_those_of_the_published_grades(self):
        """Pique-Vidal and Vila: IMA below 9, HVA below 15, PPAA below 6; Aiyer: adducted above 20."""
        ranges = normal_ranges()
        ends = {name: (one.low, one.high) for name, one in ranges.items()}
        assert (ends["hva"], ends["ima"], ends["ppaa"]) == ((0, 15), (0, 9), (0, 6))
        assert ends["mtp1_joint"] == (-10.67, 10.67)
        assert ends["maa_mc4"] == (0, 20)
        assert all(one.source for one in ranges.values())

    def test_excess_is_nought_within_and_at_the_ends(self):
        normal = NormalRange("ima", 0.0, 9.0, "a table", Evidence.SEEN)
        assert normal.excess([-2.0, 0.0, 5.0, 9.0, 9.5]).tolist() == [-2.0, 0.0, 0.0, 0.0, 0.5]
        assert np.isnan(normal.excess(np.nan))
        with pytest.raises(ValueError, match="must rise"):
            NormalRange("ima", 9.0, 9.0, "a table", Evidence.SEEN)

    @pytest.mark.parametrize(
        ("line", "said"),
        [
            ("{measure: hva, scheme: nobody, grade: normal}", "no scheme 'nobody'"),
            ("{measure: hva, scheme: jrcr, grade: mild}", "has no grade 'mild' of hva"),
            ("{measure: ima45, scheme: jrcr, grade: normal}", "has no grade 'normal' of ima45"),
            ("{measure: mtp1_joint, scheme: joint_surrogates, grade: incongruent}", "or has it twice"),
        ],
    )
    def test_a_bad_file_is_a_clear_error(self, tmp_path, line, said):
        (tmp_path / "ranges.yaml").write_text(f"ranges: [{line}]", encoding="utf-8")
        with pytest.raises(ConfigError, match=said):
            read_normal_ranges(tmp_path / "ranges.yaml")
