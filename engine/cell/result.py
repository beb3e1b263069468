"""A result as data: what result.yaml holds and `solve` prints, and the rule of its verdict.

What is not known is None. The fields are the keys of the file, and their types say what may stand
there; `Annotated` gives the length of a list. Keys and units are told in docs/file-formats.md.
Nothing heavy is loaded here: the list of sessions reads results before the engine is there.
`proof.stated` makes checked arrays of the transforms.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Literal

from ..camera.model import Camera, LensU
from ..findings import Finding, Level, by_gravity, has_error
from .budget import StoredBudget
from .mount import KEYS
from .rule import Decision, Tolerance, chance_beyond, keeps
from .touched import REFUTED, TOUCHED, ByTouch, StoredProof

Verdict = Literal["accepted", "not-accepted"]
ACCEPTED: Verdict = "accepted"
NOT_ACCEPTED: Verdict = "not-accepted"

# Codes of causes that concern all stations, as the diagnosis finds them and with what joints show:
# what the fit says of its own uncertainty beside one of them means nothing.
DIAGNOSED_OF_ALL = (
    "pairing", "rotation-convention", "unit", "inverse-pose", "board-moved", "camera-moved",
    "board-pitch", "board-bowed", "lens", "depth-tilted", "image-turned", "board-counts",
)  # fmt: skip
CAUSES_OF_ALL = (*DIAGNOSED_OF_ALL, "joints-disagree")

TOLD, SHOWN = "unobservable", "number-shown"  # a number that no station shows, and a touch does
A_NUMBER = "a measured number"
TO_SHOW = (
    "Nothing in the stations shows this. Next: touch one point that the camera sees, with a "
    "pointer that gave no number (p on the result, or `stationbook proof DIR --touch ID --pose "
    "TEXT`); until then hand nothing over without it."
)


def only_if(told: Sequence[str]) -> str:
    """Return what a verdict holds for, in words: "" where it rests on no number as told."""
    are = "is" if len(told) == 1 else "are"
    return f"only if {' and '.join(told)} {are} right, as told" if told else ""


NOT_SHOWN = "as told, not shown"  # of tool and frame, where no stop has joints and pose


def of_all(item: Finding) -> bool:
    """Tell whether a finding is a cause of all stations, at level error."""
    return item.level is Level.ERROR and item.code in CAUSES_OF_ALL


def not_known_by(code: str | None) -> str:
    """Return that U is not known for a cause of all stations, in words; "" for none."""
    return f"not known while {code} stands" if code else ""


Numbers = tuple[float | None, ...]
Three = Annotated[Numbers, 3]
Four = Annotated[Numbers, 4]
Quaternion = Annotated[tuple[float, ...], 4]  # x y z w
Matrix = Annotated[tuple[Four, ...], 4]
Covariance = Annotated[tuple[Annotated[Numbers, 6], ...], 6]
Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Placed:
    """A transform [mm], None for what is not known: position (3,), x y z w, matrix (4, 4)."""

    position_mm: Three
    quaternion_xyzw: Quaternion | None
    matrix: Matrix

    @property
    def known(self) -> bool:
        """Whether all of it is known."""
        return self.quaternion_xyzw is not None and None not in self.position_mm


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Standard uncertainties (k = 1); None where not known.

    ``position_mm`` of the delivered transform, ``angle_deg`` of how a picked part is turned by it,
    ``work_volume_mm`` of a point placed by it at the worst corner of the work volume, ``pick_mm``
    with the robot's systematic error.
    """

    position_mm: float | None = None
    angle_deg: float | None = None
    work_volume_mm: float | None = None
    pick_mm: float | None = None


@dataclass(frozen=True, slots=True)
class NoiseLevels:
    """Standard deviations of one pixel coordinate, and of one typed pose on each axis."""

    pixel_px: float | None = None
    robot_position_mm: float | None = None
    robot_angle_deg: float | None = None


@dataclass(frozen=True, slots=True)
class StationResult:
    """One station in the result; None where it could not be used at all.

    ``residual_px`` RMS per coordinate after the fit; ``robot_residual_mm`` and ``_deg`` the error
    the fit gives to this stop's typed pose; ``left_out_mm`` and ``_deg`` the distance of the typed
    pose from where the other stations and this image put the flange, ``left_out_size`` the same as
    a multiple of what is expected (1: as expected). ``turn`` names the board turn undone, if any.
    """

    id: int
    used: bool = False
    weight: float | None = None
    residual_px: float | None = None
    robot_residual_mm: float | None = None
    robot_residual_deg: float | None = None
    left_out_mm: float | None = None
    left_out_deg: float | None = None
    left_out_size: float | None = None
    turn: str | None = None


@dataclass(frozen=True, slots=True)
class SystematicError:
    """One error that all stations share (of arm, board or lens), and its u, in the unit it has."""

    name: str
    value_mm: float | None = None
    u_mm: float | None = None
    value_deg: float | None = None
    u_deg: float | None = None
    value_px: float | None = None
    u_px: float | None = None
    value_ratio: float | None = None
    u_ratio: float | None = None

    def value_and_u(self) -> tuple[float, float]:
        """Return value and u in the unit that it has; 0 for what is not known."""
        pairs = (
            (self.value_mm, self.u_mm),
            (self.value_deg, self.u_deg),
            (self.value_px, self.u_px),
            (self.value_ratio, self.u_ratio),
        )
        value, u = next((pair for pair in pairs if pair[0] is not None), (None, None))
        return value or 0.0, u or 0.0


@dataclass(frozen=True, slots=True)
class Convergence:
    """How the fit ended: ``steps``, ``relinearised``, last ``change`` (None: no step made)."""

    steps: int
    relinearised: int
    change: float | None
    converged: bool


@dataclass(frozen=True, slots=True)
class StoredMovement:
    """How far a camera moved, with standard uncertainties; ``matrix`` new · old⁻¹."""

    position_mm: float
    angle_deg: float
    work_volume_mm: float
    u_position_mm: float
    u_angle_deg: float
    u_work_volume_mm: float
    matrix: Matrix


@dataclass(frozen=True, slots=True)
class Before:
    """The earlier session that a quick re-calibration rests on: where it had the camera."""

    session: str
    created: str
    inputs: Mapping[str, str]
    position_mm: Three | None
    quaternion_xyzw: Quaternion | None
    trusted_board: bool
    movement: StoredMovement | None


@dataclass(frozen=True, slots=True)
class Frames:
    """The tool and frame that poses were read in; ``shown``: the stops that show them, by name.

    Those have joints and pose, and agree; () means that tool and frame are as told.
    """

    tool: str
    frame: str
    shown: tuple[str, ...] = ()

    @property
    def how(self) -> str:
        """How it is known that they are the active ones."""
        if not self.shown:
            return NOT_SHOWN
        return f"shown by joints and pose at {', '.join(self.shown)}"

    def __str__(self) -> str:
        return f"frame {self.frame} and tool {self.tool}, {self.how}"


@dataclass(frozen=True, slots=True)
class FoundLens:
    """Lens data that the session's own images gave, in the form that a cell takes them.

    The transform delivered with them belongs to them: parts are to be located by the same data.
    """

    image_size_px: Annotated[tuple[int, ...], 2]
    matrix: tuple[tuple[float, float, float], ...]
    distortion: tuple[float, ...]
    u: LensU

    def on(self, camera: Camera) -> Camera:
        """Return the camera with these lens data."""
        matrix, bent = self.matrix, self.distortion
        return replace(camera, matrix=matrix, distortion=bent, u=self.u, lens_from="images")


def found_lens(camera: Camera) -> FoundLens | None:
    """Return the lens data that images, and not the cell, gave a camera; None where none did."""
    if camera.images_u is None:
        return None
    return FoundLens(camera.image_size_px, camera.matrix, camera.distortion, camera.images_u)


@dataclass(frozen=True, slots=True)
class StoredResult:
    """Everything that a result says; the keys and units are those of docs/file-formats.md.

    ``camera`` is the delivered transform, ``geometric`` where the camera truly stands, ``lens`` the
    lens data where the session's own images gave them, else None. ``board_and_lens_covariance``
    (q, 6 + q) is that of ``board_and_lens`` with the delivered transform and each other. Of a cell
    with further cameras, ``cameras`` holds what each gave; None for one without stations.
    """

    mount: Literal["eye-to-hand", "eye-in-hand"]
    verdict: Verdict = NOT_ACCEPTED
    camera: Placed | None = None
    board: Placed | None = None
    covariance: Covariance | None = None
    uncertainty: Uncertainty = field(default_factory=Uncertainty)
    proven: bool | None = None
    noise: NoiseLevels = field(default_factory=NoiseLevels)
    stations: tuple[StationResult, ...] = ()
    findings: tuple[Finding, ...] = ()
    geometric: Placed | None = None
    board_covariance: Covariance | None = None
    systematic: tuple[SystematicError, ...] = ()
    board_and_lens: tuple[SystematicError, ...] = ()
    board_and_lens_covariance: Rows | None = None
    budget: StoredBudget | None = None
    decision: Decision | None = None
    convergence: Convergence | None = None
    before: Before | None = None
    basis: str | None = None
    cameras: Mapping[str, StoredResult | None] = field(default_factory=dict)
    inputs: Mapping[str, str] | None = None
    proof: StoredProof | None = None
    frames: Frames | None = None
    lens: FoundLens | None = None

    @property
    def wider(self) -> float:
        """How much larger u is stated than the covariance says, so that U = 2u holds 95 %."""
        return self.budget.stated_wider if self.budget else 1.0

    @property
    def coverage_factor(self) -> float:
        """k of U = k·u but of a pick, u as the covariance says; U is twice `uncertainty`."""
        return 2.0 * self.wider

    @property
    def k(self) -> str:
        """The coverage factor in words: "k = 2", and where few stations say little "k = 2.18"."""
        shown = f"{self.coverage_factor:.2f}"
        return "k = 2" if shown == "2.00" else f"k = {shown}"

    @property
    def k_and_why(self) -> str:
        """The coverage factor, and the degrees of freedom where they make it another than 2."""
        made = self.budget
        if made is None or made.degrees_of_freedom is None or self.k == "k = 2":
            return self.k
        return f"{self.k} at {made.degrees_of_freedom:.0f} degrees of freedom"

    @property
    def pick_k(self) -> str:
        """The coverage factor of a pick in words: all corners keep its U at once."""
        factor = self.budget.coverage_factor if self.budget else None
        return self.k if factor is None else f"k = {factor:.2f}"

    @property
    def accepted(self) -> bool:
        """Whether the result may be handed over."""
        return self.verdict == ACCEPTED

    @property
    def told(self) -> tuple[str, ...]:
        """Numbers that an accepted result rests on as told, until a touch shows them; () for none.

        Nothing in the stations can tell whether they are right.
        """
        said = [item for part in self._parts for item in part.findings]
        if not self.accepted or any(item.code == SHOWN for item in said):
            return ()
        rests = [item for item in said if item.code == TOLD and item.level is Level.NOTE]
        numbers = [item.field and f"{item.field} {item.typed or ''}".strip() for item in rests]
        return tuple(dict.fromkeys(number or A_NUMBER for number in numbers))

    @property
    def verdict_words(self) -> str:
        """The verdict in words, with what it holds for: see `told`."""
        return f"{self.verdict.replace('-', ' ')} {only_if(self.told)}".rstrip()

    @property
    def by_touch(self) -> ByTouch:
        """What touched points say of the result as it stands now."""
        if any(item.code in REFUTED for item in self.findings):
            return "failed"
        if self.proven is None:
            return "not known"
        if self.proven:
            return "proven"
        return "no longer" if self.proof is not None and self.proof.proven else "not yet"

    @property
    def touched(self) -> str:
        """What touched points say of it, in words, with the frame that it is proven for."""
        said = TOUCHED[self.by_touch]
        return f"{said}, for {self.frames}" if self.by_touch == "proven" and self.frames else said

    @property
    def transforms(self) -> dict[str, Placed | None]:
        """Both transforms by name, the camera's first."""
        camera, board = KEYS[self.mount]
        return {camera: self.camera, board: self.board}

    @property
    def spoiled_by(self) -> str | None:
        """The first cause at level error that concerns all stations, by its code; None: none."""
        return next((item.code for item in self.findings if of_all(item)), None)

    @property
    def unknown_by(self) -> str | None:
        """The code of the cause for which U of a pick by all cameras is not known; None: none."""
        return next((code for part in self._parts if (code := part.spoiled_by)), None)

    def as_told(self) -> StoredResult:
        """Return the result as it is told: no uncertainty while a cause of all stands.

        Of each camera by itself. result.yaml alone keeps the numbers.
        """
        further = {name: part and part.as_told() for name, part in self.cameras.items()}
        told = replace(self, cameras=further)
        if self.spoiled_by is None:
            return told
        return replace(
            told,
            uncertainty=Uncertainty(),
            covariance=None,
            board_covariance=None,
            board_and_lens_covariance=None,
            budget=None,
        )

    @property
    def expanded_mm(self) -> float | None:
        """U = 2u of a pick [mm] by the worst camera, or None where it is not known.

        It is not while a cause of all stations stands, see `unknown_by`.
        """
        known = [u for part in self._parts if (u := part.uncertainty.pick_mm) is not None]
        return 2 * max(known) if len(known) == len(self._parts) and not self.unknown_by else None

    @property
    def further(self) -> dict[str, StoredResult | None]:
        """What each further camera gave, and that a touch shows a told number: of all cameras."""
        shown = tuple(item for item in self.findings if item.code == SHOWN)
        return {
            name: part and replace(part, findings=(*part.findings, *shown))
            for name, part in self.cameras.items()
        }

    @property
    def _parts(self) -> list[StoredResult]:
        """What each camera gave that saw stations, the first camera's first."""
        return [self, *(part for part in self.cameras.values() if part)]

    @property
    def all_findings(self) -> tuple[Finding, ...]:
        """The findings of all cameras; those of a further one name it."""
        found = list(self.findings)
        for name, part in self.cameras.items():
            for item in part.findings if part else ():
                found.append(replace(item, message=f"camera {name}: {item.message}"))
        return tuple(found)

    def judged(self, findings: Iterable[Finding], tolerance: Tolerance) -> StoredResult:
        """Return the result with these findings, errors first, and the verdict they give."""
        found = tuple(by_gravity(findings))
        said, why = verdict(self.uncertainty, tolerance, found, self.budget)
        return replace(self, findings=found, verdict=said, decision=why)


def verdict(
    u: Uncertainty,
    tolerance: Tolerance,
    findings: Iterable[Finding],
    made_of: StoredBudget | None,
) -> tuple[Verdict, Decision]:
    """Return accepted when nothing is at level error and U keeps the tolerance, and how decided.

    What is known to be wrong is taken out of a result, so the error that it states is 0. The chance
    that this is wrong follows from what u of a pick is ``made_of``: half of its U is more.
    """
    rule = tolerance.rule
    if has_error(item for item in findings if item.code != "tolerance"):  # which the rule says
        return NOT_ACCEPTED, Decision(rule, tolerance.set_by, None)
    sizes = (
        (u.pick_mm, made_of.stated_mm if made_of else u.pick_mm, tolerance.position_mm),
        (u.angle_deg, u.angle_deg, tolerance.angle_deg),
    )
    judged = [
        (keeps(half, limit, rule), chance_beyond(0.0, own, limit))
        for half, own, limit in sizes
        if half is not None and own is not None
    ]
    if len(judged) == len(sizes) and all(kept for kept, _ in judged):
        total = sum(beyond for _, beyond in judged)
        return ACCEPTED, Decision(rule, tolerance.set_by, min(total, 1.0))
    broken = [1.0 - beyond for kept, beyond in judged if not kept]
    return NOT_ACCEPTED, Decision(rule, tolerance.set_by, min(broken, default=None))
