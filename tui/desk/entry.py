"""The station that is being entered: typed, seen, accepted, examined, stored; and closing stops."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from engine.cell.session import Station
from engine.cell.stations import Observation
from engine.errors import StationbookError
from engine.findings import Finding, Level, by_cause
from engine.plans.plan import CLOSING
from engine.steps.correcting import correct_pose, examine_correction
from engine.steps.planning import with_rest
from engine.steps.recording import (
    Consent,
    Draft,
    can_be_accepted,
    examine,
    judged_view,
    outstanding,
    record_station,
)
from engine.steps.station_image import ViewDraft, no_view
from engine.steps.station_pose import MISFIT, examine_line, observed

from .desk import Desk

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
        """Everything noticed so far, causes first."""
        if self.draft is not None:
            return tuple(by_cause(self.draft.findings))
        return () if self.view is None else tuple(by_cause(self.view.findings))

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes that are accepted for what the findings say now."""
        said = {item.code: item.message for item in self.findings}
        return tuple(code for code, text in self.accepted.items() if said.get(code) == text)

    @property
    def consent(self) -> Consent:
        return Consent(self.codes, self.reason)

    def standing(self) -> tuple[Finding, ...]:
        """Return what still keeps the station from being stored."""
        return outstanding(self.findings, self.consent)

    def hard(self) -> Finding | None:
        """Return the first error that stands and that nobody can overrule, or None."""
        hard = (item for item in self.standing() if not can_be_accepted(item))
        return next(hard, None)

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
        if (hard := self.hard()) is not None:
            raise StationbookError(
                f"{hard.code} must be put right first", hard.remedy or "Correct the entry."
            )
        if self.needs_reason() and not (reason and reason.strip()):
            raise StationbookError("no reason given", "Say in a few words why it is right.")
        self.accepted |= {item.code: item.message for item in standing}
        self.reason = reason or self.reason
        return tuple(dict.fromkeys(item.code for item in standing))


AGAIN: tuple[Purpose, ...] = ("retake", "correct")  # of a station that is there


def keep_entry(desk: Desk, entry: Entry) -> None:
    """Keep what is typed and not stored, so that it is there at the next opening once saved."""
    stations = desk.session.stations if desk.session else ()
    same = any(s.id == entry.station and " ".join(s.typed) == entry.text for s in stations)
    recorded = entry.purpose == "correct" and not entry.joints and same
    nothing = recorded or not (entry.text.strip() or entry.joints.strip())
    desk.kept.put("pose", "" if nothing else entry.text)
    desk.kept.put("joints", "" if nothing else entry.joints)
    desk.kept.put("closing", "yes" if entry.closing and not nothing else "")
    about = "" if nothing or entry.station is None else f"{entry.purpose} {entry.station}"
    desk.kept.put("station", about)


def kept_entry(desk: Desk) -> Entry | None:
    """Return what was typed and not stored when this session was open before, or None."""
    text, joints = desk.kept.get("pose"), desk.kept.get("joints")
    if not (text or joints):
        return None
    closing = bool(desk.kept.get("closing"))
    purpose, _, number = desk.kept.get("station").partition(" ")
    known = [s.id for s in desk.opened().stations if str(s.id) == number]
    if known and purpose in AGAIN:
        return Entry(purpose, known[0], text, joints, closing)
    return Entry(text=text, joints=joints, closing=closing)


def first_station(desk: Desk) -> Station | None:
    """Return the station that a closing stop returns to, or None where nothing is recorded."""
    stations = desk.session.stations if desk.session else ()
    return next((s for s in stations if s.typed), None)


def planned_closing(desk: Desk) -> bool:
    """Tell whether the station that comes next was proposed as a closing one.

    False until something was proposed.
    """
    at = desk.next_index
    return at is not None and desk.plan[at].why == CLOSING


def turned(entry: Entry) -> Entry:
    """Return the entry as a closing one, or as an ordinary one again.

    What was typed and what every camera saw stays; it is examined anew.
    """
    return replace(entry, closing=not entry.closing, draft=None, accepted={}, reason=None)


def visited(desk: Desk, entry: Entry) -> int | None:
    """Return the index in the plan of the station that ``entry`` records, or None.

    Whoever records the closing stop early still has it behind them.
    """
    if entry.purpose != "record":
        return None
    if not entry.closing:
        return desk.next_index
    left = [n for n, planned in enumerate(desk.plan) if planned.skipped is None]
    return next((n for n in left if desk.plan[n].why == CLOSING), None)


def examined(desk: Desk, entry: Entry) -> Draft:
    session, folder, station = desk.opened(), desk.folder, entry.station
    about = {} if station is None else {entry.purpose: station}
    joints, earlier = entry.joints or None, desk.earlier(**about)
    if entry.purpose == "correct" and station is not None:
        return examine_correction(
            session, folder, station, entry.text, joints=joints, earlier=earlier
        )
    told = () if station is not None else desk.plan
    pose = examine_line(
        session, entry.text, joints, closing=entry.closing, earlier=earlier, told=told
    )
    if not desk.joints_seen:  # nothing could be typed there
        kept = tuple(item for item in pose.findings if item.code != "frames-told")
        pose = replace(pose, findings=kept)
    view = entry.view or no_view(seen_by_others=bool(entry.views))
    new = entry.purpose == "record" and view.name is not None
    draft = examine(session, folder, pose, view, _refused(desk, view.name) if new else None)
    if new:
        _remember(desk, draft)
    return draft.with_views(
        [judged_view(session, folder, pose, *seen) for seen in entry.views.items()]
    )


def _refused(desk: Desk, image: str | None) -> Observation | None:
    """Return the last stop that did not fit and was left with its image, not stored."""
    return next((stop for name, stop in reversed(desk.refused.items()) if name != image), None)


def _remember(desk: Desk, draft: Draft) -> None:
    """Keep a stop that does not fit until it is put right, by its image, or a station is stored.

    A pose not typed to its end, as while it is deleted, says nothing of the stop.
    """
    codes = {item.code for item in draft.findings}
    if draft.pose.base_T_flange is None or "digits-missing" in codes:
        return
    desk.refused.pop(draft.view.name or "", None)
    stop = observed(desk.opened(), draft.pose, draft.view) if MISFIT in codes else None
    if stop is not None:
        desk.refused[draft.view.name or ""] = stop


def store(desk: Desk, entry: Entry) -> int:
    """Store the entry and return the station's id; raises StationbookError if it cannot be."""
    draft, who = entry.draft or examined(desk, entry), desk.who
    consent, station = entry.consent, entry.station
    if entry.purpose == "correct" and station is not None:
        desk.do(
            f"correct {station}",
            lambda session: correct_pose(session, station, draft, consent),
        )
        return station
    step = visited(desk, entry)
    done = None if step is None else desk.plan[step]
    plan = desk.plan if desk.advised else desk.opened().plan
    rest = [item for item in plan if item != done]
    new_id = desk.opened().next_id if station is None else station
    desk.do(
        f"{entry.purpose} {new_id}",
        lambda session: record_station(with_rest(session, rest), desk.folder, draft, who, consent),
    )
    desk.wished = None
    desk.refused.clear()
    return new_id
