"""How a tolerance is judged: guarded or simple rule, and the chance of a wrong decision."""

from __future__ import annotations

from math import erfc, sqrt
from typing import Literal

Rule = Literal["guarded", "simple"]
GUARDED: Rule = "guarded"
SIMPLE: Rule = "simple"
RULES: dict[Rule, str] = {  # what they are called where a person reads
    "guarded": "guarded rule (ISO 14253-1): error and U together within the tolerance",
    "simple": "simple rule (JCGM 106): error within the tolerance, U at most a third of it",
}


def rule_owner(set_by: str | None) -> str:
    """Return in words who set the rule."""
    return f"set by {set_by}" if set_by else "nobody is named as having set it"


THIRD = 1.0 / 3.0  # [-] of the tolerance: largest U that the simple rule lets stand beside it


def most_expanded(limit: float, rule: Rule) -> float:
    """Return the largest expanded uncertainty with which no error at all conforms to ``limit``."""
    return THIRD * limit if rule == SIMPLE else limit


def conforms(error: float, expanded: float, limit: float, rule: Rule) -> bool:
    """Tell whether a size known with U = ``expanded`` counts as within the tolerance ``limit``.

    guarded: with all of U beside it (ISO 14253-1, from memory); simple: by itself, where U is a
    third of the limit at most (JCGM 106:2012, simple acceptance, from memory).
    """
    if rule == SIMPLE:
        return error <= limit and expanded <= most_expanded(limit, rule)
    return error + expanded <= limit


def keeps(u: float | None, limit: float, rule: Rule) -> bool:
    """Tell whether the expanded uncertainty 2u of no error is known and conforms to ``limit``."""
    return u is not None and conforms(0.0, 2 * u, limit, rule)


def chance_beyond(error: float, u: float, limit: float) -> float:
    """Return the chance [-] that a size is beyond ``limit``, measured as ``error`` with ``u``.

    Normal (JCGM 106), all of u along the line of the error: of a vector that is the least
    favourable case for either decision.
    """
    if u <= 0.0:
        return float(error > limit)
    over, under = ((limit - error) / u, (limit + error) / u)
    return 0.5 * (erfc(over / sqrt(2.0)) + erfc(under / sqrt(2.0)))
