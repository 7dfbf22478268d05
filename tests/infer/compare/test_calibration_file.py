"""The calibration section of decision.yaml: worked by hand, through the command, and on new feet."""

import datetime

import numpy as np
import pytest
import yaml

from raysplay.infer.compare.calibration_file import CalibrationError, calibrate_run, calibration_section
from raysplay.infer.compare.evaluation import Pairing, pair_feet
from raysplay.infer.compare.run_tables import MeasuredArchive, MeasuredFoot
from raysplay.infer.compare.truth import TrueFoot
from raysplay.infer.decide.settings import IntervalLimits, decision_settings

TODAY = datetime.date(2026, 11, 25)


def archive(errors, half=2.0, seed="31", decision="accepted"):
    """One foot a film, true HVA 20."""
    truth = [TrueFoot(f"f{k}", "L", "dp", {"hva": 20.0}, seed=seed) for k in range(len(errors))]
    halves = np.broadcast_to(half, len(errors))
    films = {
        f"f{k}": (MeasuredFoot("L", decision, "", {"hva": (20 + e, 20 + e - h, 20 + e + h)}),)
        for k, (e, h) in enumerate(zip(errors, halves, strict=True))
    }
    run = MeasuredArchive(films, None, {"hva": "shaft", "ima": "shaft"})
    return pair_feet(run, truth), run


def section(matched, run, level=0.9, inflation=None):
    return calibration_section(matched.pairs, run.constructions, level=level, inflation=inflation or {}, date=TODAY)


def test_worked_by_hand():
    """Errors 1 to 19 in half widths of 2: rank 18 of 20, 18 / 2 = 9, times the factor 0.5 of the run."""
    made = section(*archive(np.arange(1.0, 20.0)), inflation={"hva": 0.5})
    assert made == {
        "inflation": {"hva": 4.5},
        "calibrated": {
            "level": 0.9,
            "films": 19,
            "feet": {"hva": 19},
            "source": "generated films, seed 31",
            "date": TODAY,
        },
    }


def test_the_part_of_a_bones_shape_bears_no_factor():
    """Half width and error 5 with a part of 3 leave 4 of each: the same rank and factor as without the part."""
    quantile = 1.6448536269514722  # of the normal distribution at 95 % (tables)
    errors = np.hypot(np.arange(1.0, 20.0), 3.0)
    matched, run = archive(errors, half=np.hypot(2.0, 3.0))
    made = calibration_section(
        matched.pairs, run.constructions, level=0.9, inflation={}, shape_sd={"hva": 3.0 / quantile}, date=TODAY
    )
    assert made["inflation"] == {"hva": pytest.approx(9.0, abs=2e-3)}


def test_feet_that_were_refused_do_not_count_and_films_of_people_are_called_so():
    matched, run = archive(np.arange(1.0, 20.0), seed="")
    refused, _ = archive(np.full(3, 500.0), decision="refused")
    made = section(Pairing(matched.pairs + refused.pairs, ()), run)
    assert made["calibrated"]["feet"] == {"hva": 19}
    assert made["calibrated"]["source"] == "films read by people"


def test_too_few_films_promise_nothing():
    with pytest.raises(CalibrationError, match="hva: 8 films are too few"):
        section(*archive(np.ones(8)))
    with pytest.raises(CalibrationError, match="no measured foot"):
        section(*archive(np.ones(0)))


def test_a_factor_is_never_rounded_down():
    errors = np.random.default_rng(4).normal(size=99)
    matched, run = archive(errors)
    factor = section(matched, run)["inflation"]["hva"]
    exact = np.sort(np.abs(errors))[89] / 2
    assert exact <= factor < exact + 0.001


def test_new_feet_are_held():
    """Simulation: whatever the widths were before, those with the factor hold the level (within the error of 40
    calibrations on 199 feet: the spread of one is that of Beta(180, 20), 0.021)."""
    rng = np.random.default_rng(9)
    held = []
    for _ in range(40):
        half = rng.uniform(0.3, 3.0, 199)
        made = section(*archive(rng.standard_t(3, 199) * half, half))
        new = rng.standard_t(3, 2000)
        held.append(np.mean(np.abs(new) <= made["inflation"]["hva"]))
    assert np.mean(held) == pytest.approx(0.9, abs=0.012)


def test_the_file_fits_the_decision(tmp_path, monkeypatch):
    matched, run = archive(np.arange(1.0, 20.0))
    module = "raysplay.infer.compare.calibration_file"
    run = MeasuredArchive(run.films, None, run.constructions, {}, {"decision.yaml": "right"})
    monkeypatch.setattr(f"{module}.digest", lambda path: "right")
    file = calibrate_run(matched, run, 0.8, tmp_path)
    written = yaml.safe_load(file.read_text(encoding="utf-8"))
    shipped = decision_settings().interval
    limits = IntervalLimits.model_validate({**shipped.model_dump(), **written})
    assert limits.calibrated.level == 0.8
    assert limits.calibrated.date == datetime.date.today()
    assert limits.inflation["hva"] == pytest.approx(16 / 2 * shipped.inflation.get("hva", 1.0), abs=1e-3)

    monkeypatch.setattr(f"{module}.digest", lambda path: "other")
    with pytest.raises(CalibrationError, match="another decision"):
        calibrate_run(matched, run, 0.8, tmp_path)
