"""Formulas and figures of the project's fact sheet, sections 3.2, 8.1 and 8.4 (tag D)."""

import numpy as np
import pytest
from scipy.stats import studentized_range

from raysplay.configs.load import ConfigError
from raysplay.configs.reader_error import read_reader_errors, reader_error, reader_errors
from raysplay.measure.reader_error import (
    minimal_detectable_change,
    sem_from_interval,
    sem_from_mean_absolute_difference,
    standard_error_of_measurement,
    technical_error,
)

# Bland and Altman, Lancet 1986;i:307: peak flow by two meters, twice each (data of the BlandAltmanLeh package).
WRIGHT = (
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
    [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
)
MINI = (
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
    [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
)


@pytest.mark.parametrize(
    ("sd", "icc", "sem", "mdc"),
    [
        (8.7, 0.90, 2.751, 7.626),  # section 8.4, to 0.001
        (8.7, 0.95, 1.95, 5.4),
        (8.7, 0.99, 0.87, 2.4),
        (3.3, 0.76, 1.62, 4.5),
        (3.3, 0.90, 1.04, 2.9),
        (3.3, 0.98, 0.47, 1.3),
        (5.3, 0.727, 2.77, 7.7),
        (5.3, 0.14, 4.92, 13.6),
    ],
)
def test_sem_and_mdc(sd, icc, sem, mdc):
    exact = icc == 0.90 and sd == 8.7
    found = standard_error_of_measurement(sd, icc)
    assert found == pytest.approx(sem, abs=0.0005 if exact else 0.0051)
    assert minimal_detectable_change(found) == pytest.approx(mdc, abs=0.0005 if exact else 0.051)


def test_factors():
    """MDC95 = 2.77 SEM, and the limits of agreement of two single readings are as wide (8.4)."""
    assert minimal_detectable_change(1.0) == pytest.approx(2.77, abs=0.005)
    assert minimal_detectable_change(1.0) == pytest.approx(1.96 * np.sqrt(2.0), rel=1e-4)
    assert minimal_detectable_change(1.0, level=0.90) == pytest.approx(1.6449 * np.sqrt(2.0), rel=1e-4)


def test_published_spreads_as_sem():
    """Section 3.2: Condon's 3.6 degrees -> 1.84 and 5.1; a mean absolute difference of 2.0 -> 1.77 and 4.9."""
    condon, takeda = sem_from_interval(3.6), sem_from_mean_absolute_difference(2.0)
    assert condon == pytest.approx(1.84, abs=0.0051)
    assert minimal_detectable_change(condon) == pytest.approx(5.1, abs=0.051)
    assert takeda == pytest.approx(1.77, abs=0.0051)
    assert minimal_detectable_change(takeda) == pytest.approx(4.9, abs=0.051)


def test_mean_absolute_difference_by_simulation():
    """Mean |difference| = 0.7979 SD of the difference for normal errors (8.4)."""
    readings = np.random.default_rng(1).normal(0.0, 1.5, (2, 200_000))
    difference = np.abs(readings[0] - readings[1]).mean()
    assert sem_from_mean_absolute_difference(difference) == pytest.approx(1.5, rel=0.01)


@pytest.mark.parametrize(("pairs", "within"), [(WRIGHT, 15.307), (MINI, 19.911)])
def test_technical_error_on_published_data(pairs, within):
    """Within-subject SD of section 8.1."""
    assert technical_error(np.subtract(*pairs)) == pytest.approx(within, abs=0.0006)


def test_shipped_errors_follow_from_what_was_published():
    """hia: three readings within 5 degrees in 81.2 % (scipy's studentized range gives that share back)."""
    assert reader_error("hva").sem == pytest.approx(sem_from_mean_absolute_difference(2.0), abs=0.005)
    assert reader_error("ima").sem == pytest.approx(sem_from_interval(3.6), abs=0.005)
    assert reader_error("dmaa").sem == pytest.approx(standard_error_of_measurement(5.3, 0.727), abs=0.005)
    assert studentized_range.cdf(5.0 / reader_error("hia").sem, 3, np.inf) == pytest.approx(0.812, abs=0.005)
    assert reader_error("head_distance_12").sem == pytest.approx(sem_from_interval(2.0) / np.sqrt(2.0), abs=0.005)
    by_readers = reader_errors()["ima"][1]
    assert by_readers.sem == pytest.approx(sem_from_mean_absolute_difference(0.8), abs=0.005)
    assert reader_error("ima45") is None
    assert all(one.basis and one.source for errors in reader_errors().values() for one in errors)


def test_a_bad_file_is_a_clear_error(tmp_path):
    file = tmp_path / "reader_error.yaml"
    file.write_text("errors: [{measure: hav, sem: 1, basis: b, source: s, tag: P}]", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"reader_error.yaml.*no such measure: hav"):
        read_reader_errors(file)
    file.write_text("errors: [{measure: hva, sem: 0, basis: b, source: s, tag: P}]", encoding="utf-8")
    with pytest.raises(ConfigError, match="greater than 0"):
        read_reader_errors(file)
