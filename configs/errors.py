"""What all errors of the project descend from."""

from __future__ import annotations

from typing import ClassVar


class RaysplayError(Exception):
    """Something that the program cannot do, in one sentence for a person: it names the file and the reason.

    Attributes
    ----------
    exit_status : int
        What the command ends with (infer/GUIDE.md, "Exit status").
    """

    exit_status: ClassVar[int] = 2
