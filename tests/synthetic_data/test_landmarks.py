"""Cortex landmarks lie on the silhouette of the bone that is on the film. Definition: ``configs/landmarks.yaml``."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from scipy.ndimage import map_coordinates

from raysplay.configs import landmark_schema
from raysplay.synthetic_data.anatomy.rest import bone_index
from raysplay.synthetic_data.projection.shadow import cast
from raysplay.synthetic_data.subject import draw_subject

SHAFTS = {
    "M1": "metatarsal_1",
    "M2": "metatarsal_2",
    "M4": "metatarsal_4",
    "M5": "metatarsal_5",
    "PP": "proximal_phalanx_1",
    "PP5": "proximal_phalanx_5",
}
PIXEL = 0.2


def alone(subject, name):
    present = np.zeros_like(subject.foot.present)
    present[bone_index(name)] = True
    return replace(subject, foot=replace(subject.foot, present=present))


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("mirror", [1.0, -1.0])
@pytest.mark.parametrize("code", SHAFTS)
def test_cortices_lie_on_the_silhouette_at_30_and_70_percent(code, mirror, seed):
    subject, _ = draw_subject([41, seed + 1])
    subject = alone(subject, SHAFTS[code])
    size = (600, 600)
    c, s = np.cos(0.7), np.sin(0.7)
    turn = np.array([[c, -s], [s, c]]) @ np.diag([mirror, -1.0]) / PIXEL
    centre = cast([subject], torch.eye(3)[None], (32, 32)).detector_points[0].double().numpy()
    schema = landmark_schema()
    index = [schema.index(f"{code}{end}") for end in ("p_med", "p_lat", "d_med", "d_lat")]
    matrix = np.eye(3)
    matrix[:2, :2] = turn
    matrix[:2, 2] = 300 - turn @ centre[index].mean(0)
    shadow = cast([subject], torch.tensor(matrix)[None], size)
    bone = shadow.outer[0].numpy() > 0
    points = shadow.points[0].double().numpy()[index]

    axis = points[2:].mean(0) - points[:2].mean(0)
    axis /= np.linalg.norm(axis)
    across = points[1] - points[0]
    across -= axis * (across @ axis)
    across /= np.linalg.norm(across)

    def inside(at):
        return map_coordinates(bone.astype(float), [[at[1]], [at[0]]], order=0)[0] > 0.5

    # A raised fifth toe can point 50 degrees up; its rings then overlap on the film and the level is less sharp.
    reach = 2.0 if code == "PP5" else 1.2
    for point, outward in zip(points, (-across, across, -across, across), strict=True):
        assert inside(point - reach * outward)
        assert not inside(point + reach * outward)

    rows, columns = np.nonzero(bone)
    along = (np.stack([columns, rows], axis=1) - points[:2].mean(0)) @ axis
    length = along.max() - along.min()
    share = (0.0 - along.min()) / length, ((points[2:].mean(0) - points[:2].mean(0)) @ axis - along.min()) / length
    assert share == pytest.approx((0.30, 0.70), abs=1.5 / length)
