"""Counts, shares and probabilities as a report has them."""

from __future__ import annotations

from collections.abc import Sequence


def counted(count: int, one: str, more: str = "") -> str:
    """A count with its noun.

    Examples
    --------
    >>> counted(1, "foot", "feet"), counted(2000, "film")
    ('1 foot', '2,000 films')
    """
    return f"{count:,} {one if count == 1 else more or f'{one}s'}"


def share(part: int, whole: int) -> str:
    """A share in percent, one decimal; never 0.0 or 100.0 where it is not; empty of nothing.

    Examples
    --------
    >>> share(1, 3), share(1, 100_000), share(99_999, 100_000), share(0, 5), share(0, 0)
    ('33.3 %', 'below 0.1 %', 'above 99.9 %', '0.0 %', '')
    """
    if not whole:
        return ""
    if part > 0 and part / whole < 0.0005:
        return "below 0.1 %"
    if part < whole and part / whole >= 0.9995:
        return "above 99.9 %"
    return f"{100.0 * part / whole:.1f} %"


def probability(p: float) -> str:
    """A p value; never 0.

    Examples
    --------
    >>> probability(0.0312), probability(0.0), probability(1.0)
    ('0.031', 'below 0.001', '1.000')
    """
    return "below 0.001" if p < 0.001 else f"{p:.3f}"


def duration(seconds: float) -> str:
    """A time for a person.

    Examples
    --------
    >>> duration(0.4), duration(75.0), duration(7322.0)
    ('0.4 s', '1 min 15 s', '2 h 2 min')
    """
    hours, rest = divmod(int(seconds), 3600)
    minutes, whole = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {whole} s" if minutes else f"{seconds:.1f} s"


def enumeration(items: Sequence[str]) -> str:
    """``a, b and c``."""
    return ", ".join(items[:-1]) + " and " + items[-1] if len(items) > 1 else "".join(items)
