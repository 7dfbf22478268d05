"""The beam's angle from landmarks: the formula by least squares, what it must not depend on, when it is not told."""

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema
from raysplay.infer.beam.angle_model import AngleModel, laying_corners
from raysplay.infer.beam.beam_angle import angle_model, beam_angle, with_remark
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import BeamAngle, Decision, Outcome
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import of_network

SCHEMA = landmark_schema()
SETTINGS = reading_settings().beam_angle
SURE = np.zeros((len(SCHEMA), 2, 2))


def turned(degrees):
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, s], [-s, c]])


@pytest.fixture(scope="module")
def foot():
    """The mean foot of the model that ships, in mm, as such a foot lies on a film."""
    return angle_model().mean.reshape(-1, 2) * 15.0


def test_corners_are_the_shafts_of_the_middle_metatarsals():
    assert sorted(SCHEMA.codes[k] for k in laying_corners(SCHEMA)) == sorted(
        f"M{ray}{level}_{side}" for ray in (2, 3, 4) for level in "pd" for side in ("med", "lat")
    )


def test_angle_and_doubt_are_those_of_a_regression():
    """Reference: numpy's least squares on 40,000 draws; in a joint normal distribution both are the same thing."""
    rng, shipped = np.random.default_rng(3), angle_model()
    moved = [SCHEMA.index(code) for code in ("TN_med", "CC_lat", "DP_tip")]
    at = np.concatenate([[2 * k, 2 * k + 1] for k in moved])
    mixing = rng.normal(size=(7, 7)) * 0.1
    draws = rng.normal(size=(40_000, 7)) @ mixing.T
    covariance = np.eye(2 * len(SCHEMA)) * 1e-9
    covariance[np.ix_(at, at)] += (mixing @ mixing.T)[:6, :6]
    with_angle = np.zeros(2 * len(SCHEMA))
    with_angle[at] = (mixing @ mixing.T)[:6, 6]
    model = AngleModel(
        shipped.corners,
        shipped.template,
        shipped.template.ravel(),
        covariance,
        with_angle,
        np.array([12.0, (mixing @ mixing.T)[6, 6]]),
    )
    slopes, rest, _, _ = np.linalg.lstsq(draws[:, :6], draws[:, 6], rcond=None)
    away = np.array([0.05, -0.1, 0.02, 0.0, 0.1, 0.04])
    points = shipped.template.copy()
    points[moved] += away.reshape(3, 2)
    told = model.estimate(points, SURE)
    assert told.value == pytest.approx(12.0 + away @ slopes, abs=0.003)
    assert told.sd == pytest.approx(np.sqrt(rest[0] / len(draws)), rel=0.02)


@pytest.mark.parametrize("degrees", [0.0, 37.0, 180.0])
def test_it_does_not_hang_on_how_a_foot_lies_or_on_the_unit(foot, degrees):
    foot = foot + np.random.default_rng(1).normal(0, 0.3, foot.shape)
    doubt = np.broadcast_to(np.diag([0.2, 0.5]), SURE.shape)
    turn = 4.2 * turned(degrees)
    there = angle_model().estimate(foot, doubt)
    here = angle_model().estimate(foot @ turn + [300, -70], np.einsum("ai,lab,bj->lij", turn, doubt, turn))
    assert (here.value, here.sd, here.strangeness) == pytest.approx((there.value, there.sd, there.strangeness))


def test_the_mirror_image_of_a_foot_is_no_foot(foot):
    """Of a film read as the other foot nothing is said."""
    assert beam_angle(foot, SURE) is not None
    assert beam_angle(foot * [-1.0, 1.0], SURE) is None


def test_doubtful_or_missing_points_widen_it_until_nothing_is_said(foot):
    def width(points, doubt):
        return np.ptp([beam_angle(points, doubt).low, beam_angle(points, doubt).high])

    sure = width(foot, SURE)
    assert width(foot, SURE + np.eye(2) * 1.0) > sure
    forefoot = foot.copy()
    forefoot[[k for k, code in enumerate(SCHEMA.codes) if code[:2] in ("TN", "CC", "TA", "NA", "C1", "C2", "MC")]] = (
        np.nan
    )
    assert width(forefoot, SURE) > sure
    assert beam_angle(foot, SURE + np.eye(2) * 400.0) is None
    bare = foot.copy()
    bare[laying_corners(SCHEMA)[:5]] = np.nan
    assert beam_angle(bare, SURE) is None


def test_a_foot_unlike_any_generated_one_says_nothing(foot):
    strange = foot + np.random.default_rng(2).normal(0, 4.0, foot.shape)
    assert angle_model().estimate(strange, SURE).strangeness > SETTINGS.strange_from
    assert beam_angle(strange, SURE) is None


def test_a_file_of_something_else_is_refused_by_name(tmp_path):
    with pytest.raises(WeightsError, match=r"^landmarks\.safetensors: made for another network"):
        AngleModel.read(of_network("landmarks"), SCHEMA)
    with pytest.raises(WeightsError, match=r"^pier\.safetensors: .*no such file"):
        AngleModel.read(tmp_path / "pier.safetensors", SCHEMA)


@pytest.mark.parametrize(
    ("beam", "remarked"),
    [
        (BeamAngle(31.0, 16.0, 46.0), True),
        (BeamAngle(30.0, 15.0, 45.0), False),
        (BeamAngle(12.0, -1.0, 25.0), False),
        (BeamAngle(-4.0, -18.0, 9.9), True),
        (None, False),
    ],
)
def test_only_an_interval_wholly_beyond_what_is_usual_is_remarked_on(beam, remarked):
    """10 to 15 degrees toward the heel: positioning texts (fact sheet, section 5, S)."""
    assert SETTINGS.usual == (10.0, 15.0)
    before = Reason(ReasonKind.CONSTRUCTION_SENSITIVE, "construction-sensitive")
    after = with_remark(Decision(Outcome.ACCEPTED, (before,)), beam)
    assert after.outcome is Outcome.ACCEPTED
    assert after.reasons[0] == before
    assert [one.kind for one in after.reasons[1:]] == [ReasonKind.BEAM_UNUSUAL] * remarked


@pytest.mark.parametrize("outcome", [Outcome.REVIEW, Outcome.REFUSED])
def test_a_foot_that_was_not_accepted_gets_no_remark(outcome):
    decision = Decision(outcome, (Reason(ReasonKind.VIEW_DOUBTFUL, "view doubtful"),))
    assert with_remark(decision, BeamAngle(60.0, 50.0, 70.0)) == decision


def test_the_sentence_names_the_interval_and_that_it_is_unproven():
    (said,) = with_remark(Decision(Outcome.ACCEPTED), BeamAngle(31.2, 18.6, 43.4)).reasons
    assert said.text == ("beam, an unproven estimate: it met the foot at about 31 degrees (19 to 43), usual 10 to 15")
    for word in ("stand", "load", "weight"):
        assert word not in said.text
