"""A measured film, as the pipeline hands it over."""

from dataclasses import replace

import pytest

from raysplay.configs.protocol import protocol
from raysplay.infer.decide.decision import decide
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, FilmRecord, FootRecord, Outcome


@pytest.fixture
def foot_record(case):
    def made(**changes):
        one = case(**changes)
        one = replace(one, measurements=tuple(m for m in one.measurements if m.measure in protocol().reported))
        return FootRecord(one.landmarks, one.measurements, decide(one, decision_settings()))

    return made


@pytest.fixture
def film_record(foot_record):
    def made(name="ward/a.dcm", feet=None, reason="no foot found", **rest):
        feet = (foot_record(),) if feet is None else tuple(feet)
        decision = None if feet else Decision(Outcome.REFUSED, (Reason(ReasonKind.NO_FOOT_FOUND, reason),))
        return FilmRecord(name, feet, decision, **rest)

    return made
