"""Every file is counted once, every foot once, whatever a run holds; counted again here from the CSV files alone."""

import tempfile
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from raysplay.infer.outputs.finished_run import read_run
from raysplay.infer.overview.fates import FATES, Fate, fates, flow, reason_counts
from raysplay.infer.reason import ReasonKind

from .conftest import File, Foot, rows_of, write_run

NO_FILM = [kind for kind in ReasonKind if kind.gave_no_film]
OF_A_FOOT = [ReasonKind.METAL, ReasonKind.VIEW_DOUBTFUL, ReasonKind.WIDE_INTERVAL, ReasonKind.FILE_REMARK]

foot = st.builds(
    Foot,
    side=st.sampled_from("LR"),
    outcome=st.sampled_from(["accepted", "review", "refused"]),
    reasons=st.lists(st.sampled_from(OF_A_FOOT), max_size=3, unique=True).map(
        lambda kinds: tuple((kind, f"{kind.words} on this film") for kind in kinds)
    ),
)
file = st.one_of(
    st.builds(File, name=st.just(""), feet=st.lists(foot, max_size=3).map(tuple)),
    st.builds(File, name=st.just(""), kind=st.sampled_from(NO_FILM)),
)


@given(st.lists(file, max_size=12))
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_counts_add_up_to_the_files_and_feet_of_the_tables(drawn):
    for number, one in enumerate(drawn):
        one.name = f"ward/{number:03d}.dcm"
    with tempfile.TemporaryDirectory() as folder:
        run = read_run(write_run(Path(folder, "run"), drawn))
        made = flow(run)
        films, feet = rows_of(run.folder, "films.csv"), rows_of(run.folder, "feet.csv")
        assert made.files == len(films) == sum(made.fates.values()) == len(drawn)
        assert made.films == made.fates[Fate.NO_FOOT] + made.fates[Fate.FEET]
        assert made.films == sum(one.kind is None for one in drawn)
        assert made.feet == dict.fromkeys(made.feet, 0) | dict(Counter(row["decision"] for row in feet if row["foot"]))
        assert made.feet_found == sum(int(row["feet"]) for row in films)
        assert made.fates[Fate.FEET] == sum(row["feet"] != "0" for row in films)
        by_kind = Counter(kind for row in feet for kind in set(row["reason_kinds"].split("; ")) - {""})
        assert {one.kind.value: one.rows for one in reason_counts(run)} == dict(by_kind)
        for one in reason_counts(run):
            mine = [row for row in feet if one.kind.value in row["reason_kinds"].split("; ")]
            assert one.review == sum(row["decision"] == "review" for row in mine)
            assert one.files == sum(not row["foot"] for row in mine)
            assert one.accepted == sum(row["decision"] == "accepted" for row in mine)
            assert any(one.example in row["reasons"].split("; ") for row in mine)


@pytest.mark.parametrize("kind", NO_FILM)
def test_a_file_that_gave_no_film_is_no_film(tmp_path, kind):
    run = read_run(write_run(tmp_path / "run", [File("a.dcm", kind=kind), File("b.dcm", (Foot(),)), File("c.dcm")]))
    first, second, third = (FATES[code] for code in fates(run))
    assert not first.is_film
    assert (second, third) == (Fate.FEET, Fate.NO_FOOT)
    assert (first is Fate.DUPLICATE) == (kind is ReasonKind.DUPLICATE)
