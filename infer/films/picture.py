"""Reads a radiograph from a PNG, JPEG or TIFF file."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageOps

from raysplay.infer.films.film import Damage, Film, FilmRejected, Spacing
from raysplay.infer.films.greyscale import colour_to_grey, percentile_grey, photograph_to_grey
from raysplay.infer.films.jpeg import decode_jpeg, luminance, read_frame
from raysplay.infer.films.remark import PHOTOGRAPH, Remark, RemarkKind
from raysplay.infer.films.resolution import stated_aspect
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.films.sniff import FileFormat
from raysplay.infer.films.tiff import check_parts
from raysplay.infer.films.torn import seen_damage
from raysplay.infer.reason import ReasonKind

_ORIENTATION = 0x0112
_PHOTOMETRIC = 262
_MIN_IS_WHITE = 0
_LIES_ON_ITS_SIDE = (5, 6, 7, 8)


def read_picture(content: bytes, path: Path, limits: FilmLimits, kind: FileFormat) -> Film:
    """Film in the bytes of a picture file, turned as its EXIF orientation says.

    Resolution tags of picture files describe print, not the patient, so the spacing stays unknown. Pixels are taken as
    square unless the tags differ along columns and rows.

    Raises
    ------
    FilmRejected
        For whatever is no single grey picture of an allowed size, or cannot be decoded.
    """
    # The library guards against sizes beyond any reason; check_size judges all others and names them.
    Image.MAX_IMAGE_PIXELS = limits.max_side**2
    remarks: list[Remark] = []
    try:
        with Image.open(io.BytesIO(content), formats=[kind.value]) as picture:
            limits.check_size(picture.height, picture.width)
            # Pages are not counted: a small file can hold very many.
            if getattr(picture, "is_animated", False) and picture.format in ("TIFF", "PNG"):
                raise FilmRejected("a picture file with several pages, not a single film")
            white_is_zero = (
                kind is FileFormat.TIFF and getattr(picture, "tag_v2", {}).get(_PHOTOMETRIC) == _MIN_IS_WHITE
            )
            orientation = picture.getexif().get(_ORIENTATION, 1)
            turned = orientation not in (0, 1)
            decoded: Image.Image = picture
            damage, frame = None, None
            if kind is FileFormat.JPEG:
                decoded, damage = _decode_jpeg(content, picture, limits)
                decoded.getexif()[_ORIENTATION] = orientation
            if kind is FileFormat.TIFF:
                frame = check_parts(content, picture.tag_v2, limits)  # type: ignore[attr-defined]
            decoded.load()
            if frame is not None and decoded.mode == "L":
                damage = seen_damage(np.asarray(decoded), frame)
            aspect = stated_aspect(picture)
            upright = ImageOps.exif_transpose(decoded) if turned else decoded
            grey = _grey(upright, limits, remarks, white_is_zero)
    except (FilmRejected, MemoryError, RecursionError):
        raise
    except Image.DecompressionBombError as error:
        raise FilmRejected("too large: the picture declares too many pixels") from error
    except Exception as error:
        raise FilmRejected(f"the {kind.value} picture is truncated or damaged ({type(error).__name__})") from error
    if turned:
        _note(remarks, "turned as its EXIF orientation says")
    if aspect is not None and orientation in _LIES_ON_ITS_SIDE:
        aspect = 1.0 / aspect
    shape = "pixels taken as square" if aspect is None else f"pixels not square by its resolution tags ({aspect:.4g})"
    _note(remarks, f"picture file: no trustworthy pixel spacing, {shape}, lengths withheld")
    _note(remarks, "loading, side and view unknown: a picture file does not state them")
    return Film(path=path, pixels=grey, spacing=Spacing(aspect=aspect or 1.0), damage=damage, remarks=tuple(remarks))


def _note(remarks: list[Remark], text: str) -> None:
    remarks.append(Remark(RemarkKind.PICTURE_FILE, text))


def _decode_jpeg(content: bytes, picture: Image.Image, limits: FilmLimits) -> tuple[Image.Image, Damage | None]:
    """The decoded picture of a JPEG file, and what looks damaged of it; ``picture`` is the file as just opened."""
    frame = read_frame(content, limits)
    limits.check_size(frame.rows, frame.columns)
    pixels = decode_jpeg(content, frame)
    if frame.components == 4:  # the library knows which of these are stored inverted
        return picture, None
    return Image.fromarray(pixels), seen_damage(luminance(content, frame, pixels), frame)


def _grey(
    picture: Image.Image, limits: FilmLimits, remarks: list[Remark], white_is_zero: bool
) -> npt.NDArray[np.float32]:
    if picture.mode.startswith("I;16"):
        pixels = np.asarray(picture).astype(np.uint16)
        if white_is_zero:  # the library undoes it for 8 bits only
            pixels = 65535 - pixels
        remarks.append(Remark(RemarkKind.WINDOW_GUESSED, "16-bit picture: window set by percentiles"))
        return percentile_grey(pixels, limits.percentile_window, beyond=limits.beyond_window)
    if picture.mode in ("1", "I", "F"):
        kinds = {"1": "black and white only", "I": "32-bit integers", "F": "floating-point numbers"}
        raise FilmRejected(f"a picture of {kinds[picture.mode]}, which is not read")

    alpha: npt.NDArray[np.uint8] | None = None
    if picture.has_transparency_data:
        picture = picture.convert("RGBA" if picture.mode not in ("L", "LA") else "LA")
        alpha = np.asarray(picture.getchannel("A"))
        picture = picture.convert("L" if picture.mode == "LA" else "RGB")
    if picture.mode == "L":
        levels = np.asarray(picture)
    else:
        colours = np.asarray(picture.convert("RGB"))
        converted = colour_to_grey(colours, limits.colour_tolerance, limits.colour_share)
        if converted is None:
            converted = photograph_to_grey(colours, limits.photograph_tint, *limits.photograph_spread)
            if converted is None:
                raise FilmRejected("a colour picture, not a radiograph", ReasonKind.OTHER_FILE)
            remarks.append(PHOTOGRAPH)
        levels = converted
        if picture.mode != "P" and PHOTOGRAPH not in remarks:
            _note(remarks, "a grey picture stored in colour was converted")
    grey = levels.astype(np.float32) / np.float32(255.0)
    if alpha is not None and (alpha < 255).any():
        grey *= alpha.astype(np.float32) / np.float32(255.0)
        _note(remarks, "transparent parts taken as black")
    if not grey.max() > grey.min():
        raise FilmRejected("every pixel has the same value")
    return grey
