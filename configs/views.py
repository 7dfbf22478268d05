"""What a film or a crop of one may show, by name."""

from __future__ import annotations

from typing import Literal, get_args

FootView = Literal["dp", "oblique", "lateral"]
FOOT_VIEWS: tuple[FootView, ...] = get_args(FootView)
"""Views of a foot."""

VIEWS = (*FOOT_VIEWS, "other")
"""Views of a foot, and anything else; in the order of the networks' view heads."""

VIEW_WORDS = {"dp": "dorsoplantar", "oblique": "oblique", "lateral": "lateral", "other": "something else"}
"""As sentences have them."""
