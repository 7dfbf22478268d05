"""Reports of earlier calls for persons who have none now: whose films they hold was said otherwise since."""

from __future__ import annotations

import re
from collections.abc import Collection
from html import unescape
from pathlib import Path

from raysplay.configs.plain_file import open_plain
from raysplay.infer.visit.language import language, languages

_TITLE = re.compile(r"<title>(.*?)</title>")
_HEAD_BYTES = 4096
_MOST_BYTES = 2**28


def left_behind(folder: Path, written: Collection[str]) -> list[str]:
    """Names of reports in a folder that are not among those of this call, by the titles of their pages.

    Nobody is asked to trust them, and none is removed: a report may be somebody's record.
    """
    try:
        pages = sorted(path for path in folder.glob("*.html") if path.name not in written)
    except OSError:
        return []
    return [path.name for path in pages if _is_report(path)]


def _is_report(path: Path) -> bool:
    try:
        with open_plain(path, _MOST_BYTES) as stream:
            found = _TITLE.search(stream.read(_HEAD_BYTES).decode("utf-8", "replace"))
    except OSError:
        return False
    title = unescape(found[1]) if found else ""
    before = (language(name).messages["title"].partition("{person}")[0] for name in languages())
    return any(title.startswith(words) and title.removeprefix(words).replace(" ", "_") == path.stem for words in before)
