"""``python -m raysplay.train.reference_page``: writes the reference page anew."""

from pathlib import Path

from raysplay.train.reference_page.page import write

if __name__ == "__main__":
    write(Path(__file__).resolve().parents[2] / "measure")
