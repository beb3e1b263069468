"""The station that is being entered: what was typed, what was seen, what was accepted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from engine.errors import StationbookError
from engine.findings import Finding, Level, by_gravity
from engine.steps.recording import Draft, outstanding
from engine.steps.station_image import ViewDraft
from engine.steps.station_pose import OVERRULED_WITH_REASON

Purpose = Literal["record", "retake", "correct"]


@dataclass(slots=True)
class Entry:
    """One station before it is stored.

    ``purpose``: a new station, the retake of ``station``, or only the correction of its pose.
    ``accepted`` holds the message that was accepted for every code: when the finding says something
    else later, it was not accepted. ``draft`` is None until all was examined.
    """

    purpose: Purpose = "record"
    station: int | None = None
    text: str = ""
    joints: str = ""
    closing: bool = False
    view: ViewDraft | None = None
    views: dict[str, ViewDraft] = field(default_factory=dict)  # of further cameras, by name
    draft: Draft | None = None
    accepted: dict[str, str] = field(default_factory=dict)
    reason: str | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything noticed so far, errors first."""
        if self.draft is not None:
            return tuple(by_gravity(self.draft.findings))
        return self.view.findings if self.view is not None and self.text else ()

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes that are accepted for what the findings say now."""
        said = {item.code: item.message for item in self.findings}
        return tuple(code for code, text in self.accepted.items() if said.get(code) == text)

    def standing(self) -> tuple[Finding, ...]:
        """Return what still keeps the station from being stored."""
        return outstanding(self.findings, self.codes, self.reason)

    def needs_reason(self) -> bool:
        """Tell whether accepting takes a reason: an error that may be overruled stands."""
        return any(item.level is Level.ERROR for item in self.standing())

    def accept(self, reason: str | None = None) -> tuple[str, ...]:
        """Accept all that stands and return the codes.

        Raises StationbookError where nothing stands, or where something must be put right first.
        """
        standing = self.standing()
        if not standing:
            raise StationbookError("nothing to accept", "Enter stores the station.")
        refuse_hard(standing)
        if self.needs_reason() and not (reason and reason.strip()):
            raise StationbookError("no reason given", "Say in a few words why it is right.")
        self.accepted |= {item.code: item.message for item in standing}
        self.reason = reason or self.reason
        return tuple(dict.fromkeys(item.code for item in standing))


def refuse_hard(findings: Iterable[Finding]) -> None:
    """Raise StationbookError for the first error that nobody can overrule."""
    for item in findings:
        if item.level is Level.ERROR and item.code not in OVERRULED_WITH_REASON:
            raise StationbookError(
                f"{item.code} must be put right first", item.remedy or "Correct the entry."
            )
