"""A film of the ankle that shows the foot goes to a person: tipped, its leg in the picture, both drawn here."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.infer.decide.ankle_view import ankle_view
from raysplay.infer.decide.decision import decide
from raysplay.infer.decide.leg import leg_length
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.film import Spacing
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import BeamAngle, Outcome
from raysplay.infer.settings import reading_settings

LIMITS = decision_settings()
ROWS, COLUMNS, SMALLER = 550, 450, 0.2
DARK, BODY, LEG = 0.1, 0.5, 0.6
STEEP = BeamAngle(31.0, 20.6, 41.4)
FROM = 0.5
"""Behind the ankle, where a leg begins to count."""


def drawn(case, *, leg=0.0, lean=0.0, wide=0.8, side="R", squash=1, border=None, turned=False):
    """A foot as broad as its metatarsals, and a leg of even width that ends ``leg`` metatarsals behind the ankle.

    The ankle lies about one length of the second metatarsal behind its base: common practice, no source.
    """
    foot = case(side=side)
    at = dict(zip(foot.schema.codes, foot.landmarks.points * SMALLER + [130.0, 50.0], strict=True))
    near, far = ((at[f"M2{level}_med"] + at[f"M2{level}_lat"]) / 2 for level in "pd")
    along = (far - near) / 0.4  # shaft levels lie at 30 and 70 % (configs/landmarks.yaml)
    long = float(np.linalg.norm(along))
    ankle = near - 0.3 * along - along
    y, x = np.mgrid[:ROWS, :COLUMNS].astype(float)
    back = -along / long
    across = np.array([-back[1], back[0]])
    place = [(x - ankle[0]) * way[0] + (y - ankle[1]) * way[1] for way in (back, across)]
    grey = np.full((ROWS, COLUMNS), DARK)
    grey[(place[0] < 0.1 * long) & (place[0] > -3.2 * long) & (np.abs(place[1]) < 0.5 * long)] = BODY
    c, s = np.cos(np.radians(lean)), np.sin(np.radians(lean))
    down, aside = c * place[0] + s * place[1], -s * place[0] + c * place[1]
    grey[(down > 0) & (down < leg * long) & (np.abs(aside) < 0.5 * wide * long)] = LEG
    if border is not None:
        grey[place[0] > border * long] = 1.0
    points = np.stack([at[code] for code in foot.schema.codes])
    if turned:
        grey, points = grey[::-1, ::-1], np.array([COLUMNS - 1.0, ROWS - 1.0]) - points
    if squash > 1:
        grey = grey[: ROWS // squash * squash].reshape(-1, squash, COLUMNS).mean(1)
        points = points * [1, 1 / squash] + [0, 0.5 / squash - 0.5]
    spacing = Spacing(1.0 * squash, 1.0, foot.film.spacing.kind, aspect=float(squash))
    film = replace(foot.film, pixels=np.ascontiguousarray(grey, dtype=np.float32), spacing=spacing)
    return replace(foot, film=film, landmarks=replace(foot.landmarks, points=points))


@pytest.mark.parametrize(
    "way", [{}, {"side": "L"}, {"squash": 2}, {"lean": 30.0}, {"lean": -30.0}, {"turned": True}, {"wide": 0.5}]
)
@pytest.mark.parametrize("leg", [1.0, 1.6])
def test_a_leg_is_followed_as_far_as_it_was_drawn(case, way, leg):
    """The corners of its straight end lie farther off than its middle."""
    assert leg_length(drawn(case, leg=leg, **way)) == pytest.approx(leg - FROM, abs=0.2)


def test_a_foot_without_a_leg_has_none(case):
    assert leg_length(drawn(case)) == 0.0


@pytest.mark.parametrize("border", [0.3, 0.6, 1.0, 1.5])
def test_the_border_of_a_field_is_no_leg(case, border):
    """It runs across the film behind the heel, as bright as a leg; a leg ends there."""
    assert leg_length(drawn(case, border=border)) < LIMITS.ankle_view.leg_from - 0.2
    assert leg_length(drawn(case, leg=2.0, border=border)) < max(border - FROM, 0.0) + 0.35


def test_a_letter_or_a_thigh_is_no_leg(case):
    """Narrower and wider than a leg with its soft parts is against a second metatarsal (about 7 cm): from memory."""
    assert leg_length(drawn(case, leg=2.0, wide=0.1)) == 0.0
    assert leg_length(drawn(case, leg=2.0, wide=2.2)) < 0.3


def test_where_the_metatarsal_is_not_known_nothing_is_said(case):
    foot = drawn(case, leg=2.0)
    doubted = np.where([code.startswith("M2p") for code in foot.schema.codes], 0.3, 0.9)
    assert leg_length(replace(foot, landmarks=replace(foot.landmarks, confidence=doubted)), 0.5) is None


def asked(foot, beam):
    decision = decide(replace(foot, beam=beam), LIMITS)
    return decision.outcome, [one.kind for one in decision.reasons]


def test_a_tipped_foot_with_its_leg_in_the_picture_goes_to_a_person(case):
    """Ten to fifteen degrees toward the heel are usual: positioning texts (fact sheet, section 5, S)."""
    assert reading_settings().beam_angle.usual == (10.0, 15.0)
    assert asked(drawn(case, leg=1.6), STEEP) == (Outcome.REVIEW, [ReasonKind.ANKLE_VIEW])


@pytest.mark.parametrize(
    ("leg", "beam"),
    [
        (0.0, STEEP),  # a steep beam by itself
        (1.6, None),  # one that cannot be told
        (1.6, BeamAngle(12.0, 1.6, 22.4)),  # a usual one: legs lie in the picture on most open films of feet
        (1.6, BeamAngle(-20.0, -30.4, -9.6)),  # away from the heel: the leg of an ankle film lies the other way
        (1.6, BeamAngle(27.0, 14.0, 40.0)),  # too much doubt
    ],
)
def test_either_alone_is_no_fault(case, leg, beam):
    assert asked(drawn(case, leg=leg), beam) == (Outcome.ACCEPTED, [])


@pytest.mark.parametrize(("less", "sent"), [(0.1, False), (0.0, True)])
def test_both_sides_of_the_thresholds(case, less, sent):
    bounds = LIMITS.ankle_view
    foot = drawn(case, leg=1.6)
    steep = bounds.steep_from - less
    assert bool([*ankle_view(replace(foot, beam=BeamAngle(steep, steep - 8, steep + 8)), LIMITS)]) is sent
    leg = leg_length(foot)
    other = LIMITS.model_copy(update={"ankle_view": bounds.model_copy(update={"leg_from": leg + less})})
    assert bool([*ankle_view(replace(foot, beam=STEEP), other)]) is sent


def test_the_sentence_names_what_was_seen_and_that_it_is_unproven(case):
    (found,) = ankle_view(replace(drawn(case, leg=1.6), beam=STEEP), LIMITS)
    assert found.reason.text.startswith(
        "perhaps a film of the ankle: the foot looks tipped, as under a beam of about 31 degrees (21 to 41 by an "
        "unproven estimate, usual 10 to 15), and its leg lies in the picture for 1.2 lengths of the second metatarsal"
    )
    assert ";" not in found.reason.text, "which ends a reason in the tables"
    assert found.reason.numbers["leg"] == pytest.approx(1.1, abs=0.1)
