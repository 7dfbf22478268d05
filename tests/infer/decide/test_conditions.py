"""Growth plates, metal, cast, splint, missing toe, overlap, and films unlike those trained on."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.configs.conditions import CONDITIONS
from raysplay.infer.decide.decision import decide
from raysplay.infer.decide.needed import usable_landmarks
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Decision, Outcome

LIMITS = decision_settings()
BY_THE_NETWORK = LIMITS.model_copy(
    update={"conditions": {n: limit.model_copy(update={"shell": None}) for n, limit in LIMITS.conditions.items()}}
)
"""Without the second witness for casts, which has tests of its own (test_shell.py)."""
FIRST_WORDS = {
    "growth_plates": "growth plates look open (0.93): made for adults",
    "metal": "metal in the foot (0.93): after a distal osteotomy",
    "cast": "cast in place (0.93): ",
    "splint": "splint or spacer in place (0.93): HVA not comparable with films without",
    "missing_toe": "toe missing (0.93): ",
    "overlap": "forefoot covered (0.93): ",
    "cut_off": "foot is cut off (0.93): the edge of the exposed field",
}


def with_condition(case, **chances):
    return case(landmarks={"conditions": dict.fromkeys(CONDITIONS, 0.01) | chances})


def test_every_condition_of_the_network_has_its_limits_and_no_other():
    assert set(LIMITS.conditions) == set(CONDITIONS)


@pytest.mark.parametrize("name", CONDITIONS)
def test_each_condition_sends_the_foot_to_a_person_with_its_own_sentence(case, name):
    """A foot with a splint on can still be read: its numbers stay."""
    decision = decide(with_condition(case, **{name: 0.93}), BY_THE_NETWORK)
    assert decision.outcome is Outcome.REVIEW
    (reason,) = decision.reasons
    assert reason.kind is ReasonKind(name)
    assert reason.text.startswith(FIRST_WORDS[name])


@pytest.mark.parametrize("name", CONDITIONS)
def test_a_condition_counts_from_its_threshold_on(case, name):
    threshold = LIMITS.conditions[name].doubtful_from
    assert decide(with_condition(case, **{name: threshold}), BY_THE_NETWORK).outcome is Outcome.REVIEW
    below = with_condition(case, **{name: np.nextafter(threshold, 0.0)})
    assert decide(below, BY_THE_NETWORK) == Decision(Outcome.ACCEPTED)


def test_a_condition_refuses_where_a_limit_for_that_is_set(case):
    cast = BY_THE_NETWORK.conditions["cast"].model_copy(update={"refuse_from": 0.9})
    strict = LIMITS.model_copy(update={"conditions": LIMITS.conditions | {"cast": cast}})
    assert decide(with_condition(case, cast=0.89), strict).outcome is Outcome.REVIEW
    refused = decide(with_condition(case, cast=0.9, splint=0.9), strict)
    assert refused.outcome is Outcome.REFUSED
    assert [reason.kind for reason in refused.reasons] == [ReasonKind.CAST]


@pytest.mark.parametrize(("chance", "usable"), [(0.9, False), (0.1, True)])
def test_where_a_toe_is_missing_its_unsure_points_are_taken_to_be_missing(case, chance, usable):
    plain = with_condition(case, missing_toe=chance)
    tip = plain.schema.index("DP_tip")
    confidence = plain.landmarks.confidence.copy()
    confidence[tip] = 0.4
    landmarks = replace(plain.landmarks, confidence=confidence)
    assert bool(usable_landmarks(plain.film, landmarks, LIMITS)[tip]) is usable


@pytest.mark.parametrize(
    ("strangeness", "outcome"), [(1.0, Outcome.ACCEPTED), (4.49, Outcome.ACCEPTED), (4.5, Outcome.REVIEW)]
)
def test_a_film_unlike_training_films_goes_to_a_person(case, strangeness, outcome):
    decision = decide(case(landmarks={"strangeness": strangeness}), LIMITS)
    assert decision.outcome is outcome
    said = ["unlike training films: strangeness 4.5, usual 1, limit 4.5"]
    assert [reason.text for reason in decision.reasons] == ([] if outcome is Outcome.ACCEPTED else said)
