"""How a tolerance is judged: by which rule, who set it, how likely that is wrong, in words too."""

from __future__ import annotations

from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What a pick may be off at most, by which rule that is decided, and who set it."""

    position_mm: float
    angle_deg: float
    rule: Rule = GUARDED
    set_by: str | None = None

    @property
    def owned_rule(self) -> str:
        """The rule and who set it, in words."""
        return f"{self.rule} rule, {rule_owner(self.set_by)}"


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


STATIONS = "More stations, or what the findings name, would tell."
POINTER = "A better pointer, or more stations, would tell."


def often_good(chance: float, tells: str) -> str:
    """Return why a refusal stands that is wrong more often than not, and what would tell; or ""."""
    if chance <= 0.5:
        return ""
    return (
        "Most that is refused so is good: that is the price of letting nothing bad pass, and no "
        f"reason to overrule it. {tells}"
    )


@dataclass(frozen=True, slots=True)
class Decision:
    """By which rule a tolerance was judged, who set the rule, and how likely that went wrong.

    ``chance_wrong`` [-] at most: that something is beyond the tolerance though accepted, or within
    it though refused; None: the findings decided.
    """

    rule: Rule
    set_by: str | None
    chance_wrong: float | None

    @property
    def owner(self) -> str:
        """Who set the rule, in words."""
        return rule_owner(self.set_by)

    def words(self, tells: str = STATIONS) -> str:
        """Return the rule in words, who set it, and the chance that the decision is wrong.

        ``tells``: what would tell, where what is refused is good more often than not.
        """
        said = f"{RULES[self.rule]}; {self.owner}."
        if self.chance_wrong is None:
            return f"Decided by the findings, before the {said}"
        wrong = percent(self.chance_wrong)
        price = f" {often_good(self.chance_wrong, tells)}".rstrip()
        return f"Decided by the {said} The chance that this is wrong is {wrong}.{price}"


BOUND = 1.0 / 3.0  # [-] up to which a stated chance is one at most, in simulation


def percent(chance: float) -> str:
    """Return a chance in words: "at most 2.3 %".

    Above `BOUND` it is that of a refusal by a cautious U, and no bound.
    """
    if chance < 1e-3:
        return "below 0.1 %"
    return f"at most {100 * chance:.2g} %" if chance <= BOUND else f"about {100 * chance:.0f} %"
