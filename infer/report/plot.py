"""A plot of a report: drawn once, as SVG for the page and PNG for paper; no colour is needed to read it."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Literal

from raysplay.infer.report.document import Picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.hashsalt": "raysplay",
    "svg.fonttype": "path",
    "lines.linewidth": 1.0,
}
"""The same words and numbers give the same bytes: identifiers are salted, letters are paths."""


def plot(
    draw: Callable[[Figure], None],
    width: float,
    height: float,
    *,
    font_size: float,
    dpi: int = 150,
    layout: Literal["constrained"] | None = "constrained",
    style: Mapping[Any, float] | None = None,
    paper: bool = True,
) -> Picture:
    """What ``draw`` puts into a figure, without a caption.

    Parameters
    ----------
    draw : callable
        Takes the empty figure.
    width, height : float
        On paper, mm.
    font_size : float
        Points.
    dpi : int
        Of the PNG.
    layout : {'constrained'}, optional
        Layout engine of matplotlib; None where ``draw`` places all by itself.
    style : mapping, optional
        Further settings of matplotlib, by their names there.
    paper : bool
        Whether the PNG is made, too; a page needs none.
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with matplotlib.rc_context({**_STYLE, "font.size": font_size, **(style or {})}):
        figure = Figure(figsize=(width / 25.4, height / 25.4), layout=layout)
        FigureCanvasAgg(figure)
        draw(figure)
        if layout is not None:
            figure.draw_without_rendering()
            figure.set_layout_engine("none")  # laid out once for both files
        drawing, picture = io.StringIO(), io.BytesIO()
        figure.savefig(drawing, format="svg", dpi=dpi, metadata={"Date": None})
        if paper:
            figure.savefig(picture, format="png", dpi=dpi)
    return Picture("", drawing.getvalue(), picture.getvalue(), width, height)
