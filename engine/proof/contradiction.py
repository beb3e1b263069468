"""Stations of a recheck that no explanation covers, and which of them are to blame."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from scipy.stats import chi2, f

from ..findings import Finding, finding

CONTRADICTION = 1e-3  # [-] chance that stations which fit neither explanation are mere noise

Fit = Callable[[Sequence[int]], tuple[float, int]]


def plausible(misfit: float, views: int, freedom: float) -> bool:
    """Tell whether one explanation covers so many ``views`` of the board.

    The explained part (six components of unit variance against a nearly free prior) adds little;
    it is counted in. The noise is known to ``freedom`` only, hence F instead of chi-square.
    """
    rest = 6.0 * views - 6.0
    if not rest:
        return True
    limit = rest * f.isf(CONTRADICTION, rest, freedom) + chi2.isf(CONTRADICTION, 6)
    return bool(misfit <= limit)


def contradiction(ids: Sequence[int], fit: Fit, freedom: float) -> Finding:
    """Return the finding about stations ``ids``, which no explanation covers all together.

    ``fit`` returns, for the stations kept, the misfit of the best explanation and the number of
    views. The station without which the others fit best is left out, then the next, while more
    than half remain, and two at least: one station contradicts nobody. Those left out are named
    where the others then agree and leaving out another one instead would not do; where it would,
    those that come into question are named.
    """
    kept, out = list(ids), list[int]()
    while len(kept) > 2 and 2 * (len(kept) - 1) > len(ids):
        rests = {one: fit([k for k in kept if k != one]) for one in kept}
        enough = [
            one for one, (misfit, views) in rests.items() if plausible(misfit, views, freedom)
        ]
        if len(enough) == 1:
            return finding("stations-contradict", "some", stations=sorted([*out, *enough]))
        if enough:
            return finding("stations-contradict", stations=sorted([*out, *enough]))
        worst = min(kept, key=lambda one: rests[one][0])
        kept.remove(worst)
        out.append(worst)
    return finding("stations-contradict", stations=sorted(ids))
