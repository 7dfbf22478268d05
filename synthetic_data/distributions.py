"""Generated feet against published figures: ``raysplay distributions OUT [--n 400]``.

Writes ``distributions.csv``, a row for each published figure with the same figure of generated feet, and
``distributions.png``. Angles and distances between landmarks are those of the film; sizes of single bones and
inclinations are taken in space, where a film would add its magnification and its tilt.
"""

from __future__ import annotations

import csv
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
from pydantic import ConfigDict, Field

from raysplay.configs import landmark_schema
from raysplay.configs.load import Config, load
from raysplay.measure import measure_values
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.rest import FINE, bone_index
from raysplay.synthetic_data.projection.shadow import Subject, project_subjects
from raysplay.synthetic_data.subject import draw_subject

FloatArray = npt.NDArray[np.float64]

ON_FILM = {
    **{name: name for name in ("hva", "ima", "hia", "ima45", "dmaa", "ppaa", "tsp")},
    **{name: name for name in ("mtp1_joint", "congruency_index", "m1_base_obliquity", "cuneiform_obliquity")},
    "tn_coverage": "tn_coverage",
    "maa": "maa_mc5",
    "eminence": "eminence_width",
    **{f"m{ray}_arc": f"m{ray}_protrusion_arc" for ray in (1, 3, 4, 5)},
}
"""Quantities that are measures of the projected landmarks, with the measure's name."""

_BATCH = 16
_SEED = 40823
"""Keeps these feet apart from those of training and of composed films."""


class Published(Config):
    """One published figure; see the head of ``published.yaml``."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    quantity: str
    group: str = "everyone"
    mean: float | None = None
    sd: float | None = None
    range: tuple[float, float] | None = None
    share: float | None = None
    above: float | None = None
    below: float | None = None
    correlation: float | None = None
    other: str | None = Field(default=None, alias="with")
    source: str
    evidence: str

    @property
    def item(self) -> str:
        """The figure in words."""
        name = self.quantity
        if self.share is not None:
            name += f" > {self.above:g}" if self.above is not None else f" < {self.below:g}"
        if self.correlation is not None:
            name += f" with {self.other}"
        return f"{name}, {self.group}"


class _PublishedFile(Config):
    rows: tuple[Published, ...]


@lru_cache(maxsize=1)
def published() -> tuple[Published, ...]:
    """Every row of ``published.yaml``."""
    return load(_PublishedFile, Path(__file__).parent / "anatomy" / "published.yaml").rows


def _in_space(subject: Subject, posture: Posture) -> dict[str, float]:
    """Quantities of one foot that no film is needed for."""
    person, foot = subject.person, subject.foot
    shapes, half = person.shapes, FINE // 2

    def length(bone: str) -> float:
        return float(shapes["length"][bone_index(bone)])

    second = bone_index("metatarsal_2")
    values = {
        "pronation": posture.pronation,
        "mt1_length": length("metatarsal_1"),
        "mt2_length": length("metatarsal_2"),
        "pp1_length": length("proximal_phalanx_1"),
        "dp5_length": length("distal_phalanx_5"),
        "mt1_width": float(shapes["width"][bone_index("metatarsal_1"), half]),
        "mt2_width": float(shapes["width"][second, half]),
        "mt2_cortex": float(shapes["cortex"][second, 0]),
        "bipartite": float(person.present[bone_index("medial_sesamoid_half")]),
        "part": float(posture.part),
        "female": float(person.female),
    }
    for ray in range(2, 6):
        values[f"pp{ray}_head"] = float(shapes["width"][bone_index(f"proximal_phalanx_{ray}"), -FINE // 4 :].max())
    for ray in range(1, 6):
        axis = foot.turn.T @ foot.frame[bone_index(f"metatarsal_{ray}")][:, 1]
        values[f"inclination_{ray}"] = float(np.degrees(np.arcsin(-axis[2])))
    return values


def measure_feet(count: int, seed: int = _SEED) -> dict[str, FloatArray]:
    """Quantities of ``count`` generated feet, each an array of shape (count,); ``part`` and ``female`` tell groups."""
    rows: list[dict[str, float]] = []
    for start in range(0, count, _BATCH):
        drawn = [draw_subject([seed, k]) for k in range(start, min(start + _BATCH, count))]
        subjects = [subject for subject, _ in drawn]
        shadow = project_subjects(subjects, torch.eye(3).expand(len(drawn), 3, 3), (8, 8))
        points = shadow.detector_points.double().numpy()
        points[~shadow.placed.numpy()] = np.nan
        measured = measure_values(points, landmark_schema(), millimetres=True)
        for k, (subject, posture) in enumerate(drawn):
            film = {name: float(measured[measure][k]) for name, measure in ON_FILM.items()}
            rows.append(film | _in_space(subject, posture))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def _members(feet: dict[str, FloatArray], group: str) -> npt.NDArray[np.bool_]:
    part, female = feet["part"], feet["female"]
    groups: dict[str, npt.NDArray[np.bool_]] = {
        "everyone": np.ones_like(part, bool),
        "normal": part == 0,
        "valgus": part == 1,
        "male": female == 0,
        "female": female == 1,
    }
    return groups[group]


def compare(feet: dict[str, FloatArray]) -> list[dict[str, object]]:
    """A row for each published figure with that of the generated feet."""
    rows: list[dict[str, object]] = []
    for row in published():
        members = _members(feet, row.group)
        values = feet[row.quantity][members]
        known = np.isfinite(values)
        generated: dict[str, float | None] = {"mean": None, "sd": None, "share": None, "correlation": None}
        if row.share is not None:
            above = -np.inf if row.above is None else row.above
            below = np.inf if row.below is None else row.below
            generated["share"] = float(np.mean((values[known] > above) & (values[known] < below)))
        elif row.other is not None:
            other = feet[row.other][members]
            known &= np.isfinite(other)
            generated["correlation"] = float(np.corrcoef(values[known], other[known])[0, 1])
        else:
            generated["mean"], generated["sd"] = float(values[known].mean()), float(values[known].std(ddof=1))
        low, high = row.range or (None, None)
        stated = {"mean": row.mean, "sd": row.sd, "low": low, "high": high, "share": row.share}
        rows.append(
            {
                "item": row.item,
                "feet": int(known.sum()),
                **{f"generated_{key}": value for key, value in generated.items()},
                **{f"published_{key}": value for key, value in stated.items()},
                "published_correlation": row.correlation,
                "source": row.source,
                "evidence": row.evidence,
            }
        )
    return rows


def _draw(feet: dict[str, FloatArray], out: Path) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    shown = [row for row in published() if row.share is None and row.correlation is None]
    columns = 7
    figure = Figure(figsize=(22, 3.0 * -(-(len(shown) + 1) // columns)), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(-(-(len(shown) + 1) // columns), columns).flatten()
    first = panels[0]
    for part in np.unique(feet["part"]):
        some = feet["part"] == part
        first.plot(feet["hva"][some], feet["ima"][some], ".", markersize=3)
    first.set(title="HVA and IMA by part of the mixture", xlabel="HVA", ylabel="IMA")
    for panel, row in zip(panels[1:], shown, strict=False):
        values = feet[row.quantity][_members(feet, row.group)]
        panel.hist(values[np.isfinite(values)], bins=24, density=True, color="0.75")
        mark = "" if row.evidence == "seen" else f" ({row.evidence})"
        panel.set_title(row.item + mark, fontsize=9)
        if row.range is not None:
            panel.axvspan(*row.range, color="tab:orange", alpha=0.25)
        if row.mean is not None:
            panel.axvline(row.mean, color="tab:red")
        if row.mean is not None and row.sd is not None:
            at = np.linspace(row.mean - 3 * row.sd, row.mean + 3 * row.sd, 80)
            bell = np.exp(-0.5 * ((at - row.mean) / row.sd) ** 2) / (row.sd * np.sqrt(2 * np.pi))
            panel.plot(at, bell, color="tab:red")
    for panel in panels[len(shown) + 1 :]:
        panel.set_axis_off()
    figure.savefig(out, dpi=70)


def write(out: Path, count: int) -> list[dict[str, object]]:
    """Write ``distributions.csv`` and ``distributions.png`` of ``count`` feet into the folder ``out``."""
    out.mkdir(parents=True, exist_ok=True)
    feet = measure_feet(count)
    rows = compare(feet)
    with (out / "distributions.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        for row in rows:
            writer.writerow({key: f"{v:.3g}" if isinstance(v, float) else v for key, v in row.items()})
    _draw(feet, out / "distributions.png")
    return rows
