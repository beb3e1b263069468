"""Texts of findings: what is typed."""

from __future__ import annotations

from .entry import Entry, error, note, warning

ENTRIES: dict[str, Entry] = {
    "format": error(
        "The pose cannot be read: {problem}.",
        "{remedy}",
        cause="The typed line has too few or too many numbers, a character that belongs to no "
        "number, or can be read in two ways.",
        shows="At once, while typing. Nothing is stored.",
    ),
    "format/station": error(
        "Station {station} is left out, what was typed for it cannot be read: {problem}.",
        "{remedy}",
    ),
    "format/joints": error("The joint angles cannot be read: {problem}.", "{remedy}"),
    "unit": warning(
        "{field} {typed} looks like {looks_like}, but the cell says the pendant shows {expected}.",
        "Look at the unit on the pendant. If it really shows {looks_like}, correct "
        "pendant.{key} in the cell.",
        cause="The pendant was set to another unit (m or inch for mm, radians for degrees), or the "
        "cell file names the wrong one.",
        shows="Values out of all proportion; over a session, robot travel and board travel "
        "differ by a factor of about 1000, 25.4 or 57.3.",
    ),
    "unit/session": error(
        "The typed {quantity} fit when read as {looks_like}, not as {expected}.",
        "Look at the unit on the pendant and correct pendant.{key} in the cell.",
    ),
    "unit/reported": error(
        "The reported places of the board fit when read as {looks_like}: {factor:.4g} times as "
        "far.",
        "Give board_pose in mm, or correct the unit in the system that reports it; then record "
        "again.",
    ),
    "unit/reported-radians": error(
        "The reported rotations fit when the numbers of their rotation vectors are read as "
        "degrees: they were taken for radians.",
        "Turn degrees into radians in the system that reports board_pose, before it makes the "
        "quaternion; then record again.",
    ),
    "unit/reported-degrees": error(
        "The reported rotations fit when the numbers of their rotation vectors are read as "
        "radians: they were taken for degrees.",
        "Give radians to what makes the quaternion in the system that reports board_pose; then "
        "record again.",
    ),
    "unit/stations": error(
        "At {stations:station|stations} {stations} the typed {quantity} fit when read as "
        "{looks_like}, not as {expected}.",
        "Type these poses again in {expected}, as the cell says that the pendant shows them.",
    ),
    "duplicate": error(
        "The same pose is already recorded as station {other}.",
        "Read the pendant again. If the robot really returned there, record it as a closing "
        "station, or retake station {other}.",
        cause="The robot did not move, or the previous pose was typed again.",
        shows="All fields agree with a recorded station within what the pendant can show.",
    ),
    "duplicate/previous": error(
        "This is the pose of the previous station {other}: robot not moved, or pendant not "
        "read again.",
        "Jog to the next station, then read the pendant again.",
    ),
    "reach": error(
        "The robot cannot stand at this pose: {detail}.",
        "Check the active tool and frame, then every digit. If all is right, the robot file is "
        "wrong: accept with a reason.",
        cause="A mistyped digit, a wrong active tool or frame, or a robot file that does not "
        "describe this robot.",
        shows="The inverse kinematics of the robot file has no solution at the typed pose.",
    ),
    "reach/robot-file": warning(
        "{count} poses in a row were out of reach or limits although the robot stands there: the "
        "robot file is in doubt.",
        "Check the active tool and frame first; then compare the robot file with the name plate "
        "and the joint values on the pendant.",
    ),
    "keep-out": warning(
        "By this pose the flange is {depth_mm:.0f} mm inside {box}, a box to keep out of.",
        "Compare the pose with the pendant, and the active tool and frame. If the robot stands "
        "there, correct that box (keep_out in the cell): no jog is told out of it.",
        cause="A mistyped digit, a wrong tool or frame, or a box described at the wrong place.",
        shows="The middle of the flange is more than 20 mm inside a box of the cell's keep_out.",
    ),
    "joint-limit": error(
        "{joint} would stand at {value:.1f} {unit}, outside its limit of {limit:g} {unit}.",
        "Check the active tool and frame, then every digit. If all is right, the limit in the "
        "robot file is wrong: accept with a reason.",
        cause="A mistyped digit, a wrong tool or frame, or limits in the robot file that are not "
        "this robot's.",
        shows="Every way the robot could hold this pose breaks a limit; the nearest one is named.",
    ),
    "joint-limit/near": note(
        "{joint} stands at {value:.1f} {unit}, {margin:.1f} {unit} from its limit of {limit:g} "
        "{unit}.",
        "Nothing to do; the next move may have to go the other way.",
    ),
    "joint-limit/singular": note(
        "The wrist is near its singular position ({joint} at {value:.1f} deg).",
        "Nothing to do; jogging straight from here can make the wrist turn fast. Jog by joints.",
    ),
    "joints-disagree": warning(
        "The typed joints put the flange {distance_mm:.1f} mm and {angle_deg:.2f}° away from the "
        "typed pose.",
        "Read both from the pendant again; check that the active tool is {tool} and the active "
        "frame {frame}. Other stops with joints and pose agree.",
        cause="A digit mistyped in either, another tool or frame active, or a robot file that does "
        "not describe this robot.",
        shows="The pose computed from the joints differs from the typed one by more than "
        "the robot's accuracy and the digits shown explain.",
    ),
    "joints-disagree/at-either": warning(
        "The typed joints put the flange {distance_mm:.1f} mm and {angle_deg:.2f}° away from the "
        "typed pose ({stops}).",
        "Read both from the pendant again; check that the active tool is {tool} and the active "
        "frame {frame}. Other stops with joints and pose agree. If the tool was another one there, "
        "it was {as_tool}; if the frame was, {as_frame}; joints and pose of one more stop of that "
        "kind, turned by {turned_deg:g}° or more, tell which.",
    ),
    "joints-disagree/at-tool": warning(
        "At {stops} another tool was active than {tool}, {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° from it: joints and poses there fit {as_tool}. Other stops agree.",
        "Select {tool} on the pendant, and read the poses of all stops again that were typed with "
        "the other tool.",
    ),
    "joints-disagree/at-frame": warning(
        "At {stops} another frame was active than {frame}, {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° from it: joints and poses there fit {as_frame}. Other stops agree.",
        "Select {frame} on the pendant, and read the poses of all stops again that were typed with "
        "the other frame.",
    ),
    "joints-disagree/either": warning(
        "The typed joints put the flange {distance_mm:.1f} mm and {angle_deg:.2f}° away from the "
        "typed pose: another tool or frame is active than {tool} and {frame}, a digit is wrong, "
        "the angles are meant in another order, or the robot file is wrong.",
        "Read both again and look at what is active on the pendant. As the tool, {as_tool} would "
        "fit; as the frame, {as_frame}. Type joints and pose at one more stop, turned by "
        "{turned_deg:g}° or more: two stops tell which.",
    ),
    "joints-disagree/tool": warning(
        "Joints and poses fit another tool than {tool}: the one that is active on the pendant is "
        "{distance_mm:.1f} mm and {angle_deg:.2f}° from it ({stops}).",
        "Select {tool} on the pendant, or enter as pendant.active_tool what fits: {as_tool}.",
    ),
    "joints-disagree/tool-or-file": warning(
        "Joints and poses fit another tool than {tool}, {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° from it, or a robot file with {part} ({stops}).",
        "See on the pendant whether {tool} is active. If another one is, select {tool}, or enter "
        "as pendant.active_tool what fits: {as_tool}. If it is, compare the robot file with the "
        "robot's manual. Joints and pose of a stop that differs in every joint may tell which.",
    ),
    "joints-disagree/frame": warning(
        "Joints and poses fit another frame than {frame}: the one that is active on the pendant is "
        "{distance_mm:.1f} mm and {angle_deg:.2f}° from it ({stops}).",
        "Select {frame} on the pendant, or enter as pendant.active_frame what fits: {as_frame}.",
    ),
    "joints-disagree/frame-or-file": warning(
        "Joints and poses fit another frame than {frame}, {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° from it, or a robot file with {part} ({stops}).",
        "See on the pendant whether {frame} is active. If another one is, select {frame}, or enter "
        "as pendant.active_frame what fits: {as_frame}. If it is, compare the robot file with the "
        "robot's manual. Joints and pose of a stop that differs in every joint may tell which.",
    ),
    "joints-disagree/both": warning(
        "Joints and poses fit neither the tool {tool} nor the frame {frame}: those active on the "
        "pendant are up to {distance_mm:.1f} mm and {angle_deg:.2f}° from them ("
        "{stops}).",
        "Select both on the pendant, or enter what fits: pendant.active_tool {as_tool}, "
        "pendant.active_frame {as_frame}.",
    ),
    "joints-disagree/several": warning(
        "Joints and poses differ by up to {distance_mm:.1f} mm and {angle_deg:.2f}°, and neither "
        "another tool nor another frame alone explains it ({stops}).",
        "Check the active tool ({tool}), the active frame ({frame}) and the robot file. Joints and "
        "pose of a third stop, turned by {turned_deg:g}° or more, tell which.",
    ),
    "joints-disagree/part": warning(
        "The robot file is wrong: joints and poses differ by up to {distance_mm:.1f} mm and "
        "{angle_deg:.2f}°, and agree with {part} ({stops}).",
        "Compare the robot file with the name plate and the robot's manual, and correct it. Tool "
        "and frame are as told.",
    ),
    "joints-disagree/robot": warning(
        "The robot file does not describe this robot: whatever the tool and the frame, joints and "
        "poses differ by up to {distance_mm:.1f} mm and {angle_deg:.2f}° ({stops}).",
        "Compare the robot file with the name plate and the robot's manual: link lengths, joint "
        "zeros, directions. A digit mistyped at one of few stops looks the same: read them again.",
    ),
    "frames-told": note(
        "Frame and tool as told, not shown: poses are taken to be in frame {frame} and tool "
        "{tool}.",
        "Type the joints beside the pose at one stop (F5 on the screen, `record --joints`): that "
        "shows a wrong tool, frame or robot file, and two stops tell which.",
        cause="A tool or frame that is wrong from beginning to end fits every image as well as the "
        "right one.",
        shows="Until a stop in use has joints and pose that agree.",
    ),
    "frames-told/no-robot": note(
        "Frame and tool as told, not shown: poses are taken to be in frame {frame} and tool "
        "{tool}.",
        "Compare both with the pendant. Once the robot is described, joints and pose of one stop "
        "show them.",
    ),
    "frames-told/upwards": warning(
        "The Z of tool {tool} is taken to point up, though the flange points down. If this pendant "
        "counts it downwards, along the flange, everything stands {distance_mm:.1f} mm higher or "
        "lower; no image tells.",
        "Type the joints beside the pose at one stop (F5 on the screen, `record --joints`): they "
        "show it. If Z counts downwards, change the signs of Y, Z and the turn in "
        "pendant.active_tool. Or begin with the flange as the active tool.",
    ),
    "frames-told/first": note(
        "Joints beside the pose of the first stop show whether tool {tool} and frame {frame} are "
        "the active ones.",
        "Type them there too (F5 on the screen, `record --joints`).",
    ),
    "frames-told/touch": note(
        "Joints beside the pose of a touch show whether tool {tool} and frame {frame} are the "
        "active ones; until then the proof holds for them as told.",
        "Type them at one touch, with the robot still standing there (F7 on the screen, "
        "`proof --touch N --pose TEXT --joints TEXT`).",
    ),
    "overruled": warning(
        "By the robot file the robot cannot stand at {count} of {total} stations ({stations}).",
        "Check the active tool and frame first: joints typed beside the pose at two stops show "
        "them. Then correct the limits or the geometry in the robot file.",
        cause="Limits or geometry in the robot file that are not this robot's, another tool or "
        "frame active, or poses that were mistyped.",
        shows="A pose in use is out of reach, or no posture holds it within the joint limits, "
        "whether or not that was accepted with a reason when the station was recorded.",
    ),
    "overruled/most": error(
        "By the robot file the robot cannot stand at {count} of {total} stations ({stations}). So "
        "many speak of a wrong tool, frame or robot file.",
        "Type joints and pose at two stops: they show which. Then correct the cell; limits alone "
        "that are wrong belong corrected in the robot file.",
    ),
    "overruled/joints": error(
        "By the robot file the robot cannot stand at {count} of {total} stations ({stations}). So "
        "many speak of a wrong robot file.",
        "Compare its zeros, directions and limits with the pendant, then correct the cell.",
    ),
    "copied-pose": warning(
        "These are the very digits of planned station {planned}: told here, not read off the "
        "pendant?",
        "Read the pendant at this stop and type what it shows; accept if it shows just this.",
        cause="The told move was typed instead of what the pendant shows; a jog hardly ever ends "
        "on every digit.",
        shows="All fields of the typed pose equal those of a planned station, to the digits typed.",
    ),
    "lost-point": warning(
        "{field} {typed} is more than a whole turn: {field} {typed} → {suggested}?",
        "Compare {field} with the pendant; the decimal point is missing.",
        cause="A decimal point was left out or the finger slipped to another key.",
        shows="The typed angle exceeds 360°, or the typed pose is near a planned station with the "
        "point set, and near none as typed.",
    ),
    "lost-point/told": warning(
        "{field} {typed} is far from planned station {planned}, {field} {suggested} is near it: "
        "decimal point lost?",
        "Compare {field} with the pendant; accept if the robot stands elsewhere on purpose.",
    ),
    "joints-typed": warning(
        "These look like joint angles: as a pose they put the flange {where}.",
        "Let the pendant show the pose (position and angles in the base) and type that. Joints "
        "have a line of their own (F5 on the screen, `record --joints`).",
        cause="The pendant showed joint angles when the pose was wanted.",
        shows="As a pose the numbers lie in the arm's own foot or where it cannot stand; as joint "
        "angles they are within its limits.",
    ),
    "joints-typed/no-robot": warning(
        "These look like joint angles: as a pose they put the flange {distance_mm:.0f} mm from the "
        "middle of the base.",
        "Let the pendant show the pose (position and angles in the base) and type that.",
    ),
    "digits-missing": warning(
        "{what} {count:has|have} fewer decimals than the {shown} that the pendant shows: not typed "
        "to the end?",
        "Type every digit that the pendant shows. Where it leaves zeros at the end out, accept: "
        "this is asked once in a session.",
        cause="Enter was pressed in the middle of a number, or digits were rounded off. Some "
        "pendants leave zeros at the end out.",
        shows="A value has fewer decimals than the cell, or the stations recorded, say that the "
        "pendant shows, and no recorded station shows that it leaves zeros out.",
    ),
    "digits-missing/all": warning(
        "All values have fewer decimals than the {shown} that the cell says the pendant shows.",
        "Type every digit that the pendant shows. If it shows no more, accept, and correct "
        "pendant.decimals in the cell: what rounding hides is reckoned from it.",
    ),
    "lost-sign": warning(
        "{field} {typed} is far from planned station {planned}, {field} {suggested} is near it: "
        "sign lost?",
        "Compare the sign of {field} with the pendant; accept if the robot stands elsewhere on "
        "purpose.",
        cause="A minus was left out, or typed where there is none.",
        shows="With one sign turned the typed pose is near a planned station, as typed near none.",
    ),
    "small-move": warning(
        "Only {distance_mm:.1f} mm and {angle_deg:.1f}° from the previous station {other}; a "
        "useful move is at least {least_mm:g} mm or {least_deg:g}°.",
        "Move further, best with a tilt of the board, then read the pendant again.",
        cause="The robot was hardly moved: the station costs time and adds almost no information.",
        shows="Distance and rotation from the previous station are both below the threshold.",
    ),
    "off-plan": note(
        "The pose is {distance_mm:.0f} mm and {angle_deg:.1f}° away from planned station "
        "{planned}.",
        "Nothing to do if this was meant; the rest of the plan is adapted.",
        cause="The operator stopped elsewhere than planned, or a digit is wrong.",
        shows="The typed pose is compared with the planned one.",
    ),
}
