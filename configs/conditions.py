"""What may be wrong with a foot for measuring, by name."""

from __future__ import annotations

CONDITIONS = ("growth_plates", "metal", "cast", "splint", "missing_toe", "overlap", "cut_off")
"""In the order of the landmark network's condition head.

Open growth plates of a child; screws, plates, wires; a plaster or resin cast; a splint, spacer or other aid worn on the
film; a toe that is not there; another foot or exposure that lies over the forefoot; a field whose edge cuts off what is
measured.
"""
