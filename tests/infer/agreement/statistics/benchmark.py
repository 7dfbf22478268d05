"""Time of all statistics: 2,000 films of 1,000 persons, 5 readers, 2 sessions, 12 measures, with bootstrap intervals.

``.venv/bin/python tests/infer/agreement/statistics/benchmark.py``; to take less than 60 s on two cores.
"""

import time

import numpy as np

from raysplay.infer.agreement.statistics import bias as size
from raysplay.infer.agreement.statistics.accuracy import accuracy
from raysplay.infer.agreement.statistics.concordance import concordance
from raysplay.infer.agreement.statistics.interchange import interchangeability
from raysplay.infer.agreement.statistics.intraclass import intraclass
from raysplay.infer.agreement.statistics.kappa import weighted_kappa
from raysplay.infer.agreement.statistics.limits import limits_of_agreement, limits_regression, limits_replicated
from raysplay.infer.agreement.statistics.regression import deming, passing_bablok
from raysplay.infer.agreement.statistics.repeatability import standard_error_of_measurement, within_subject_sd
from raysplay.infer.agreement.statistics.review_yield import error_against_review, interval_coverage, review_needed

FILMS, READERS, SESSIONS, MEASURES = 2000, 5, 2, 12


def main() -> None:
    spent: dict[str, float] = {}

    def timed(name, function, *given, **named):
        start = time.process_time()
        found = function(*given, **named)
        spent[name] = spent.get(name, 0.0) + time.process_time() - start
        return found

    began = time.perf_counter()
    person = np.repeat(np.arange(FILMS // 2), 2)
    for measure in range(MEASURES):
        rng = np.random.default_rng(measure)
        truth = rng.normal(25, 8, FILMS)
        reads = truth[:, None, None] + rng.normal(0, 1, (1, READERS, 1)) + rng.normal(0, 2, (FILMS, READERS, SESSIONS))
        reads = np.round(reads, 1)
        reads[rng.random(reads.shape) < 0.02] = np.nan
        width = rng.uniform(1, 4, FILMS)
        tool = np.round(truth + rng.normal(0.3, 1, FILMS) * width / 2, 1)
        means = np.nanmean(reads, axis=2)
        for reader in range(READERS):
            x, d = means[:, reader], tool - means[:, reader]
            timed("bias", size.bias, d, person)
            timed("mean absolute error", size.mean_absolute_error, d, person)
            timed("root mean square error", size.root_mean_square_error, d, person)
            timed("share within", size.share_within, d, 3.0, person)
            timed("limits", limits_of_agreement, d, person)
            timed("limits of single reads", limits_replicated, tool[:, None], reads[:, reader])
            timed("limits by regression", limits_regression, d, (tool + x) / 2, person)
            timed("concordance", concordance, tool, x, person)
            timed("Deming", deming, x, tool, groups=person)
            timed("Passing and Bablok", passing_bablok, x, tool, person)
            timed("within-subject SD", within_subject_sd, reads[:, reader], person)
            timed("accuracy", accuracy, tool, x, 25.0, groups=person)
            grades = np.digitize(np.nan_to_num(x), [15, 25, 35]), np.digitize(tool, [15, 25, 35])
            timed("kappa", weighted_kappa, *grades, "quadratic", groups=person)
        timed("intraclass", intraclass, reads[:, :, 0], person)
        timed("standard error", standard_error_of_measurement, reads[:, :, 0], groups=person)
        timed("interchange", interchangeability, tool, reads, 4.0, person)
        timed("review yield", error_against_review, tool - truth, width, groups=person)
        timed("share to review", review_needed, tool - truth, width, 0.8, groups=person)
        timed("coverage", interval_coverage, tool - width, tool + width, truth, 0.9, person)
    for name, seconds in sorted(spent.items(), key=lambda one: -one[1]):
        print(f"{seconds:7.2f} s  {name}")
    print(f"{sum(spent.values()):7.2f} s of processor, {time.perf_counter() - began:.1f} s in all")


if __name__ == "__main__":
    main()
