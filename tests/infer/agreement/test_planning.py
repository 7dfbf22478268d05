"""``raysplay agreement-plan`` and the plan in a report.

Formulas against published numbers: Bonett 2002 as in the documentation of the R package presize, Lu 2016 as in that of
SimplyAgree, Bland's rule of 100 films for 0.34 standard deviations (from memory). What the command says of simulated
studies is simulated here a second way, from single reads.
"""

import csv

import numpy as np
import pytest
from typer.testing import CliRunner

from raysplay.infer.agreement import agreement
from raysplay.infer.agreement.statistics.intraclass import intraclass
from raysplay.infer.agreement.statistics.limits import limits_of_agreement
from raysplay.train.cli import app


def call(*arguments):
    return CliRunner().invoke(app, ["agreement-plan", *map(str, arguments)], env={"COLUMNS": "240"})


def rows(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_published_numbers(tmp_path):
    out = tmp_path / "plan.csv"
    given = ("--correlation", 0.85, "--width", 0.2, "--readers", 4, "--bound", 8, "--sd", 3.3, "--limits", 3.3 * 0.34)
    result = call(*given, "--out", out)
    assert result.exit_code == 0, result.output
    assert [row["films_by_formula"] for row in rows(out)] == ["98", "145", "20"]
    assert "by formula" in result.output
    assert "2000 simulated studies of 145 films" in result.output
    for row in rows(out):
        assert all(row[name] for name in ("films_by_simulation", "assumption", "source"))
        assert int(row["films_to_plan"]) >= max(int(row["films_by_formula"]), int(row["films_by_simulation"]))


def test_simulated_studies_hold_what_the_plan_says(tmp_path):
    """Studies of that many films, drawn read by read and put through the statistics."""
    out = tmp_path / "plan.csv"
    assert (
        call("--limits", 0.6, "--sd", 2, "--correlation", 0.9, "--width", 0.1, "--readers", 3, "--out", out).exit_code
        == 0
    )
    limits, correlation = rows(out)
    draw, films = np.random.default_rng(3), int(limits["films_by_simulation"])
    halves = []
    for _ in range(400):
        upper = limits_of_agreement(draw.normal(0, 2, films)).upper
        halves.append((upper.high - upper.low) / 2)
    assert np.mean(halves) == pytest.approx(0.6, rel=0.02)
    films, widths = int(correlation["films_by_simulation"]), []
    for _ in range(400):
        table = draw.normal(0, 3, (films, 1)) + draw.normal(0, 1, (films, 3))
        found = intraclass(table)["ICC(3,1)"]
        widths.append(found.high - found.low)
    assert np.mean(widths) == pytest.approx(0.1, rel=0.04)


def test_too_few_readers_are_said_and_no_number_is_given(tmp_path):
    """Where readers differ, no number of films makes up for few of them."""
    out = tmp_path / "plan.csv"
    result = call("--correlation", 0.9, "--width", 0.1, "--readers", "2", "--reader-share", 0.3, "--out", out)
    assert "no number of films suffices with so few readers" in result.output
    assert rows(out)[0]["films_to_plan"] == ""


def test_both_feet_of_a_person_are_worth_less(tmp_path):
    out = tmp_path / "plan.csv"
    assert call("--limits", 0.6, "--sd", 2, "--feet", 2, "--alike", 0.4, "--out", out).exit_code == 0
    (row,) = rows(out)
    more = max(int(row["films_by_formula"]), int(row["films_by_simulation"])) * 1.4
    assert int(row["films_to_plan"]) == int(np.ceil(more - 1e-9))


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "say what is wanted"),
        (("--limits", 1), "--limits needs --sd"),
        (("--width", 0.1), "--width needs --correlation"),
        (("--limits", -1, "--sd", 2), "half_width must be above zero"),
        (("--limits", 0.0001, "--sd", 2), "more than 100000 films"),
        (("--bound", 3, "--sd", 2), "beyond the bound"),
        (("--width", 0.1, "--correlation", 1.0), "must lie between 0 and 1"),
        (("--width", 0.1, "--correlation", 0.9, "--readers", "two"), "expected are whole numbers"),
        (("--width", 0.1, "--correlation", 0.9, "--readers", "1"), "2 or more"),
        (("--limits", 1, "--sd", 2, "--feet", 0.5), "1 or more a person"),
        (("--limits", 1, "--sd", 2, "--level", 95), "level must lie between 0 and 1"),
    ],
)
def test_a_wrong_call_is_one_sentence_and_status_2(arguments, said):
    result = call(*arguments)
    assert (result.exit_code, said in " ".join(result.output.replace("│", " ").split())) == (2, True), result.output


def test_nothing_is_replaced(tmp_path):
    (tmp_path / "mine.csv").write_text("mine")
    result = call("--limits", 1, "--sd", 2, "--out", tmp_path / "mine.csv")
    assert (result.exit_code, (tmp_path / "mine.csv").read_text()) == (2, "mine")


def test_the_plan_of_a_next_study_stands_in_the_report_when_asked(tmp_path, make_island, write_run):
    island = make_island(readers=("AB", "CD", "EF"))
    run = write_run(tmp_path / "run", island)
    reads = [island.tidy(tmp_path / "reads.csv")]
    assert agreement(run, reads).planning.num_rows == 0
    found = agreement(run, reads, plan_limits={"hva": 0.5}, plan_widths={"ima": 0.1})
    found.write(tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Planning of a next study" in page
    planned = rows(tmp_path / "out" / "planning.csv")
    assert [row["measure"] for row in planned] == ["hva", "hva", *["ima"] * 5]
    assert [row["readers"] for row in planned[2:]] == ["2", "3", "4", "5", "6"]
    spread = next(
        row
        for row in found.figures.to_pylist()
        if (row["measure"], row["statistic"], row["reader"], row["feet"])
        == ("hva", "standard deviation of differences", "mean of readers", "all")
    )
    expected = 1.96**2 * (1 + 1.96**2 / 2) * (spread["value"] / 0.5) ** 2
    assert int(planned[0]["films_by_formula"]) == pytest.approx(expected, abs=1)
    assert int(planned[1]["films_by_formula"]) > int(planned[0]["films_by_formula"])  # by the upper end
