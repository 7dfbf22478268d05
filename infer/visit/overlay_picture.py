"""The run's picture of a foot on its film, where it still shows what stands."""

from __future__ import annotations

import base64
import io
from pathlib import Path

from raysplay.infer.outputs.names import overlay_name
from raysplay.infer.outputs.run_files import OVERLAYS
from raysplay.infer.report.document import Picture
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.language import Language

_WIDEST_MM, _HIGHEST_MM, _PIXELS = 165.0, 215.0, 1500


def overlay_picture(foot: FootOnFilm, run: Path, words: Language) -> tuple[Picture | None, str]:
    """The overlay, or None and the key of the sentence that says why there is none.

    A foot of which anything was changed has none: the run drew the model's points, numbers and side.
    """
    changed = foot.standing.corrected_by is not None or foot.standing.side_by is not None or foot.standing.reading.anew
    if changed or foot.standing.reading.accepted:
        return None, "overlay_stale"
    path = run / OVERLAYS / overlay_name(foot.film.name, foot.index, foot.side)
    from PIL import Image

    try:
        with Image.open(path) as opened:
            image = opened.convert("RGB")
    except OSError:
        return None, "overlay_none"
    image.thumbnail((_PIXELS, _PIXELS))
    stream = io.BytesIO()
    image.save(stream, "PNG")  # a tenth smaller would take eight times as long
    png = stream.getvalue()
    data = base64.b64encode(png).decode("ascii")
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{image.width}" height="{image.height}" '
        f'viewBox="0 0 {image.width} {image.height}"><image width="{image.width}" height="{image.height}" '
        f'href="data:image/png;base64,{data}"/></svg>'
    )
    scale = min(_WIDEST_MM / image.width, _HIGHEST_MM / image.height)
    caption = words.say("overlay_caption")
    return Picture(caption, svg, png, image.width * scale, image.height * scale), ""
