"""Films of one invented person over time: bones stay, angles change as the scenario says, and what a report makes of
them."""

import csv
import re

import numpy as np
import pydicom
import pytest
from typer.testing import CliRunner

from raysplay.infer.visit.conditions import read_conditions
from raysplay.synthetic_data.demo import demo_settings
from raysplay.synthetic_data.demo_visits import CONDITIONS, FILMS, foot_at, write_visits
from raysplay.synthetic_data.repositioning import true_measures
from raysplay.train.cli import app

DEMO = demo_settings()
VISITS = DEMO.visits


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    out = tmp_path_factory.mktemp("visits")
    return write_visits(out, VISITS, DEMO.seed, DEMO.pixel_mm, DEMO.clinic).parent


def test_the_table_states_every_film_as_it_was_exposed(written):
    names = sorted(path.name for path in (written / FILMS).iterdir())
    conditions = read_conditions(written / CONDITIONS, names)
    assert names == sorted(visit.file for visit in VISITS.films)
    for visit in VISITS.films:
        stated = conditions.of(visit.file)
        assert (stated.person, stated.taken, stated.worn) == (VISITS.person, visit.date.isoformat(), visit.worn)
        assert (stated.loading, stated.tilt, stated.stance) == (visit.loading, visit.tilt, visit.stance)
        ds = pydicom.dcmread(written / FILMS / visit.file)
        assert (ds.PatientID, ds.InstitutionName) == (VISITS.person, DEMO.clinic)
        assert ds.PatientName == "Generated^Film"
    with (written / CONDITIONS).open(encoding="utf-8", newline="") as stream:
        assert len(list(csv.DictReader(stream))) == len(VISITS.films)


def test_the_same_bytes_every_time(written, tmp_path):
    short = VISITS.model_copy(update={"films": VISITS.films[:1]})
    again = write_visits(tmp_path, short, DEMO.seed, DEMO.pixel_mm, DEMO.clinic).parent
    name = VISITS.films[0].file
    assert (again / FILMS / name).read_bytes() == (written / FILMS / name).read_bytes()


def bones_of(subject):
    person = subject.person
    return np.concatenate([np.ravel(part) for part in (person.size, person.place, *person.shapes.values())])


def test_bones_stay_and_angles_change_as_the_scenario_says():
    feet = [foot_at(VISITS, one, (DEMO.seed, VISITS.number), k) for k, one in enumerate(VISITS.films, start=1)]
    for subject, _ in feet:
        assert np.array_equal(bones_of(subject), bones_of(feet[0][0]))
    for (subject, posture), visit in zip(feet, VISITS.films, strict=True):
        assert posture.hva - feet[0][1].hva == pytest.approx(visit.hva)
        assert posture.ima - feet[0][1].ima == pytest.approx(visit.ima)
        assert subject.beam.tilt == pytest.approx(visit.tilt)
        assert not subject.conditions
    values = true_measures([subject for subject, _ in feet])
    worse = next(k for k, one in enumerate(VISITS.films) if one.hva > 5)
    assert values["hva"][worse] - values["hva"][0] > 6.0


def test_the_report_shows_change_a_pair_of_one_day_and_what_cannot_be_compared(written, tmp_path):
    """By the shipped networks: what a newcomer is promised to see."""
    run, report = tmp_path / "result", tmp_path / "report"
    measured = CliRunner().invoke(app, ["measure", str(written / FILMS), "--out", str(run)])
    assert measured.exit_code == 0, measured.output
    call = ["visit", str(run), "--conditions", str(written / CONDITIONS), "--out", str(report)]
    assert CliRunner().invoke(app, call).exit_code == 0
    page = (report / f"{VISITS.person}.html").read_text(encoding="utf-8")

    def verdicts(title):
        table = page[page.index(title) :]
        table = table[: table.index("</table>")]
        return [re.sub(r"(<[^>]+>|\s)+", " ", row).strip() for row in re.findall(r"<tr>.*?</tr>", table, flags=re.S)][
            1:
        ]

    steps = verdicts("HVA from film to film")
    assert steps[0].endswith("within error")
    assert any(step.endswith(" beyond error") for step in steps)
    assert any("not comparable: splint in place" in step for step in steps)
    assert any(
        "different loading: full and partial; different projections: tube tilt 12 and 25" in step for step in steps
    )
    (pair,) = verdicts("HVA, films of one day")
    assert pair.endswith("positional, beyond error")
    (still,) = verdicts("IMA, films of one day")
    assert still.endswith("positional, within error")
    assert "UNCONFIRMED" in page
    assert "That is never progress." in page
