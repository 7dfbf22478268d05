"""From stored DICOM values to grey levels 0..1 with bone bright (PS3.3, C.11 and C.7.6.3.1.2).

Every step works value by value, so the whole chain (unused bits, modality LUT, VOI LUT or window,
inversion, padding) is worked out once for each of the 256 or 65 536 codes a pixel can hold and then
looked up.
"""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from pydicom.pixels.processing import apply_modality_lut, apply_voi_lut
from pydicom.uid import DigitalXRayImageStorageForProcessing

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.remark import Remark, RemarkKind

Float64 = npt.NDArray[np.float64]

_SAMPLE_PIXELS = 1_000_000
"""Percentiles are taken from a regular sub-sample of about this size."""
_FAR = 1e30
_BRIGHTNESS = np.array([0.25, 0.5, 0.25], dtype=np.float32)
_MIN_SPREAD = 0.02
"""A window that leaves less than this between the 1st and 99th percentile shows nothing."""


def to_grey(
    stored: npt.NDArray[Any],
    ds: Dataset,
    percentiles: tuple[float, float],
    masked: npt.NDArray[np.bool_] | None = None,
    *,
    beyond: bool = False,
) -> tuple[npt.NDArray[np.float32], tuple[Remark, ...]]:
    """Apply the grey-scale chain of ``ds``; inversion comes last and once.

    Parameters
    ----------
    stored : ndarray of 8- or 16-bit integers, shape (rows, columns)
        Decoded pixel data, unprocessed.
    ds : Dataset
        With the modality LUT, VOI LUT and general image modules; MONOCHROME1 or MONOCHROME2.
    percentiles : tuple of float
        Window used where the file states none that is usable, in percent.
    masked : ndarray of bool, shape (rows, columns), optional
        True outside the display shutter.
    beyond : bool
        Go on beyond the window where it is a straight line, instead of ending at 0 and 1.

    Returns
    -------
    grey : ndarray of float32, shape (rows, columns)
        0..1 but for ``beyond``; padding and everything outside the shutter 0.
    remarks : tuple of Remark

    Raises
    ------
    FilmRejected
        If every pixel holds the same value.
    """
    remarks: list[Remark] = []
    unsigned = np.dtype(f"u{stored.dtype.itemsize}")
    codes = np.ascontiguousarray(stored, dtype=stored.dtype.newbyteorder("=")).view(unsigned)
    values = _values_of_codes(stored.dtype, ds, codes, remarks)
    padding = _padding(values, unsigned, ds)

    counts = _counts(codes, masked, values.size)
    if not (counts * ~padding).any():
        padding = np.zeros_like(padding)
        remarks.append(Remark(RemarkKind.GREY_LEVELS, "every pixel counts as padding: the padding value was ignored"))
    counts = counts * ~padding

    modality = _modality(values, ds)
    if np.unique(modality[counts > 0]).size < 2:
        raise FilmRejected("every pixel has the same value")
    grey = _windowed(modality, ds, counts, percentiles, remarks)
    if beyond:
        grey = _line(modality, grey)
    if _inverted(ds, remarks):
        grey = 1.0 - grey
    grey[padding] = 0.0
    film = grey.astype(np.float32)[codes]
    if masked is not None:
        film[masked] = 0.0
    return film, tuple(remarks)


def _counts(codes: npt.NDArray[Any], masked: npt.NDArray[np.bool_] | None, size: int) -> npt.NDArray[np.int64]:
    """How often each of ``size`` codes occurs inside the shutter, in a regular sub-sample of the picture."""
    step = max(1, int(np.sqrt(codes.size / _SAMPLE_PIXELS)))
    sample = codes[::step, ::step]
    if masked is not None:
        sample = sample[~masked[::step, ::step]]
    return np.bincount(sample.ravel(), minlength=size)


def _values_of_codes(
    dtype: np.dtype[Any], ds: Dataset, codes: npt.NDArray[Any], remarks: list[Remark]
) -> npt.NDArray[np.int64]:
    """Stored value of each bit pattern: bits outside Bits Stored carry no value (PS3.5, 8.1.1)."""
    bits = int(ds.BitsStored)
    shift = max(0, int(ds.get("HighBit", bits - 1)) + 1 - bits)
    pattern = np.arange(2 ** (8 * dtype.itemsize), dtype=np.int64)
    values = (pattern >> shift) & (2**bits - 1)
    if dtype.kind == "i":
        values = np.where(values >= 2 ** (bits - 1), values - 2**bits, values)
    largest = 2 ** (bits + shift)
    if dtype.kind == "u" and largest < pattern.size and int(codes.max()) >= largest:
        remarks.append(Remark(RemarkKind.GREY_LEVELS, f"bits beyond the {bits} stored ones are set and were ignored"))
    return np.asarray(values, dtype=np.int64)


def _padding(values: npt.NDArray[np.int64], unsigned: np.dtype[Any], ds: Dataset) -> npt.NDArray[np.bool_]:
    """Which codes are padding (PS3.3, C.7.5.1.1.2)."""
    try:
        first = int(ds.PixelPaddingValue)
        last = int(ds.get("PixelPaddingRangeLimit", first))
    except Exception:
        return np.zeros(values.shape, dtype=bool)
    low, high = sorted((first, last))
    found = (values >= low) & (values <= high)
    if not found.any() and first == last:
        # Written with the other signedness, or wider than Bits Stored.
        found = np.arange(values.size) == first % (1 << 8 * unsigned.itemsize)
    return found


def _modality(values: npt.NDArray[np.int64], ds: Dataset) -> Float64:
    try:
        if ds.get("ModalityLUTSequence"):
            # Depths between 8 and 16 bits are common but unknown to the library; entries stay the same.
            entries, first, bits = (int(part) for part in ds.ModalityLUTSequence[0].LUTDescriptor)
            ds.ModalityLUTSequence[0].LUTDescriptor = [entries, first, 8 if bits == 8 else 16]
        modality = np.asarray(apply_modality_lut(values, ds), dtype=np.float64)
    except Exception as error:
        raise FilmRejected(f"modality LUT or rescale values are unusable ({type(error).__name__})") from error
    if not np.isfinite(modality).all():
        raise FilmRejected("rescale values are unusable (not finite)")
    return modality


def _windowed(
    modality: Float64,
    ds: Dataset,
    counts: npt.NDArray[np.int64],
    percentiles: tuple[float, float],
    remarks: list[Remark],
) -> Float64:
    intent = str(ds.get("PresentationIntentType") or "").strip().upper()
    if intent == "FOR PROCESSING" or ds.get("SOPClassUID") == DigitalXRayImageStorageForProcessing:
        remarks.append(
            Remark(RemarkKind.WINDOW_GUESSED, "unprocessed detector data (FOR PROCESSING): window set by percentiles")
        )
        return _percentile_window(modality, counts, percentiles)
    try:
        grey = _stated_window(modality, ds)
    except Exception:
        remarks.append(Remark(RemarkKind.WINDOW_GUESSED, "the stated window is unusable: window set by percentiles"))
        return _percentile_window(modality, counts, percentiles)
    if grey is None:
        remarks.append(Remark(RemarkKind.WINDOW_GUESSED, "no window stated: window set by percentiles"))
        return _percentile_window(modality, counts, percentiles)
    low, high = _weighted_percentiles(grey, counts, (1.0, 99.0))
    if not high - low >= _MIN_SPREAD:
        remarks.append(Remark(RemarkKind.WINDOW_GUESSED, "the stated window shows nothing: window set by percentiles"))
        return _percentile_window(modality, counts, percentiles)
    return grey


def _stated_window(modality: Float64, ds: Dataset) -> Float64 | None:
    """VOI LUT or first window, scaled to 0..1; None if the file has neither."""
    if ds.get("VOILUTSequence") and ds.VOILUTSequence[0].get("LUTData") is not None:
        # A table of 8-bit entries may be longer than 256: widened so that its index fits.
        item = copy.deepcopy(ds.VOILUTSequence[0])
        entries, first, bits = (int(part) for part in item.LUTDescriptor)
        if not 8 <= bits <= 16:  # PS3.3, C.11.2.1.1
            raise ValueError("impossible depth of a table")
        item.LUTDescriptor = [entries, first, 16]
        table = Dataset()
        table.file_meta = ds.file_meta
        table.VOILUTSequence = [item]
        inside = np.clip(np.rint(modality), first, first + (entries or 2**16) - 1).astype(np.int64)
        entries_used = np.asarray(apply_voi_lut(inside, table), dtype=np.float64)
        return np.asarray(np.clip(entries_used / (2**bits - 1), 0.0, 1.0))
    if ds.get("WindowCenter") is None or ds.get("WindowWidth") is None:
        return None
    with np.errstate(over="ignore"):
        # Values far outside the window show which outputs mean black and white.
        out = apply_voi_lut(np.concatenate([modality, [-_FAR, _FAR]]), ds)
    black, white = out[-2], out[-1]
    grey = (out[:-2] - black) / (white - black)
    if not np.isfinite(grey).all():
        raise ValueError("window yields no finite grey levels")
    return np.asarray(np.clip(grey, 0.0, 1.0), dtype=np.float64)


def _weighted_percentiles(
    values: Float64, counts: npt.NDArray[np.int64], percentiles: tuple[float, float]
) -> tuple[float, float]:
    used = np.flatnonzero(counts)
    order = used[np.argsort(values[used], kind="stable")]
    share = np.cumsum(counts[order]) / counts[order].sum() * 100.0
    low, high = (values[order[min(int(np.searchsorted(share, p)), order.size - 1)]] for p in percentiles)
    return float(low), float(high)


def _percentile_window(values: Float64, counts: npt.NDArray[np.int64], percentiles: tuple[float, float]) -> Float64:
    low, high = _weighted_percentiles(values, counts, percentiles)
    if not high > low:
        low, high = float(values[counts > 0].min()), float(values[counts > 0].max())
    return np.clip((values - low) / (high - low), 0.0, 1.0)


def _line(values: Float64, grey: Float64) -> Float64:
    """A window without its ends: the line on which the grey values between 0 and 1 lie, if they lie on one."""
    between = (grey > 0.0) & (grey < 1.0)
    if np.unique(values[between]).size < 2:
        return grey
    slope, start = np.polyfit(values[between], grey[between], 1)
    line: Float64 = slope * values + start
    return line if np.abs(line - grey)[between].max() < 1e-6 else grey


def _inverted(ds: Dataset, remarks: list[Remark]) -> bool:
    """Whether the lowest value is to be shown white.

    MONOCHROME1 says so (PS3.3, C.7.6.3.1.2), and Presentation LUT Shape INVERSE is the same statement
    made again, not a second inversion (PS3.3, C.8.11.3).
    """
    shape = str(ds.get("PresentationLUTShape") or "").strip().upper()
    monochrome1 = str(ds.PhotometricInterpretation).strip().upper() == "MONOCHROME1"
    if (monochrome1 and shape == "IDENTITY") or (not monochrome1 and shape == "INVERSE"):
        remarks.append(
            Remark(
                RemarkKind.GREY_LEVELS, "Photometric Interpretation and Presentation LUT Shape disagree: shown inverted"
            )
        )
    return monochrome1 or shape == "INVERSE"


def percentile_grey(
    pixels: npt.NDArray[Any], percentiles: tuple[float, float], *, beyond: bool = False
) -> npt.NDArray[np.float32]:
    """Unsigned integers of a picture file stretched to 0..1 between percentiles.

    Parameters
    ----------
    pixels : ndarray of unsigned int, shape (rows, columns)
        8 or 16 bits.
    percentiles : (float, float)
        Which of the values become 0 and 1, 0..100; least and largest value where the two are one.
    beyond : bool
        Values outside the percentiles go on below 0 and above 1 instead of being cut off there, if two or more lie
        between and so tell the line.

    Returns
    -------
    ndarray of float32, shape (rows, columns)

    Raises
    ------
    FilmRejected
        If every pixel holds the same value.
    """
    counts = np.bincount(pixels.ravel(), minlength=np.iinfo(pixels.dtype).max + 1)
    values = np.arange(counts.size, dtype=np.float64)
    if np.count_nonzero(counts) < 2:
        raise FilmRejected("every pixel has the same value")
    grey = _percentile_window(values, counts, percentiles)
    if beyond:
        grey = _line(values, grey)
    return np.asarray(grey.astype(np.float32)[pixels])


def colour_to_grey(pixels: npt.NDArray[np.uint8], tolerance: float, share: float) -> npt.NDArray[np.uint8] | None:
    """Grey picture of a colour one whose channels are equal up to noise.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        Red, green, blue.
    tolerance : float
        Difference of channels, as a part of the full range, from which a pixel is coloured.
    share : float
        Part of the pixels that may be coloured, 0 to 1.

    Returns
    -------
    ndarray of uint8, shape (rows, columns), or None
        None for a picture in colour.
    """
    red, green, blue = (pixels[..., channel] for channel in range(3))
    highest = np.maximum(np.maximum(red, green), blue)
    lowest = np.minimum(np.minimum(red, green), blue)
    coloured = np.count_nonzero(highest - lowest > tolerance * 255.0)
    if coloured > share * highest.size:
        return None
    # The middle one of three channels, so that one noisy channel does not shift the grey.
    return np.asarray(np.maximum(np.minimum(red, green), np.minimum(np.maximum(red, green), blue)))


def photograph_to_grey(
    pixels: npt.NDArray[np.uint8], tint: float, tolerance: float, share: float
) -> npt.NDArray[np.uint8] | None:
    """Grey picture of a grey scene photographed in colour.

    A screen or light box gives all its greys one mild tint: each channel follows from the brightness alone, up to noise
    and coloured fringes. A coloured scene has several colours of one brightness; skin has a stronger tint.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    tint : float
        How far a channel may lie from the brightness, as a share of the full range.
    tolerance, share : float
        No more than ``share`` of the pixels may have a channel that differs by more than ``tolerance`` of the full
        range from the usual one of its brightness.

    Returns
    -------
    ndarray of uint8, shape (rows, columns), or None
        Brightness of each pixel; None for a scene in colour.
    """
    step = max(1, int(np.sqrt(pixels.shape[0] * pixels.shape[1] / _SAMPLE_PIXELS)))
    sample = pixels[::step, ::step].reshape(-1, 3).astype(np.float32)
    bright = sample @ _BRIGHTNESS
    bins = np.minimum(bright / 4.0, 63.0).astype(np.intp)
    counts = np.bincount(bins, minlength=64)
    odd = np.zeros(len(sample), dtype=bool)
    for channel in range(3):
        values = sample[:, channel]
        usual = np.bincount(bins, values, minlength=64) / np.maximum(counts, 1)
        level = np.bincount(bins, bright, minlength=64) / np.maximum(counts, 1)
        common = counts > 0.001 * len(sample)
        if (np.abs(usual - level)[common] > tint * 255.0).any():
            return None
        odd |= np.abs(values - usual[bins]) > tolerance * 255.0
    if np.count_nonzero(odd) > share * len(sample):
        return None
    return np.asarray(np.rint(pixels.astype(np.float32) @ _BRIGHTNESS).astype(np.uint8))
