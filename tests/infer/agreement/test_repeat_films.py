"""Repeat films: feet that stood again for a second film, by a column or by a table of their own.

Figures are checked against the arrays that the tables were made of and against statsmodels' nested analysis of
variance.
"""

import csv

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from typer.testing import CliRunner

from raysplay.infer.agreement import agreement
from raysplay.infer.agreement.feet import study_reads
from raysplay.infer.agreement.reads import ReadOptions, read_reads
from raysplay.infer.agreement.repeat_films import DETECTABLE_NEW, ERROR_NEW, OF_FILM, WITHIN_NEW
from raysplay.infer.agreement.statistics.repeatability import new_films_any_reader
from raysplay.infer.user_table import UserTableError
from raysplay.train.cli import app

FEET, FILM_SD = 24, 1.5


@pytest.fixture
def stood_again(make_island):
    """Films 0 to 23, and 24 to 47 of the same feet that stood again."""
    island = make_island(films=2 * FEET, readers=("AB", "CD", "EF"))
    draw = np.random.default_rng(9)
    for name, true in island.true.items():
        again = np.concatenate([true[:FEET], true[:FEET]]) + draw.normal(0, FILM_SD, 2 * FEET)
        island.read[name] = np.round(again[:, None, None] + draw.normal(0, 1, (2 * FEET, 3, 2)), 1)
        island.tool[name] = again + draw.normal(0, 0.6, 2 * FEET)
    island.repeats = [[island.feet[i + FEET][0], island.feet[i][0]] for i in range(FEET)]
    return island


def figures(folder):
    with (folder / "agreement.csv").open(encoding="utf-8", newline="") as stream:
        return {
            (row["measure"], row["reader"], row["statistic"]): row
            for row in csv.DictReader(stream)
            if row["feet"] == "all"
        }


def test_errors_over_new_films_stand_apart_from_those_of_the_same_film(stood_again, tmp_path, write_run, write_csv):
    write_csv(tmp_path / "again.csv", ["film", "repeat_of"], stood_again.repeats)
    run = write_run(tmp_path / "run", stood_again)
    reads = stood_again.tidy(tmp_path / "reads.csv")
    called = [
        "agreement",
        str(run),
        str(reads),
        "--repeats",
        str(tmp_path / "again.csv"),
        "--out",
        str(tmp_path / "out"),
    ]
    result = CliRunner().invoke(app, called, env={"COLUMNS": "240"})
    assert result.exit_code == 0, result.output
    assert "24 films of feet that stand on another film, too" in result.output
    found = figures(tmp_path / "out")
    reader = stood_again.read["hva"][:, 0, :].reshape(2, FEET, 2).swapaxes(0, 1)
    foot, film, _ = np.indices(reader.shape)
    frame = pd.DataFrame({"foot": foot.ravel(), "film": film.ravel(), "value": reader.ravel()})
    square = anova_lm(ols("value ~ C(foot) / C(film)", frame).fit())["mean_sq"]
    of_film = (square["C(foot):C(film)"] - square["Residual"]) / 2
    total = np.sqrt(of_film + square["Residual"])
    assert float(found["hva", "AB, new films", WITHIN_NEW]["value"]) == pytest.approx(total)
    assert float(found["hva", "AB, new films", OF_FILM]["value"]) == pytest.approx(np.sqrt(of_film))
    change = float(found["hva", "AB, new films", DETECTABLE_NEW]["value"])
    assert change == pytest.approx(1.959964 * np.sqrt(2) * total, rel=1e-6)
    same = found["hva", "AB again", "minimal detectable change, same film"]
    assert change > float(same["high"])
    tool = np.round(stood_again.tool["hva"], 1).reshape(2, FEET)
    of_tool = found["hva", "tool, new films", WITHIN_NEW]
    assert float(of_tool["value"]) == pytest.approx(np.sqrt(np.mean((tool[0] - tool[1]) ** 2) / 2))
    assert float(of_tool["low"]) < FILM_SD < float(of_tool["high"])
    anybody = found["hva", "all readers", ERROR_NEW]
    assert float(anybody["low"]) < np.hypot(FILM_SD, 1) < float(anybody["high"])
    # Two films of one foot are no two persons.
    assert "over persons" in found["hva", "AB", "bias"]["method"]


def test_a_column_says_the_same_as_a_table(stood_again, tmp_path, write_csv):
    first = dict(stood_again.repeats)
    rows = [[*row, first.get(row[0], "")] for row in stood_again.rows()]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "session", "measure", "value", "repeat_of"], rows)
    study, _ = study_reads(read_reads([tmp_path / "reads.csv"]), None)
    assert study.again.tolist() == [*range(FEET), *range(FEET)]
    assert study.groups.tolist() == study.again.tolist()


def test_without_repeat_films_nothing_is_said_of_them(island, tmp_path):
    table = agreement(None, [island.tidy(tmp_path / "reads.csv")]).figures
    assert not any("new films" in one for one in table["statistic"].to_pylist())


def test_the_sum_of_readers_and_films_by_a_mixed_model():
    """Any reader, new film: against the components that the studies were drawn with, over many studies."""
    draw = np.random.default_rng(4)
    squares = []
    for _ in range(400):
        reads = draw.normal(25, 8, (20, 1, 1)) + draw.normal(0, 1.5, (20, 2, 1))
        reads = reads + draw.normal(0, 0.7, (1, 1, 3)) + draw.normal(0, 1, (20, 2, 3))
        squares.append(new_films_any_reader(reads).value ** 2)
    assert np.mean(squares) == pytest.approx(1.5**2 + 0.7**2 + 1, abs=3 * np.std(squares) / 20)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([["keeper-0001.dcm", "keeper-0001.dcm"]], "is a repeat of itself"),
        ([["keeper-0001.dcm", "keeper-0002.dcm"], ["keeper-0002.dcm", "keeper-0001.dcm"]], "is a repeat of itself"),
        ([["keeper-0001.dcm", "keeper-0002.dcm"], ["keeper-0001.dcm", "keeper-0003.dcm"]], "line 3.*by another row"),
        ([["", "keeper-0002.dcm"]], "line 2.*every row needs its film"),
    ],
)
def test_repeats_that_cannot_be_are_refused(island, tmp_path, write_csv, rows, said):
    island.feet = [(film.removeprefix("spring/"), side) for film, side in island.feet]
    write_csv(tmp_path / "again.csv", ["film", "repeat_of"], rows)
    tables = [island.tidy(tmp_path / "reads.csv")]
    with pytest.raises(UserTableError, match=said):
        study_reads(read_reads(tables, ReadOptions(repeats=tmp_path / "again.csv")), None)


def test_a_table_of_repeats_needs_its_columns(island, tmp_path, write_csv):
    write_csv(tmp_path / "again.csv", ["film", "again"], [["a.dcm", "b.dcm"]])
    with pytest.raises(UserTableError, match="needs film and repeat_of"):
        read_reads([island.tidy(tmp_path / "reads.csv")], ReadOptions(repeats=tmp_path / "again.csv"))
