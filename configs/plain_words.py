"""What is wrong with a value, in words of this project; a validation library's own are for programmers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

_LONGEST = 60
"""Characters of a key that are repeated."""

_ELSE = "is not what is expected here"

_WORDS = {
    "missing": "is missing",
    "extra_forbidden": "is not known here",
    "invalid_key": "has a key that is no text",
    "none_required": "must be left empty",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "string_type": "must be text",
    "string_sub_type": "must be text",
    "string_unicode": "must be text in UTF-8",
    "string_pattern_mismatch": "has characters that are not allowed here",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_parsing_size": "is too large a number",
    "int_from_float": "must be a whole number",
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "finite_number": "must be a finite number",
    "list_type": "must be a list",
    "tuple_type": "must be a list",
    "set_type": "must be a list",
    "frozen_set_type": "must be a list",
    "iterable_type": "must be a list",
    "dict_type": "must hold keys and values",
    "mapping_type": "must hold keys and values",
    "model_type": "must hold keys and values",
    "model_attributes_type": "must hold keys and values",
    "dataclass_type": "must hold keys and values",
    "path_type": "must be the path of a file",
    "json_invalid": "is not JSON",
    "json_type": "is not JSON",
    "recursion_loop": "contains itself",
}

_WORDS_WITH_BOUND = {
    "greater_than": ("must be greater than {}", "gt"),
    "greater_than_equal": ("must be at least {}", "ge"),
    "less_than": ("must be less than {}", "lt"),
    "less_than_equal": ("must be at most {}", "le"),
    "multiple_of": ("must be a multiple of {}", "multiple_of"),
    "string_too_short": ("must have at least {} characters", "min_length"),
    "string_too_long": ("must have at most {} characters", "max_length"),
    "too_short": ("must have at least {} entries", "min_length"),
    "too_long": ("must have at most {} entries", "max_length"),
    "literal_error": ("must be {}", "expected"),
    "enum": ("must be {}", "expected"),
}


def in_words(error: Mapping[str, Any]) -> str:
    """One error of pydantic (as its ``errors()`` lists them) without pydantic's text.

    What a validator of this project raised is repeated as it is.

    Examples
    --------
    >>> in_words({"type": "less_than_equal", "ctx": {"le": 1.0}, "msg": "Input should be less than or equal to 1"})
    'must be at most 1.0'
    """
    kind, context = error["type"], error.get("ctx") or {}
    if kind in ("value_error", "assertion_error"):
        said = context.get("error")
        return str(said) if isinstance(said, ValueError) and type(said) is ValueError else _ELSE
    if kind in _WORDS_WITH_BOUND:
        words, bound = _WORDS_WITH_BOUND[kind]
        if bound not in context:
            return _ELSE
        said = words.format(context[bound])
        return said.replace("entries", "entry").replace("characters", "character") if context[bound] == 1 else said
    return _WORDS.get(kind, _ELSE)


def where(location: Sequence[str | int]) -> str:
    """Place of an error, keys and numbers joined by dots; empty for the whole.

    Examples
    --------
    >>> where(("feet", "sides", 0)), where(("views", "dorsal", "[key]")), where(())
    ('feet.sides.0', 'views.dorsal', '')
    """
    parts = [str(part) for part in location if not (isinstance(part, str) and ("[" in part or part == ""))]
    plain = (part.encode("utf-8", "replace").decode() for part in parts)
    return ".".join("".join(c if c.isprintable() else "?" for c in part[:_LONGEST]) for part in plain)


def told(errors: Sequence[Mapping[str, Any]]) -> str:
    """The first of several errors: place and words."""
    first = errors[0]
    place = where(first["loc"])
    words = in_words(first)
    return f"{place}: {words}" if place else words
