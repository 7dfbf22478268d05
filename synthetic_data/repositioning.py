"""What a new film of the same foot changes: ``python -m raysplay.synthetic_data.repositioning [--n 400]``.

Every foot is stood up and exposed twice within one technique (``configs/repositioning.yaml``). Its bones and the angles
between them stay; beam, pitch and roll differ. What the measures of its two shadows differ by, by their definitions and
without any reading error, is the error of re-positioning.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import torch

from raysplay.configs import landmark_schema
from raysplay.configs.load import Config, load, shipped
from raysplay.measure import measure_values
from raysplay.synthetic_data.anatomy.pose import pose
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.soft_tissue import soft_tissue
from raysplay.synthetic_data.projection.beam import Beam
from raysplay.synthetic_data.projection.shadow import Subject, project_subjects
from raysplay.synthetic_data.subject import draw_subject

FloatArray = npt.NDArray[np.float64]
Pair = tuple[float, float]

_SEED = 52361
"""Keeps these feet apart from those of training, of composed films and of ``distributions.py``."""

_BATCH = 16


class Technique(Config):
    """Distributions of the beam within one technique: degrees and mm; see ``configs/repositioning.yaml``."""

    tilt: Pair
    side_tilt: Pair
    centring: float
    distance: Pair
    gap: Pair

    def draw(self, rng: np.random.Generator) -> Beam:
        """The beam of one exposure."""
        return Beam(
            distance=float(rng.uniform(*self.distance)),
            tilt=float(rng.uniform(*self.tilt)),
            side_tilt=float(rng.normal(*self.side_tilt)),
            x=float(rng.normal(18.0, self.centring)),
            y=float(rng.normal(-55.0, self.centring)),
            gap=float(rng.uniform(*self.gap)),
        )


class Stance(Config):
    """How differently a foot stands the second time: standard deviations in degrees."""

    pitch: float
    roll: float

    def draw(self, rng: np.random.Generator, posture: Posture) -> Posture:
        """The same foot stood up anew."""
        return replace(
            posture,
            foot_pitch=float(posture.foot_pitch + rng.normal(0.0, self.pitch)),
            foot_roll=float(posture.foot_roll + rng.normal(0.0, self.roll)),
        )


class RepositioningSettings(Config):
    """All of ``repositioning.yaml``."""

    technique: Technique
    stance: Stance


@lru_cache(maxsize=1)
def repositioning_settings() -> RepositioningSettings:
    """The shipped settings."""
    return load(RepositioningSettings, shipped("repositioning.yaml"))


def expose_anew(
    subject: Subject, posture: Posture, rng: np.random.Generator, settings: RepositioningSettings
) -> Subject:
    """The same foot, stood up and exposed once more by the same technique.

    Parameters
    ----------
    subject : Subject
        Gives the person: bones, skin thickness and density stay.
    posture : Posture
        Angles that the foot stands with. Another than the subject's own is a foot that has changed.
    rng : numpy.random.Generator
    settings : RepositioningSettings
    """
    foot = pose(subject.person, settings.stance.draw(rng, posture))
    foot = replace(foot, present=subject.foot.present, whole=subject.foot.whole)
    skin = soft_tissue(rng, subject.person, foot)
    return replace(subject, foot=foot, skin=skin, beam=settings.technique.draw(rng))


@dataclass(frozen=True)
class Pairs:
    """Measures of F feet on two films each.

    Attributes
    ----------
    first, second : dict of str to ndarray, shape (F,)
        By measure; degrees, mm on the detector, ratios; ``nan`` where a bone is not there.
    """

    first: dict[str, FloatArray]
    second: dict[str, FloatArray]

    def within_subject_sd(self, measure: str, among: npt.NDArray[np.bool_] | None = None) -> float:
        """Standard deviation of one film of a foot about that foot's mean: ``sqrt(mean(d**2) / 2)``.

        The within-subject standard deviation of Bland and Altman (Lancet 1986;i:307); ``d`` are differences of pairs.
        """
        difference = self.second[measure] - self.first[measure]
        if among is not None:
            difference = difference[among]
        difference = difference[np.isfinite(difference)]
        return float(np.sqrt(np.mean(difference**2) / 2.0))


def pairs_of_films(count: int, seed: int = _SEED, settings: RepositioningSettings | None = None) -> Pairs:
    """Two films each of ``count`` generated feet, measured on their projected landmarks."""
    settings = settings or repositioning_settings()
    found: tuple[dict[str, list[FloatArray]], dict[str, list[FloatArray]]] = ({}, {})
    for start in range(0, count, _BATCH):
        drawn = [(k, *draw_subject([seed, k])) for k in range(start, min(start + _BATCH, count))]
        for which, films in enumerate(found):
            subjects = [
                expose_anew(subject, posture, np.random.default_rng([seed, k, which]), settings)
                for k, subject, posture in drawn
            ]
            for measure, values in true_measures(subjects).items():
                films.setdefault(measure, []).append(values)
    first, second = ({name: np.concatenate(parts) for name, parts in films.items()} for films in found)
    return Pairs(first, second)


def true_measures(subjects: list[Subject]) -> dict[str, FloatArray]:
    """Every measure of the subjects' shadows, (F,) each, by the definitions of ``measure/``."""
    shadow = project_subjects(subjects, torch.eye(3).expand(len(subjects), 3, 3), (8, 8))
    points = shadow.detector_points.double().numpy()
    points[~shadow.placed.numpy()] = np.nan
    return measure_values(points, landmark_schema(), millimetres=True)


def main() -> None:
    """Print the error of re-positioning for every measure of the default protocol, and by severity."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--n", type=int, default=400, help="feet")
    parser.add_argument("--seed", type=int, default=_SEED)
    arguments = parser.parse_args()
    pairs = pairs_of_films(arguments.n, arguments.seed)
    bent = pairs.first["hva"] >= 20.0
    print("measure, within-subject sd over new films: all feet, HVA below 20, HVA 20 and above")
    for measure in ("hva", "ima", "hia", "ima45", "dmaa", "mtp1_joint", "ppaa", "maa_mc4", "tsp", "eminence_width"):
        parts = (None, ~bent, bent)
        print(measure, *(f"{pairs.within_subject_sd(measure, among):.2f}" for among in parts))


if __name__ == "__main__":
    main()
