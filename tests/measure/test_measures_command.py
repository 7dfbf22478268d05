"""``raysplay measures``: the registry on a screen."""

import pytest
import yaml
from typer.testing import CliRunner

from raysplay.configs.load import CONFIG_DIR
from raysplay.configs.protocol import reported_measures
from raysplay.infer.measures_command import named
from raysplay.measure import MEASURES, Evidence
from raysplay.train.cli import app


def run(*arguments):
    return CliRunner().invoke(app, ["measures", *arguments], terminal_width=200)


def test_lists_every_measure():
    result = run()
    assert result.exit_code == 0
    listed = [line.split()[0] for line in result.stdout.splitlines() if line.strip()]
    assert [name for name in listed if name in {m.name for m in MEASURES}] == [m.name for m in MEASURES]


def test_lists_those_reported():
    result = run("--reported")
    assert [line.split()[0] for line in result.stdout.splitlines() if "deg" in line] == [
        m.name for m in reported_measures()
    ]


@pytest.mark.parametrize("measure", MEASURES, ids=lambda m: m.name)
def test_tells_everything_about_one(measure):
    result = run(measure.name)
    assert result.exit_code == 0
    assert measure.definition in result.stdout
    assert measure.cited in result.stdout
    assert all(code in result.stdout for code in measure.landmarks)
    if measure.evidence is Evidence.MEMORY:
        assert "from memory" in result.stdout


def test_remembered_grades_are_told_as_such():
    lines = run("ima").stdout.splitlines()
    remembered = [line for line in lines if "Robinson" in line]
    assert remembered
    assert all("from memory, not verified" in line for line in remembered)


def test_grades_end_where_their_scheme_does():
    lines = run("ima").stdout.splitlines()
    assert all("(below 0: no grade)" in line for line in lines if line.startswith("Grades"))
    assert all(line.split(": ")[1].startswith("varus, ") for line in run("hva").stdout.splitlines() if "Grades" in line)


def test_reference_values_of_a_measure_without_grades():
    """Mean 6.2 and upper limit 8 by one source, controls 9.1 and bunionettes 10.8 by another, both secondary: the
    project's audit of definitions. They disagree, and that is said."""
    told = run("ima45").stdout
    assert "Grades" not in told
    for part in ("6.2", "upper limit of normal 8", "9.1", "10.8", "disagree"):
        assert part in told
    assert told.count("secondary source") == 2
    assert "Reference" not in run("hva").stdout


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("HVA", "hva"),
        ("IMA 4-5", "ima45"),
        ("ima 1-2", "ima"),
        ("IMA1-2", "ima"),
        ("Ima", "ima"),
        ("IMA 1-5", "ima15"),
        ("mtp 2", "mtp2"),
        ("hallux valgus angle", "hva"),
        ("Intermetatarsal angle 4-5", "ima45"),
    ],
)
def test_a_measure_goes_by_any_of_its_names(said, name):
    assert run(said).stdout == run(name).stdout
    assert run(said).exit_code == 0


def test_every_name_and_abbreviation_means_its_own_measure():
    for measure in MEASURES:
        for words in (measure.name, measure.name.upper(), measure.abbreviation, measure.title):
            assert named(words, MEASURES) is measure


def test_a_measure_that_is_none_is_bad_usage_and_names_like_it_are_told():
    result = run("hav")
    assert result.exit_code == 2
    assert "no measure 'hav'; names like it: hva" in " ".join(result.output.split())
    assert "raysplay measures lists all" in " ".join(run("xyz").output.replace("│", " ").split())


@pytest.mark.parametrize("name", ["hva", "dmaa", "tmt1"])
def test_the_level_of_intervals_is_told_with_what_made_their_factor(name):
    """All of it stands in `decision.yaml`; a measure that no feet were counted for has no calibration."""
    limits = yaml.safe_load((CONFIG_DIR / "decision.yaml").read_text(encoding="utf-8"))["interval"]
    (line,) = (one for one in run(name).stdout.splitlines() if one.startswith("Interval"))
    assert line.split()[1:3] == ["90", "%,"]
    made = limits["calibrated"]
    if name in made["feet"]:
        assert f"times {limits['inflation'][name]:g};" in line
        assert f"calibrated for 91 % on {made['feet'][name]} feet" in line
        assert made["source"] in line
        assert str(made["date"]) in line
    else:
        assert line.endswith("not calibrated")
