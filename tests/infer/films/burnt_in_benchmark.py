"""How much of writing drawn into open films is hidden, and what is hidden on the films themselves; printed, not tested.

    RAYSPLAY_OPEN_FILMS=films .venv/bin/python tests/infer/films/burnt_in_benchmark.py LINES

A line is one text of the invented island in one of eight fonts, drawn by Pillow at a place that is drawn at random,
beside the foot (the darkest of forty) or over bone (the brightest), on a film resized to one of four sizes.
"""

import os
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
from PIL import Image
from test_burnt_in_text import as_jpeg, font, hidden, written

from raysplay.infer.films.burnt_in_text import text_boxes

FONTS = ("pillow", "DejaVuSans", "DejaVuSans-Bold", "DejaVuSerif", "DejaVuSansMono", "STIXGeneral", "cmss10", "cmr10")
TEXTS = (
    *("SKERRYWYN ORLA", "Skerrywyn, Orla  F", "ID MS-448812", "17.04.1931", "1931-04-17 10:15", "Merrow Skerry Light"),
    *("PT55 / 90071", "KEEPER T. GULLROCK", "12345678"),
)
INKS = {"white": (255, None), "grey": (215, None), "white on black": (255, 0), "black on white": (0, 250)}


def resized(path, side):
    with Image.open(path) as opened:
        grey = opened.convert("L")
        factor = side / max(grey.size)
        return np.asarray(
            grey.resize([round(one * factor) for one in grey.size], Image.Resampling.BICUBIC), dtype=float
        )


def main(lines):
    paths = sorted(Path(os.environ["RAYSPLAY_OPEN_FILMS"]).glob("d*.jpg"))
    rng = np.random.default_rng(7)
    covered, whole = defaultdict(int), defaultdict(int)
    for _ in range(lines):
        side = int(rng.choice([900, 1400, 2000, 2800]))
        picture = np.minimum(resized(paths[rng.integers(len(paths))], side), 240)
        picture = np.clip(picture + rng.normal(0, 2, picture.shape), 0, 255)
        height = min(int(rng.choice([10, 14, 20, 28, 40, 60])), int(0.035 * side))
        face, text = font(FONTS[rng.integers(len(FONTS))], height), TEXTS[rng.integers(len(TEXTS))]
        name = list(INKS)[rng.integers(len(INKS))]
        place, turned, quality = (
            rng.choice(["beside", "bone"]),
            bool(rng.random() < 0.12),
            int(rng.choice([50, 75, 90, 100])),
        )
        long, low = int(face.getlength(text)) + 40, 3 * height + 20
        tall, wide = (long, low) if turned else (low, long)
        if tall > picture.shape[0] or wide > picture.shape[1]:
            continue
        spots = [
            (rng.integers(picture.shape[0] - tall + 1), rng.integers(picture.shape[1] - wide + 1)) for _ in range(40)
        ]
        means = [picture[y : y + tall, x : x + wide].mean() for y, x in spots]
        y, x = spots[int(np.argmin(means) if place == "beside" else np.argmax(means))]
        drawn, characters = written(picture, text, (int(x) + 5, int(y) + 5), face, *INKS[name], turned)
        drawn = as_jpeg(drawn, quality)
        mask = hidden(text_boxes(drawn.astype(np.float32) / 255), drawn)
        ok = sum(mask[top:bottom, left:right].mean() > 0.9 for left, top, right, bottom in characters)
        for key in ("all", place, f"{name}, {place}", f"capitals {height} px", f"quality {quality}"):
            covered[key] += int(ok)
            whole[key] += len(characters)
    for key in sorted(whole):
        print(f"{key}: {covered[key]} of {whole[key]} characters hidden, {covered[key] / whole[key]:.1%}")
    shares = {}
    for path in sorted(Path(os.environ["RAYSPLAY_OPEN_FILMS"]).glob("*.jpg")):
        with Image.open(path) as opened:
            grey = np.asarray(opened.convert("L"))
        shares[path.name] = hidden(text_boxes(grey.astype(np.float32) / 255), grey).mean()
    some = {name: share for name, share in shares.items() if share}
    print(
        f"{len(some)} of {len(shares)} films have something hidden, {np.mean(list(shares.values())):.4%} of all pixels:"
    )
    print(", ".join(some))


if __name__ == "__main__":
    main(int(sys.argv[1]))
