"""What can hurt somebody, said once: every place picks the sentences that it needs.

The wording is ours, the rules are common practice (ISO 10218-1: reduced speed in manual mode).
"""

from __future__ import annotations

STOPPED = "Type only with the robot stopped and the enabling switch released."
RULES = "The robot maker's rules, the local rules and licensed practice come first."

BEWARE = "Beware: "  # before what may go wrong on one way that is told

NEXT_MOVE = (  # short: it stands beside every move
    "Reduced speed in manual mode, nobody else inside the fence.",
    "Arm, cables and fixtures are NOT checked.",
    STOPPED,
    "The robot maker's and local rules come first.",
)
NEXT_MOVE_READ = "Reduced speed, nobody inside the fence; arm and cables are NOT checked."  # read
PLAN = (
    "The program does not check arm, cables, hoses and fixtures: look where everything will go "
    "before each move, and stop where it gets tight.",
    "Jog at reduced speed in manual mode, with nobody else inside the fence.",
    STOPPED,
    RULES,
)
BLIND_PLAN = (
    "Small jogs only: where the camera is, and whether the pose is read as the pendant means it, "
    "is not confirmed before three stations fit together.",
    *PLAN,
)
TOUCH = (
    "Touch in manual mode at reduced speed, in small steps over the last 50 mm, nobody else inside "
    "the fence; a pointer is sharp.",
    STOPPED,
    RULES,
)
RECHECK = (
    "Manual mode at reduced speed, nobody else inside the fence; after a bump the cell may not be "
    "as it was.",
    STOPPED,
    RULES,
)
CARRIED_POINTS = (
    "Drive to every carried point first in manual mode at reduced speed, nobody else inside the "
    "fence, with a hand on the enabling switch; cables and fixtures are not checked.",
    STOPPED,
    RULES,
)
STORED_POSES = (
    "Drive to a stored pose first in manual mode at reduced speed, nobody else inside the fence, "
    "with a hand on the enabling switch; the way there, arm, cables and fixtures are not checked.",
    STOPPED,
    RULES,
)
_FIRST_MOVES = (
    "First moves with a new transform: manual mode at reduced speed, nobody else inside the fence, "
    "tool well above parts and fixtures, one hand on the enabling switch."
)
NEW_VALUES = (STOPPED, _FIRST_MOVES, RULES)
REPORT = (
    STOPPED,
    _FIRST_MOVES,
    "Planned and computed poses are not checked against arm, cables and fixtures.",
    RULES,
)
