"""Where the deformity sits: against the numbers of measure.deformity, the published ranges and what is proven.

Published: IMA normal below 9, PPAA below 6 (J Foot Ankle Res 2009;2:15); DMAA to 8 (JRCR 2015); joint congruency angle
to 10.67 either way (J Orthop Surg Res 2022); interphalangeal angle below 10 (texts).
"""

from math import isfinite, isnan

import numpy as np
import pytest

from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.records import Withheld
from raysplay.infer.review.settings import review_settings
from raysplay.infer.visit.conditions import Conditions
from raysplay.infer.visit.persons import persons_of
from raysplay.infer.visit.where_it_sits import where_it_sits
from raysplay.measure.deformity import HALLUX_VALGUS

PUBLISHED = {
    "ima": (0.0, 9.0),
    "dmaa": (0.0, 8.0),
    "mtp1_joint": (-10.67, 10.67),
    "ppaa": (0.0, 6.0),
    "hia": (0.0, 10.0),
}


@pytest.fixture
def sits(make_run, open_desk, film_of):
    def found(foot, proven=None):
        desk = open_desk(make_run({"a.dcm": film_of(feet=(foot,))}))
        (person,), _ = persons_of(desk, Conditions())
        (one,) = person.feet
        if proven is not None:
            object.__setattr__(one, "proven", proven)
        return where_it_sits(one, desk.run.protocol(), decision_settings(), review_settings().hand_placed)

    return found


def test_levels_add_up_and_exceed_the_published_ranges(sits, foot_of):
    found = sits(foot_of(hva=36.0, ima=16.0))
    by_name = {one.measure.name: one for one in found.levels}
    assert sum(by_name[name].value for name in HALLUX_VALGUS) == pytest.approx(found.hva.value, abs=0.06)
    assert found.hva.value == pytest.approx(36.0, abs=0.06)
    for name, (low, high) in PUBLISHED.items():
        one = by_name[name]
        assert one.weighed
        assert one.excess == pytest.approx(max(one.value - high, 0.0) + min(one.value - low, 0.0))
        assert one.normal.source
    assert by_name["ima"].excess == pytest.approx(7.0, abs=0.06)
    assert not by_name["tmt1"].weighed


def test_most_is_not_said_while_a_weighed_level_is_unproven(sits, foot_of):
    found = sits(foot_of(hva=30.0, ima=24.0))
    assert found.largest is not None
    assert {one.measure.name for one in found.unproven} >= {"dmaa", "mtp1_joint", "ppaa"}
    assert found.most is None


def test_most_is_said_where_all_are_proven_and_the_least_share_is_above_half(sits, foot_of):
    """A large IMA on sharp points; the low-confidence flag of DMAA alone still forbids the word."""
    found = sits(foot_of(hva=26.0, ima=26.0, spread=0.1), proven=lambda _: True)
    assert found.leading.level == "ima"
    assert found.leading.low > 0.5
    assert [one.measure.name for one in found.unproven] == ["dmaa"]
    assert found.most is None


def test_what_stands_on_doubtful_points_is_not_told(sits, foot_of):
    found = sits(foot_of(confidence={"M1_art_lat": 0.2}))
    by_name = {one.measure.name: one for one in found.levels}
    assert isnan(by_name["dmaa"].value)
    assert "withheld" in by_name["dmaa"].withheld
    assert isfinite(by_name["ima"].value)
    assert found.leading.missing
    assert found.most is None


def test_what_the_run_withheld_is_not_told_by_another_way(sits, foot_of):
    found = sits(foot_of(withheld={"ima": Withheld.WIDE_INTERVAL, "hva": Withheld.WIDE_INTERVAL}))
    assert isnan(found.hva.value)
    assert isnan(next(one for one in found.levels if one.measure.name == "ima").value)
    assert np.isnan(found.leading.share)


def test_a_refused_foot_has_no_levels(sits, foot_of):
    found = sits(foot_of(decision="refused"))
    assert all(isnan(one.value) and one.withheld for one in (found.hva, *found.levels))
