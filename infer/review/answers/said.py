"""What is said of a foot, and by which words."""

from __future__ import annotations

from typing import Annotated, Literal

from typing_extensions import TypedDict

State = Literal["open", "confirmed", "corrected", "not_measurable", "wrong_side", "wrong_view"]
Decision = Literal["review", "accepted", "refused"]


class Said(TypedDict):
    """A reason or a remark."""

    kind: Annotated[str, "a code that does not change"]
    text: Annotated[str, "a sentence, for people only"]
