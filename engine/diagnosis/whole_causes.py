"""The best other readings of a whole session as causes, fitted like the session itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..checks.entry import UNIT_NAMES
from ..estimate.problem import Problem, absurd
from ..findings import Finding, finding
from ..frames import AXES, rotation_log
from ..pendant.conventions import ROTATIONS, equivalent
from .causes import Cause, apart_weight, solved_weight, texts_of, weight_of
from .scene import Scene, Texts
from .whole import Promising, Reading, applied

# Readings whose noise is less than so many times the best one's cannot be told from it: simulated
# sessions with tilts of ±6° gave 1.9, with ±35° at least 24.
LEAST_RATIO = 1.9
SURER = 10.0  # [-] log odds by which a reading must beat another one: 1 in 20,000
SETTLING_TILT_DEG = 20.0  # deg; a tilt that settles a convention: ratios above 10 in simulation


def whole_causes(scene: Scene, readings: Promising) -> list[Cause]:
    """Return the promising readings as causes, fitted like the session itself."""
    causes = []
    for reading in readings.items:
        problem, texts = put_right(scene, reading)
        found, weight = solved_weight(problem)
        if found is None or absurd(found.fit.noise, found.prior):
            continue
        if reading.alone:
            weight += apart_weight(found, scene.stations.dof[list(reading.alone)])
        described = described_as(scene, reading)
        causes.append(
            Cause(
                weight + reading.log_share,
                described,
                problem,
                texts,
                _set_aside(scene, reading),
                last=reading.code == "inverse-pose",
                found=found,
            )
        )
    return causes


def settled(scene: Scene, causes: list[Cause]) -> list[Cause]:
    """Return the causes that fit better than the session as declared, the likeliest first.

    Where the likeliest is a convention that another one comes close to, both stand undecided.
    """
    null = weight_of(scene.found)
    better = sorted((c for c in causes if c.weight > null + SURER), key=lambda c: -c.weight)
    if not better or better[0].findings[0].code != "rotation-convention":
        return better
    close = max(SURER, scene.redundancy * float(np.log(LEAST_RATIO)))
    rivals = [
        c.findings[0].suggested or ""
        for c in better
        if c.findings[0].code == "rotation-convention" and c.weight > better[0].weight - close
    ]
    if null > better[0].weight - close:
        rivals.append(scene.layout.pendant.rotation)
    if len(rivals) < 2:
        return better
    said = finding(
        "rotation-convention",
        "unsettled",
        typed=scene.layout.pendant.rotation,
        candidates=", ".join(rivals),
        tilt_deg=SETTLING_TILT_DEG,
        axis=_calm_axis(scene),
    )
    return [replace(better[0], findings=(said,), last=True)]


def _calm_axis(scene: Scene) -> str:
    """Return the base axis about which the stations turn least."""
    R = scene.stations.typed[:, :3, :3]
    turns = rotation_log(R @ R[0].T)
    spread = turns.std(axis=0)
    return f"base {AXES[int(spread.argmin())]}"


def put_right(scene: Scene, reading: Reading) -> tuple[Problem, Texts]:
    """Return the session as read otherwise: problem and texts."""
    problem = applied(scene.found.problem, scene.ids, reading.typed)
    pendant = problem.pendant
    if reading.code == "rotation-convention":
        pendant = replace(pendant, rotation=reading.value)
        if reading.quantity:
            pendant = replace(pendant, angle_unit=reading.quantity)  # type: ignore[arg-type]
    elif reading.code == "unit" and reading.quantity == "angles":
        pendant = replace(pendant, angle_unit=reading.value)  # type: ignore[arg-type]
    elif reading.code == "unit":
        pendant = replace(pendant, length_unit=reading.value)  # type: ignore[arg-type]
    texts = texts_of(scene)
    if reading.order is not None:
        texts = {i: scene.fields[k] for i, k in zip(scene.ids, reading.order, strict=True)}
    alone = {scene.ids[row] for row in reading.alone}
    observations = tuple(seen for seen in problem.observations if seen.id not in alone)
    return replace(problem, pendant=pendant, observations=observations), texts


def _set_aside(scene: Scene, reading: Reading) -> frozenset[int]:
    if reading.order is None:
        return frozenset()
    return frozenset(i for row, i in enumerate(scene.ids) if reading.order[row] != row)


def described_as(scene: Scene, reading: Reading) -> tuple[Finding, ...]:
    """Return the finding of a reading."""
    pendant = scene.layout.pendant
    if reading.code == "rotation-convention":
        said = finding(
            "rotation-convention",
            field="rotation",
            typed=pendant.rotation,
            suggested=reading.value,
            also=also_called(reading.value),
        )
        unit = (_unit("angles", pendant.angle_unit, reading.quantity),) if reading.quantity else ()
        return (said, *unit)
    if reading.code == "unit":
        declared = pendant.angle_unit if reading.quantity == "angles" else pendant.length_unit
        return (_unit(reading.quantity, declared, reading.value),)
    if reading.code == "inverse-pose":
        return (finding("inverse-pose"),)
    moved = sorted(_set_aside(scene, reading))
    if reading.code == "swap":
        return (finding("pairing", "swap", stations=moved),)
    return (_shift(reading, moved),)


def _shift(reading: Reading, moved: list[int]) -> Finding:
    by = -int(reading.value)
    return finding(
        "pairing",
        stations=moved,
        station=moved[0] if reading.start else None,
        suggested=reading.value,
        shift=abs(by),
        shift_signed=f"{'+' if by < 0 else '−'} {abs(by)}",
    )


def _unit(quantity: str, declared: str, fits: str) -> Finding:
    return finding(
        "unit",
        "session",
        field=f"{'angle' if quantity == 'angles' else 'length'}_unit",
        typed=declared,
        suggested=fits,
        quantity=quantity,
        looks_like=UNIT_NAMES[fits],
        expected=UNIT_NAMES[declared],
        key=f"{'angle' if quantity == 'angles' else 'length'}_unit",
    )


def also_called(rotation: str) -> str:
    """Return in words which other name with reversed labels means the same matrices, or ""."""
    for other in ROTATIONS:
        order = equivalent(rotation, other)
        if other != rotation and order == (2, 1, 0):
            return f" (the same as {other} with its three angles in reverse order)"
    return ""
