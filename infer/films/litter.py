"""What systems and file servers leave in folders, known by its name; apart, since the decoding process loads it too."""

from __future__ import annotations

from raysplay.infer.films.sniff import sniff
from raysplay.infer.outputs.run_files import SCRATCH

# What systems and file servers leave in folders; common practice, no source. In small letters.
_LITTER = frozenset((".ds_store", ".localized", "desktop.ini", "thumbs.db", "ehthumbs.db"))
_LITTER_FOLDERS = frozenset(
    {
        *("__macosx", "@eadir", "$recycle.bin", "system volume information"),
        *(".trash", ".trashes", ".snapshot", ".snapshots", ".thumbnails", ".git", ".svn", ".hg"),
        *(".appledouble", ".documentrevisions-v100", ".fseventsd", ".spotlight-v100", ".temporaryitems"),
    }
)
_APPLE_DOUBLE = b"\x00\x05\x16\x07"
"""First bytes of the files that macOS puts beside others, named ``._`` and their name (RFC 1740, from memory)."""


def is_litter_folder(name: str) -> bool:
    """Whether systems give folders this name."""
    return name.lower() in _LITTER_FOLDERS or name.lower().startswith((".trash-", SCRATCH))


def is_litter_name(name: str) -> bool:
    """Whether systems give files this name."""
    return name.lower() in _LITTER or name.startswith("._")


def holds_no_film(name: str, head: bytes) -> bool:
    """Whether the first bytes of a file with such a name are no film's."""
    return head.startswith(_APPLE_DOUBLE) if name.startswith("._") else sniff(head) is None
