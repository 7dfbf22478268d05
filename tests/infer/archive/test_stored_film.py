"""A film's result comes back from the ledger as it was, bit by bit, and gives the same rows."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.configs.protocol import reported_measures
from raysplay.infer.archive.stored_film import restored, stored
from raysplay.infer.decide.decision import not_read
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.outputs.run_report import RunReport
from raysplay.infer.outputs.tables import crops_rows, feet_rows, films_row, measurements_rows
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import BeamAngle, Decision, FilmRecord, FootRecord, Measurement, Outcome, Withheld

NAN = float("nan")


@pytest.fixture
def record(place):
    landmarks = place("L", sd=np.pi)
    landmarks.points[5] = np.nan
    numbers = (
        Measurement("hva", 1 / 3, 0.1, 0.7, "deg", "shaft", True),
        Measurement("ima", NAN, NAN, NAN, "deg", "shaft", False, Withheld.NO_POINTS),
    )
    reason = Reason(ReasonKind.VIEW_DOUBTFUL, "view doubtful; «Ä» \udce9 0.6", {"dp": 0.6})
    foot = FootRecord(landmarks, numbers, Decision(Outcome.REVIEW, (reason,)), BeamAngle(1 / 7, -10.0, 10.5))
    refused = FootRecord(
        replace(landmarks, points=np.full_like(landmarks.points, np.nan), covariance=landmarks.covariance * np.nan),
        (),
        Decision(Outcome.REFUSED, (Reason(ReasonKind.NO_FOOT, "no foot"),)),
    )
    remarks = (Remark(RemarkKind.INVERTED, "one; two"),)
    return FilmRecord("ward/a.dcm", (foot, refused), None, remarks, {"decode": 0.1, "find": 1e-9})


def test_what_comes_back_is_what_was_kept(record, film):
    same, kept = restored(record.film, stored(record, film))
    for foot, other in zip(record.feet, same.feet, strict=True):
        for name in ("points", "covariance", "confidence"):
            np.testing.assert_array_equal(getattr(foot.landmarks, name), getattr(other.landmarks, name))
        np.testing.assert_array_equal(foot.landmarks.foot.film_from_crop, other.landmarks.foot.film_from_crop)
        assert (foot.decision, foot.beam) == (other.decision, other.beam)
        assert [dict(one.numbers) for one in foot.decision.reasons] == [
            dict(one.numbers) for one in other.decision.reasons
        ]
        assert repr(foot.measurements) == repr(other.measurements)
        assert foot.landmarks.foot.view == other.landmarks.foot.view
    assert (same.remarks, same.seconds, same.decision) == (record.remarks, record.seconds, None)
    assert (kept.pixels.shape, kept.spacing.kind, kept.loading) == (film.pixels.shape, film.spacing.kind, film.loading)


def test_its_rows_and_counts_are_the_same(record, film):
    film = replace(film, sha256="ab" * 32, person="00ff" * 4, taken="2026-03-01", sex="F", age="60 to 69")
    same, kept = restored(record.film, stored(record, film))
    measures = reported_measures()
    for rows in (
        lambda r: list(feet_rows(r, measures, ["overlays/a.png"])),
        lambda r: list(measurements_rows(r)),
        lambda r: list(crops_rows(r, (512, 320))),
    ):
        assert repr(rows(record)) == repr(rows(same))
    assert films_row(record, film) == films_row(same, kept)
    one, other = RunReport(), RunReport()
    one.add(record)
    other.add(same)
    assert one == other


def test_a_film_without_a_foot_and_a_file_that_is_none():
    refused = FilmRecord("b", (), not_read(FilmRejected("cut off", ReasonKind.TRUNCATED, {"there": 1.0})))
    same, film = restored("c", stored(refused, None))
    assert (same.film, same.decision, film) == ("c", refused.decision, None)


@pytest.mark.parametrize("content", [b"", b"x", b"x\x9c\x03\0", stored(FilmRecord("a", (), None), None)[:-3]])
def test_something_else_is_refused(content):
    with pytest.raises(ValueError, match=r"."):
        restored("a", content)
