"""HVA and IMA decide; any other number is withheld where it is unsure. Thresholds: configs/decision.yaml."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.configs.protocol import read_protocol
from raysplay.infer.decide.decision import decide
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.decide.withheld import given
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Decision, Outcome, Withheld

LIMITS = decision_settings()


def wide(case, measure, width):
    """The case with one interval set to ``width`` degrees."""
    return replace(
        case,
        measurements=tuple(
            replace(m, low=m.value - width / 2, high=m.value + width / 2) if m.measure == measure else m
            for m in case.measurements
        ),
    )


def doubted(case, code, value):
    confidence = case.landmarks.confidence.copy()
    confidence[case.schema.index(code)] = value
    return replace(case, landmarks=replace(case.landmarks, confidence=confidence))


def missing(case):
    return {m.measure for m in given(case, LIMITS) if np.isnan([m.value, m.low, m.high]).all()}


@pytest.mark.parametrize(
    ("measure", "width", "outcome", "reasons", "gone"),
    [
        ("hia", 8.1, Outcome.ACCEPTED, ("withheld: HIA interval is 8.1 degrees wide, limit 8",), {"hia"}),
        ("hia", 7.9, Outcome.ACCEPTED, (), set()),
        ("ima45", 6.1, Outcome.ACCEPTED, ("withheld: IMA 4-5 interval is 6.1 degrees wide, limit 6",), {"ima45"}),
        ("hva", 6.1, Outcome.REVIEW, ("HVA interval is 6.1 degrees wide, limit 6",), set()),
        ("ima", 5.9, Outcome.ACCEPTED, (), set()),
    ],
)
def test_a_wide_interval_withholds_the_number_or_sends_the_foot(case, measure, width, outcome, reasons, gone):
    one = wide(case(), measure, width)
    decision = decide(one, LIMITS)
    assert (decision.outcome, tuple(reason.text for reason in decision.reasons)) == (outcome, reasons)
    assert missing(one) == gone


@pytest.mark.parametrize(
    ("code", "confidence", "outcome", "gone"),
    [
        ("DP_tip", 0.49, Outcome.ACCEPTED, {"hia"}),
        ("DP_tip", 0.51, Outcome.ACCEPTED, set()),
        ("M5d_lat", 0.3, Outcome.ACCEPTED, {"ima45"}),
        ("M1p_med", 0.49, Outcome.REVIEW, set()),
        ("PPd_med", 0.49, Outcome.REVIEW, {"hia"}),
    ],
)
def test_a_doubtful_point_withholds_what_only_stands_beside(case, code, confidence, outcome, gone):
    one = doubted(case(), code, confidence)
    assert decide(one, LIMITS).outcome is outcome
    assert missing(one) == gone
    assert any(reason.kind is ReasonKind.WITHHELD for reason in decide(one, LIMITS).reasons) is bool(gone)


def test_a_number_that_is_withheld_cannot_be_implausible(case):
    wild = case(values={"hia": 60.0})
    assert decide(wild, LIMITS).outcome is Outcome.REVIEW
    assert decide(wide(wild, "hia", 12.0), LIMITS).outcome is Outcome.ACCEPTED


def test_where_none_that_decides_is_reported_all_that_is_reported_decides(case):
    """No foot may pass unlooked at: the project's own rule."""
    only_hia = replace(case(), measurements=tuple(m for m in case().measurements if m.measure == "hia"))
    assert decide(wide(only_hia, "hia", 8.1), LIMITS).outcome is Outcome.REVIEW
    assert missing(wide(only_hia, "hia", 8.1)) == set()


def test_the_foot_where_constructions_differ_is_told_so_or_sent(case, tmp_path):
    """IMA of the golden foot (fact sheet of the project, section 8.5): 14.0 by shaft, 12.5 by head and base."""
    golden = case()
    assert not any(reason.kind is ReasonKind.CONSTRUCTION_SENSITIVE for reason in decide(golden, LIMITS).reasons)
    path = tmp_path / "protocol.yaml"
    path.write_text(
        "sensitivity: {bounds: {ima: {degrees: 1.4, source: test, tag: P}}}\n",
        encoding="utf-8",
    )
    strict = replace(golden, protocol=read_protocol(path))
    text = "construction-sensitive: IMA is 14.0 by shaft, 12.5 by head_base (degrees), limit 1.4 apart"
    decision = decide(strict, LIMITS)
    (said,) = decision.reasons
    assert (decision.outcome, said.kind, said.text) == (Outcome.ACCEPTED, ReasonKind.CONSTRUCTION_SENSITIVE, text)
    assert said.numbers == {"shaft": pytest.approx(14.0, abs=0.05), "head_base": pytest.approx(12.5, abs=0.05)}
    send = LIMITS.model_copy(update={"construction": LIMITS.construction.model_copy(update={"review": True})})
    assert decide(strict, send) == Decision(Outcome.REVIEW, (said,))


@pytest.mark.parametrize("side", ["L", "R"])
def test_points_as_on_the_other_foot_give_no_number(case, side):
    """From above, with its toes up, a right foot has its great toe on the left (common practice, no source). Measured
    as the other foot, every angle would have its sign turned: 32 degrees of valgus would read as 32 of varus."""
    other = {"L": "R", "R": "L"}[side]
    plain = case(side=side, film_={"laterality": side})
    assert decide(plain, LIMITS).reasons == ()
    misread = case(side=side, foot={"side": other}, film_={"laterality": other})
    decision = decide(misread, LIMITS)
    assert decision.outcome is Outcome.REVIEW
    said = f"side contradicted: the points lie as on {side}, the picture was read as {other}"
    assert (ReasonKind.SIDE_CONTRADICTED, said) in {(one.kind, one.text) for one in decision.reasons}
    numbers = given(misread, LIMITS)
    assert {one.withheld for one in numbers} == {Withheld.SIDE}
    assert np.isnan([[one.value, one.low, one.high] for one in numbers]).all()
