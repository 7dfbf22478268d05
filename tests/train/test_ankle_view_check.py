"""What became of films of the ankle, counted by hand on feet made up here."""

import pytest
import typer

from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome
from raysplay.train.ankle_view_check import JudgedFoot, judged, table

SENT = frozenset({ReasonKind.ANKLE_VIEW})


def test_each_foot_is_counted_once_and_the_nearest_are_named():
    feet = [
        JudgedFoot("mole", True, Outcome.REVIEW, SENT | {ReasonKind.METAL}, 39.0),
        JudgedFoot("quay", True, Outcome.REVIEW, SENT, 27.2),
        JudgedFoot("buoy", True, Outcome.ACCEPTED, frozenset(), 24.4),
        JudgedFoot("hull", True, Outcome.REVIEW, frozenset({ReasonKind.WIDE_INTERVAL}), float("nan")),
        JudgedFoot("reef", False, Outcome.ACCEPTED, frozenset({ReasonKind.BEAM_UNUSUAL}), 25.1),
        JudgedFoot("tide", False, Outcome.REFUSED, frozenset({ReasonKind.NOT_DORSOPLANTAR}), float("nan")),
    ]
    lines = table(feet, 26.0).splitlines()
    assert lines[2:4] == ["| of the ankle | 4 | 1 | 2 | 1 |", "| of the foot | 2 | 1 | 0 | 1 |"]
    assert lines[-2].endswith("nearest to 26 degrees: 27.2 (quay), 24.4 (buoy), 39.0 (mole)")
    assert lines[-1].endswith("nearest to 26 degrees: 25.1 (reef)")


def test_a_list_that_leaves_a_film_open_is_refused_by_its_line(tmp_path):
    path = tmp_path / "views.csv"
    path.write_text("film,ankle\nmole.png,yes\nquay.png,no\n")
    assert judged(path) == {"mole.png": True, "quay.png": False}
    for row in ("reef.png,perhaps", "mole.png,no", ",yes"):
        path.write_text(f"film,ankle\nmole.png,yes\n{row}\n")
        with pytest.raises(typer.BadParameter, match=r"views\.csv, line 3"):
            judged(path)
