"""A known foot in place of the networks, loadable in reading processes: ``known_foot:known``.

Films are small; the golden foot of the fact sheet (section 8.5) is drawn to fit them. Names of films say what goes
wrong on them, once (``-once``, and a file above the folder that remembers it) or always.
"""

import json
import os
import signal
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from raysplay.configs.load import landmark_schema
from raysplay.infer.records import FootLandmarks, FoundFoot

GOLDEN = json.loads((Path(__file__).parents[2] / "data" / "golden_points.json").read_text(encoding="utf-8"))
SIDE = 128
SCALE = 0.6
"""Pixels a millimetre."""


class Known:
    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self):
        schema = landmark_schema()
        known = {code: np.asarray(GOLDEN["points"][code]) for code in schema.codes if code in GOLDEN["points"]}
        middle = np.mean(list(known.values()), axis=0)
        mm = np.stack([known.get(code, middle) for code in schema.codes])
        points = mm * [SCALE, -SCALE]
        points += SIDE / 2 - (points.max(0) + points.min(0)) / 2
        matrix = np.diag([0.1, 0.1, 1.0])
        view = {"dp": 0.97, "oblique": 0.02, "lateral": 0.005, "other": 0.005}
        foot = FoundFoot(matrix, "R", 0.99, 0.98, view)
        covariance = np.broadcast_to(0.01 * np.eye(2), (len(schema), 2, 2)).copy()
        self.placed = FootLandmarks(foot, points, covariance, np.full(len(schema), 0.95))

    def find(self, film):
        name = film.path.name
        if "once" in name:
            done = film.path.parents[1] / f".{film.path.stem}.done"
            if done.exists():
                return [self.placed.foot]
            done.touch()
        if "kills" in name:
            os.kill(os.getpid(), signal.SIGKILL)
        if "slow" in name:
            time.sleep(600)
        if "grows" in name:
            with film.path.open("ab") as stream:
                stream.write(b"\0")
        return [] if "none" in name else [self.placed.foot]

    def landmarks(self, film, foot):
        # Numbers differ from film to film, so that a film under another's name would be noticed.
        shift = film.pixels[0, :8].astype(float).mean()
        return replace(self.placed, foot=foot, points=self.placed.points + np.array([0.0, shift]))


def known(threads=None, landmark_weights=None):
    return Known()


def write_films(folder, names, start=0):
    """Small films whose bytes all differ."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(names, start=start):
        write_film(folder / name, number)


def write_film(path, number, **options):
    pixels = np.full((SIDE, SIDE), 0, dtype=np.uint8)
    pixels[30:100, 40:90] = 200
    pixels[0, :8] = [(number >> shift) & 0xF for shift in range(28, -4, -4)]
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(pixels).save(path, **options)


def lateral(threads=None, landmark_weights=None):
    """The same, but films named ``one.png`` are seen from the side."""
    return Lateral()


class Lateral(Known):
    def find(self, film):
        side = {"dp": 0.01, "oblique": 0.01, "lateral": 0.97, "other": 0.01}
        found = super().find(film)
        return [replace(foot, view=side) for foot in found] if film.path.name == "one.png" else found
