"""The catalogue of findings: every text that a finding can show, in one place.

A key is ``code`` or ``code/variant``; a variant is the same finding in other words. ``message`` and
``remedy`` are templates for `findings.finding`: ``{name}`` is a value, ``{name:one|several}`` a
word by its number. ``cause`` and ``shows`` belong to the code and stand in its
first entry only: `stationbook explain CODE` and docs/findings.md are made from them.
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple


class Entry(NamedTuple):
    """Texts of one finding. ``level`` is "error", "warning" or "note"."""

    level: str
    message: str
    remedy: str
    cause: str = ""
    shows: str = ""


error, warning, note = (partial(Entry, level) for level in ("error", "warning", "note"))

CATALOGUE: dict[str, Entry] = {
    # ---- on entry -------------------------------------------------------------------------------
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
    "same-image": warning(
        "This image is the one of station {other}.",
        "Take a new image at this stop.",
        cause="The camera did not deliver a new image, or the old file was taken again.",
        shows="The image's content is identical (same SHA-256 or same pixels).",
    ),
    "same-image/unchanged": warning(
        "The board stands in the image where it stood at station {other}, although the pose "
        "changed by {distance_mm:.0f} mm and {angle_deg:.1f}°.",
        "Take a new image; the camera may still show the old one.",
    ),
    "board-missing": warning(
        "No board found in {image}.",
        "Check light, focus and that the whole board is in view; take the image again.",
        cause="Board out of view, covered, dark, blurred, or another board than the cell says.",
        shows="The search finds no rows and columns of corners or circles.",
    ),
    "board-missing/other-count": warning(
        "The board in {image} has {columns} × {rows} points; the cell's board has {cell_columns} × "
        "{cell_rows}.",
        "Count inner corners or circles on the board and correct board.columns and board.rows in "
        "the cell, or take the cell's own board.",
    ),
    "board-missing/layout": warning(
        "The board in {image} has its markers where the cell's board has dark squares.",
        "Enter board.legacy_layout: {suggested} in the cell, or take the cell's own board.",
    ),
    "board-missing/mirrored": warning(
        "The board in {image} is found only once the image is mirrored: no camera sees it so.",
        "Switch mirroring off in the camera or in what saves the images, and take the image again. "
        "Of a chessboard, check too that its corner squares are dark as on the cell's own.",
    ),
    "board-missing/not-numbered": warning(
        "{count} points are seen in {image}, but not which of the board's they are.",
        "Bring a corner of the board and two of its sides into view; larger or missing circles "
        "tell it too.",
    ),
    "board-missing/not-stored": warning(
        "The board is found in {image} now, but the station has no points.",
        "Take the station again with this image, or bring poses and images in as a table.",
    ),
    "board-missing/no-image": warning(
        "The station has no image and no points.",
        "Take the image at this stop; a pose alone cannot be solved.",
    ),
    "board-cut-off": warning(
        "The board is {where}: {found} of {expected} points found.",
        "Move the whole board into the view, or accept if the pattern can be used in part.",
        cause="Part of the board lies outside the image or is covered.",
        shows="Fewer points than the board has, or points at the very border of the image.",
    ),
    "points-left-out": note(
        "{left} of the board's {expected} points are left out.",
        "Nothing to do; the others are enough. Wipe the board and keep hands, shadows and "
        "reflections off it to have them all.",
        cause="Points that are covered, dirty, at the edge of a shadow or in a reflection are not "
        "where the others say.",
        shows="They are not found, or lie off the smooth image of the board.",
    ),
    "image-old": warning(
        "This image was taken {age} before the session began.",
        "Take a new image at this stop; accept the old one only if nothing moved since. If it came "
        "just now, the camera's clock is behind: accept it, and set the clock.",
        cause="The newest file in the camera's folder is left from earlier work: the camera's "
        "program saves nothing, or elsewhere.",
        shows="The file was last written before the session was started. Such an image is not "
        "taken by itself.",
    ),
    "imprecise": warning(
        "This image places the board only within U {U_mm:.2g} mm at the work volume, where "
        "{limit_mm:.2g} mm are wanted.",
        "Take it again when the reasons beside it are put right; accept it if there is no better.",
        cause="Blur, motion, light, noise, or a board that is seen small, in part or too flat.",
        shows="The points' own uncertainties, from the image's gradients and noise, what they miss "
        "a flat board by, and a smear are carried over to the corners of the work volume.",
    ),
    "misfit": warning(
        "The points miss a flat board seen through this lens by {misfit_px:.2f} px, where each is "
        "seen to {scatter_px:.2f} px.",
        "Make sure that these are the camera and the lens data of the cell, at this focus and "
        "zoom, and that the board is flat.",
        cause="Lens data of another camera, focus or zoom; or a board that is not flat, or not the "
        "one that the cell describes.",
        shows="In the first image: what the points are off by makes a smooth pattern, larger than "
        "what the cell says of lens and board explains (its chance is below 1 in 10,000).",
    ),
    "misfit/lens": warning(
        "The points miss a flat board seen through this lens by {misfit_px:.2f} px, where each is "
        "seen to {scatter_px:.2f} px, as they do with wrong lens data.",
        "Make sure that these are the camera and the lens data of the cell, at this focus and "
        "zoom; `stationbook lens` (l on the screen) estimates them from the recorded stations.",
    ),
    "misfit/bow": warning(
        "The points miss a flat board seen through this lens by {misfit_px:.2f} px, where each is "
        "seen to {scatter_px:.2f} px, as they do with a bowed board.",
        "Lay a straight edge on the board; fix it to a stiff plate, or measure its points and name "
        "them in board.points_file.",
    ),
    "smeared": warning(
        "The image is smeared over {smear_px:.1f} px.",
        "Wait until the arm has settled, then take the image again; shorten the exposure if the "
        "cell shakes.",
        cause="Arm, board or camera still moved while the image was taken.",
        shows="The blur is longer than it is wide, which no lens in focus does. The pose that the "
        "pendant shows at rest is not the one in the image.",
    ),
    "smeared/mm": warning(
        "The image is smeared over {smear_px:.1f} px, {smear_mm:.2g} mm at the board.",
        "Wait until the arm has settled, then take the image again; shorten the exposure if the "
        "cell shakes.",
    ),
    "noisy": warning(
        "The image is noisy: {noise:.0f} grey levels, where dark and light differ by "
        "{contrast:.0f}.",
        "More light in place of gain; save images as PNG or TIFF, not as strongly compressed JPEG.",
        cause="Too little light made up for by gain, or compression.",
        shows="Neighbouring pixels of one shade differ.",
    ),
    "seen-small": warning(
        "The board spans only {percent:.0f} % of the image.",
        "Bring the board nearer to the camera, or use a larger one.",
        cause="The board is far away or small for this lens.",
        shows="Its larger side against the image's long side.",
    ),
    "blurred": warning(
        "The image is blurred: edges are {width_px:.1f} px wide, {limit_px:.1f} px is the limit.",
        "Wait until the arm has settled; check focus and exposure time; take the image again.",
        cause="The arm was still moving, the lens is out of focus, or the exposure is too long.",
        shows="Edges between dark and light squares spread over too many pixels.",
    ),
    "over-exposed": warning(
        "{percent:.0f} % of the board is at full white.",
        "Shorten the exposure or shade the board from the lamp.",
        cause="Exposure too long, or a lamp mirrored in the board.",
        shows="Bright pixels at the largest value: edges shift towards the dark side.",
    ),
    "over-exposed/reflection": warning(
        "Something bright is mirrored in the board and covers parts of the pattern.",
        "Shade the board from the lamp, or turn it a little; a matt board mirrors less.",
    ),
    "over-exposed/image": warning(
        "{percent:.0f} % of the image is at full white.",
        "Shorten the exposure or shade the view from the lamp; take the image again.",
    ),
    "under-exposed": warning(
        "The board's contrast is only {contrast:.0f} of {full} grey levels.",
        "Lengthen the exposure or add light.",
        cause="Too little light or too short an exposure.",
        shows="Dark and light squares differ by few grey levels: points become noisy.",
    ),
    "under-exposed/range": note(
        "The brightest part of the image uses only {percent:.1f} % of the camera's range.",
        "Lengthen the exposure or open the aperture. Where the camera delivers fewer bits than its "
        "files hold, say so in the cell: camera.bits.",
    ),
    "under-exposed/image": warning(
        "The whole image spans only {contrast:.0f} of {full} grey levels.",
        "Open the lens cap, lengthen the exposure or add light; take the image again.",
    ),
    "steep-view": warning(
        "The board is tilted {angle_deg:.0f}° away from the camera; up to {limit_deg:.0f}° is "
        "measured well.",
        "Tilt the board back a little.",
        cause="The board is seen too flat.",
        shows="The angle between the board's normal and the line of sight.",
    ),
    "depth-holes": warning(
        "Depth covers {percent:.0f} % of the board; at least {limit:.0f} % of it is needed.",
        "Bring the board into the range of the 3-D camera and out of reflections, or accept: "
        "the pixels count alone.",
        cause="The board stands too near or too far, reflects the light of the camera, or the "
        "depth file is another one.",
        shows="Share of the board's outline in which the depth file has values, light and dark "
        "parts of the pattern apart.",
    ),
    "depth-holes/light": warning(
        "Depth covers {percent:.0f} % of the light parts of the board; at least {limit:.0f} % is "
        "needed.",
        "Less exposure or light for the depth, or tilt the board out of the reflection; or "
        "accept: the pixels count alone.",
    ),
    "depth-holes/dark": warning(
        "Depth covers {percent:.0f} % of the dark parts of the board; at least {limit:.0f} % is "
        "needed.",
        "More exposure or light for the depth, or a board printed grey instead of black; or "
        "accept: the pixels count alone.",
    ),
    "depth-holes/absent": note(
        "No depth came with this image; the pixels count alone.",
        "Nothing to do, or take image and depth again.",
    ),
    "depth-noisy": warning(
        "One value of depth varies by {noise:.2f} mm on the board; at this distance at most "
        "{limit:.2f} mm is usual.",
        "Let the camera warm up, lengthen its exposure or average several takes, keep other light "
        "away; or accept: the pixels count alone.",
        cause="Too little light for the depth, another 3-D camera that shines into this one, a "
        "setting for speed, or a board out of the range.",
        shows="Scatter of the depth values on the board about a smooth surface.",
    ),
    "depth-disagrees": warning(
        "Depth says the board is {percent:+.2f} % farther than its image does; both together "
        "explain {limit:.2f} %.",
        "Check camera.depth.scale_mm (here {suggested} would fit), the pitch of the board and the "
        "lens data, and the 3-D camera's own calibration; or accept: the pixels count alone.",
        cause="A wrong scale in the cell, a 3-D camera out of calibration or cold, a wrong pitch, "
        "lens data of another lens, or a depth file of another stop.",
        shows="The plane that depth puts through the board is compared with the pose of the board "
        "by its image, with the uncertainties of both.",
    ),
    "depth-disagrees/unit": warning(
        "Depth puts the board {times:.4g} times as far away as its image does.",
        "Enter camera.depth.scale_mm: {suggested} in the cell, if depth and image are of one stop; "
        "or accept: the pixels count alone.",
    ),
    "depth-disagrees/points": warning(
        "The points lie {percent:+.2f} % farther from the camera than the size of the board says; "
        "both together explain {limit:.2f} %.",
        "Check the unit of the points, the pitch of the board and the 3-D camera's own "
        "calibration.",
    ),
    "depth-disagrees/tilt": warning(
        "Depth tilts the board {angle:.2f}° against its image; both together explain {limit:.2f}°.",
        "Check that image and depth were taken at the same stop, and the 3-D camera's own "
        "calibration; or accept: the pixels count alone.",
    ),
    "depth-disagrees/bow": warning(
        "Depth bends the board by {bow:.2f} mm; a flat board and a sound camera explain "
        "{limit:.2f} mm.",
        "Lay a straightedge on the board. Where it is flat, the 3-D camera needs its calibration; "
        "or accept: the pixels count alone.",
    ),
    "depth-disagrees/frame": warning(
        "The points of the cloud lie {angle:.1f}° off the pixels that they stand for; "
        "{limit:.1f}° is the most.",
        "Let the camera deliver the cloud in the frame of its image: x to the right, y down, z "
        "away from the camera.",
    ),
    "depth-disagrees/session": warning(
        "Depth is {percent:+.2f} % off against the images of all stations, and scatters "
        "{times:.1f} times as much as it should: it was left out.",
        "Check camera.depth.scale_mm, the pitch of the board, the lens data and the 3-D camera's "
        "own calibration.",
    ),
    "depth-scale": note(
        "Depth measures all lengths {percent:+.3f} % off (u {u:.3f} %): {corner_mm:.2f} mm from "
        "the middle of the work volume to its sides, which no transform takes away.",
        "Have the 3-D camera calibrated, or multiply its points by the ratio that fits: "
        "scale_mm {suggested} in place of the cell's.",
        cause="The calibration of the 3-D camera is a little off, or it is cold.",
        shows="The scale of depth is estimated with the stations, against the pitch of the board, "
        "the lens data and the travel of the robot.",
    ),
    "depth-scale-assumed": note(
        "How well the scale of depth is known is not given; {percent:g} % is assumed.",
        "Enter camera.depth.scale_u from the 3-D camera's certificate.",
        cause="camera.depth.scale_u is absent in the cell.",
        shows="Where a station carries depth, until it is entered.",
    ),
    "image-size": error(
        "The image is {width} × {height} px, the lens data are for {cell_width} × "
        "{cell_height} px.",
        "Set the camera to the size of the lens data; never resize or crop calibration images.",
        cause="Another resolution or a crop was set in the camera.",
        shows="The image size is compared with the cell's.",
    ),
    "does-not-fit": warning(
        "The image says that {field} {typed} is wrong: {field} {typed} → {suggested}?",
        "Compare {field} with the pendant.",
        cause="A typing slip, an old image, or a board or camera moved since the last station.",
        shows="The pose predicted from the image by the recorded stations differs from the typed "
        "one by more than both uncertainties explain.",
    ),
    "does-not-fit/no-suggestion": warning(
        "The image says the flange is {distance_mm:.1f} mm and {angle_deg:.2f}° away from the "
        "typed pose; no single slip explains it.",
        "Compare every field with the pendant, and the image with the stop.",
    ),
    "does-not-fit/motion": warning(
        "Since station {other} the robot turned {robot_deg:.1f}° by the typed poses, the board "
        "{board_deg:.1f}° by the images.",
        "Compare the angles with the pendant, and the image with the stop.",
    ),
    "does-not-fit/same-flange": warning(
        "This stop and {other} are off by the same {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° in the flange: another tool than {tool} is active, or the {on_flange} "
        "has moved on the flange.",
        "Look at the active tool on the pendant. If it is another one, select {tool} and retake "
        "{other}; if the {on_flange} moved, fasten it and begin a new session.",
    ),
    "does-not-fit/same-base": warning(
        "This stop and {other} are off by the same {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° in the base: another frame than {frame} is active, or the {fixed} has "
        "moved.",
        "Look at the active frame on the pendant. If it is another one, select {frame} and retake "
        "{other}; if the {fixed} moved, fasten it and begin a new session.",
    ),
    "does-not-fit/same-either": warning(
        "This stop and {other} are off by the same {distance_mm:.1f} mm and "
        "{angle_deg:.2f}°: another tool than {tool} or another frame than {frame} is active, or "
        "the {on_flange} on the flange or the {fixed} has moved.",
        "Look at the active tool and frame on the pendant. If they are others, select these and "
        "retake {other}; if something moved, fasten it and begin a new session.",
    ),
    # ---- on the session -------------------------------------------------------------------------
    "typed-value": error(
        "Station {station}: {field} {typed} does not fit; {suggested} does.",
        "Compare {field} with the paper or the pendant; if it was {suggested}, apply the "
        "correction and solve again.",
        cause="One digit, sign, point or field was mistyped.",
        shows="One station fits nothing as typed, and within the noise with one field changed.",
    ),
    "typed-value/either": error(
        "Station {station}: {field} {typed} does not fit; {candidates} does, as likely as each "
        "other.",
        "Compare {field} with the paper or the pendant, correct it, and solve again.",
    ),
    "rotation-convention": error(
        "The angles fit when read as {suggested}{also}, not as {typed}.",
        "Check the convention in the robot's manual; set pendant.rotation to {suggested} in "
        "the cell.",
        cause="The cell names another order of rotations than the pendant uses.",
        shows="The session fits badly as declared and within the noise under another convention.",
    ),
    "rotation-convention/reported": error(
        "The reported poses of the board fit when their quaternions are read as w x y z.",
        "Give the quaternions of board_pose in the order x y z w.",
    ),
    "rotation-convention/reported-transposed": error(
        "The reported poses of the board fit once their rotations are the other way round: they "
        "turn the camera into the board.",
        "Transpose the rotation matrices (x, y and z of the quaternion with their signs changed) "
        "in the system that reports board_pose, and leave the places as they are; then record "
        "again.",
    ),
    "rotation-convention/yaw": error(
        "The angles {field} fit once their signs are changed: this pendant counts them clockwise, "
        "seen from above.",
        "Check {field} at two stops by turning the last axis; type every {field} with its sign "
        "changed, and go on so.",
    ),
    "rotation-convention/unsettled": warning(
        "The stations fit badly as {typed}, but are tilted too little to tell which of "
        "{candidates} is right.",
        "Add a station with at least {tilt_deg:.0f}° of tilt about {axis}.",
    ),
    "pairing": error(
        "Images and poses are shifted by {shift}: the image of station k fits the pose of station "
        "k {shift_signed}.",
        "Pair the images with the poses again by their times.",
        cause="An image was taken twice or not at all, and all later ones belong to other poses.",
        shows="Poses and images fit after shifting one list against the other.",
    ),
    "pairing/swap": error(
        "The images of stations {stations} are exchanged.",
        "Exchange the images of these two stations, or retake both.",
    ),
    "pairing/cameras": error(
        "The images of {camera} and {other} are exchanged: those of each fit the lens data of the "
        "other.",
        "Store the images of each camera under its own name; if they are, exchange the lens data "
        "of both in the cell. Then solve again.",
    ),
    "pairing/cameras-some": error(
        "At {stations:station|stations} {stations} the images of {camera} and {other} are "
        "exchanged.",
        "Exchange the images of both cameras there, or retake {stations:it|them}.",
    ),
    "pairing/order": error(
        "The {stations:image of station|images of stations} {stations} "
        "{stations:belongs|belong, in this order,} to the "
        "{stations:pose of station|poses of stations} {suggested}.",
        "Pair the images with the poses again by their times.",
    ),
    "board-moved": error(
        "From {since} on the board sits {distance_mm:.1f} mm and {angle_deg:.2f}° elsewhere on the "
        "flange.",
        "Check the board's mount and the active tool, then repeat the stations from {first} on or "
        "those before {last}.",
        cause="Eye-to-hand: the board slipped on the flange, or another tool became active. "
        "Eye-in-hand: the board was shifted in the cell, or another user frame became active.",
        shows="Both parts of the session fit alone; together only with two board places.",
    ),
    "board-moved/in-cell": error(
        "From {since} on the board lies {distance_mm:.1f} mm and {angle_deg:.2f}° elsewhere in the "
        "cell.",
        "Check that the board lies fast and the active user frame, then repeat the stations from "
        "{first} on or those before {last}.",
    ),
    "board-moved/twice": error(
        "The board moved twice on the flange: from {since} on it sits {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° elsewhere, and from {since_again} on {again_mm:.1f} mm and "
        "{again_deg:.2f}° from there.",
        "Fasten the board on its mount and check the active tool, then do the session again.",
    ),
    "board-moved/twice-in-cell": error(
        "The board moved twice in the cell: from {since} on it lies {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° elsewhere, and from {since_again} on {again_mm:.1f} mm and "
        "{again_deg:.2f}° from there.",
        "Fasten the board and check the active user frame, then do the session again.",
    ),
    "board-moved/drift": error(
        "The board drifted by {distance_mm:.2f} mm and {angle_deg:.3f}° from the first station to "
        "the last.",
        "Tighten the board's mount and let everything reach one temperature, then repeat; a "
        "closing stop at the first station shows whether it still drifts.",
    ),
    "board-moved/other-way": error(
        "The board sits the other way round on its mount than at the earlier result: "
        "{angle_deg:.1f}° and {distance_mm:.0f} mm; whether the camera moved is not known.",
        "Take the board off and put it on as it was, point 0 where it was before, then record "
        "these stations again.",
    ),
    "board-moved/undecided": error(
        "Two things explain this alike. {first} {other} One of them happened.",
        "Check the mounts of camera and board, and the active tool and frame, then repeat; a "
        "closing stop at the first station tells a drift from a knock.",
    ),
    "board-moved/since": error(
        "The board sits {distance_mm:.2f} mm and {angle_deg:.3f}° elsewhere on the {carrier} than "
        "at the earlier result; the camera shows no movement.",
        "Clean and tighten the board's mount, check that the active tool and frame are those of "
        "the earlier session, and repeat; if it stays, do the full job.",
    ),
    "camera-moved": error(
        "From {since} on the camera stands {distance_mm:.1f} mm and {angle_deg:.2f}° elsewhere.",
        "Check the camera's mount and the active user frame, then repeat the stations from "
        "{first} on or those before {last}.",
        cause="Eye-to-hand: the camera was knocked, or another user frame became active. "
        "Eye-in-hand: the camera was knocked, or another tool became active.",
        shows="Both parts of the session fit alone; together only with two camera places.",
    ),
    "camera-moved/on-flange": error(
        "From {since} on the camera sits {distance_mm:.1f} mm and {angle_deg:.2f}° elsewhere on "
        "the flange.",
        "Check the camera's mount and the active tool, then repeat the stations from {first} on or "
        "those before {last}.",
    ),
    "camera-moved/twice": error(
        "The camera moved twice: from {since} on it stands {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° elsewhere, and from {since_again} on {again_mm:.1f} mm and "
        "{again_deg:.2f}° from there.",
        "Fasten the camera's mount and check the active user frame, then do the session again.",
    ),
    "camera-moved/twice-on-flange": error(
        "The camera moved twice on the flange: from {since} on it sits {distance_mm:.1f} mm and "
        "{angle_deg:.2f}° elsewhere, and from {since_again} on {again_mm:.1f} mm and "
        "{again_deg:.2f}° from there.",
        "Fasten the camera's mount and check the active tool, then do the session again.",
    ),
    "camera-moved/drift": error(
        "The camera drifted by {distance_mm:.2f} mm and {angle_deg:.3f}° from the first station to "
        "the last.",
        "Let the camera warm up (common practice: half an hour), check its mount, then repeat; a "
        "closing stop at the first station shows whether it still drifts.",
    ),
    "camera-moved/undecided": error(
        "Two things explain this alike. {first} {other} One of them happened.",
        "Check the mounts of camera and board, and the active tool and frame, then repeat; a "
        "closing stop at the first station tells a drift from a knock.",
    ),
    "camera-moved/since": error(
        "The camera moved since the earlier result: {movement}. Parts in the work volume appear up "
        "to {work_volume_mm:.2f} mm off.",
        "Keep the line stopped until a pick is said to be within the tolerance. Check that the "
        "active tool and frame are those of the earlier session: others look the same. Then fix "
        "the camera's mount and calibrate again; points taught by hand stay right and must not be "
        "shifted.",
    ),
    "cameras-disagree": error(
        "This camera places the board {distance_mm:.2f} mm and {angle_deg:.3f}° from where camera "
        "{other} places it; the two were not solved together.",
        "Check the lens data of both cameras, and that the images are of the camera named; then "
        "compare the cameras' findings.",
        cause="Wrong lens data, images of another camera, or a board that moved between the stops "
        "of one camera and those of the other.",
        shows="Each camera fits its own stations; they see one board in two places.",
    ),
    "result-overtaken": error(
        "{camera} moved after this result: recheck of {at} with session {by}.",
        "Calibrate again. `--anyway` hands it over all the same, with this mark.",
        cause="A recheck found that the camera no longer stands where this result says, or that a "
        "pick is beyond the tolerance, or its stations contradict what the result says.",
        shows="The journal of the session says so; a recheck that finds the camera where it was, "
        "and a pick within the tolerance, takes the mark away.",
    ),
    "result-overtaken/something": error(
        "{camera} or the board moved after this result: recheck of {at} with session {by}.",
        "Do what that recheck says and repeat it, or calibrate again. `--anyway` hands it over all "
        "the same, with this mark.",
    ),
    "result-overtaken/contradict": error(
        "{camera} may no longer stand where this result says: the stations of the recheck of {at} "
        "with session {by} contradict each other.",
        "Do what that recheck says and repeat it, or calibrate again. `--anyway` hands it over all "
        "the same, with this mark.",
    ),
    "result-overtaken/beyond": error(
        "{camera} is off by more than the tolerance on this result: recheck of {at} with session "
        "{by}.",
        "Calibrate again. `--anyway` hands it over all the same, with this mark.",
    ),
    "recheck-open": warning(
        "{camera} may be off by more than the tolerance on this result: the recheck of {at} with "
        "session {by} could not tell yet.",
        "Record more stations in that session, then repeat the recheck: it says how many.",
        cause="A recheck with few stations leaves the pick error open.",
        shows="The journal of the session says so; a recheck that finds a pick within the "
        "tolerance takes this away.",
    ),
    "result-outdated": error(
        "The session changed since this result was computed: {changed}.",
        "Solve again, look at the result, then hand it over.",
        cause="A station was recorded, corrected or set aside since, or a file was replaced.",
        shows="The files differ from those whose SHA-256 the result carries.",
    ),
    "closing-elsewhere": warning(
        "A closing stop returns to station {first}; this one is {distance_mm:.0f} mm and "
        "{angle_deg:.1f}° from there.",
        "Go back to station {first} as near as a jog allows, or record this stop as an ordinary "
        "one.",
        cause="The stop was marked as closing by mistake, or another pose was typed.",
        shows="The typed pose is far from that of the first station.",
    ),
    "stations-gone": warning(
        "session.yaml was changed outside of this program, and {count} of the stations in the "
        "journal are not in it: {ids}.",
        "If that was not on purpose, the file was cut off or replaced: the journal holds what was "
        "typed, images and points are still in the folder. Record these stations again from there.",
        cause="A file cut off while copying, an older copy put in its place, or a station deleted "
        "by hand.",
        shows="The file's SHA-256 is not the one that the journal last noted.",
    ),
    "station-damaged": error(
        "session.yaml holds a station that cannot be read, and goes on without it: {problem}.",
        "Look at that line, or let `doctor DIR --rebuild` show what the journal can restore; the "
        "damaged file is kept beside the new one.",
        cause="A disk fault, a copy that was cut off, or a slip while editing the file by hand.",
        shows="One station of the file breaks its form; the others are whole.",
    ),
    "signature": note(
        "The result was signed {at} with the key of {name}.",
        "Nothing to do: result and journal are what was signed.",
        cause="A result can be signed with a site's own key; see docs/trust.md.",
        shows="signature.yaml lies beside the result.",
    ),
    "signature/unknown": note(
        "The result was signed {at} with a key that you do not know: {key}.",
        "Ask the site for its key by another way, then `stationbook sign --trust NAME KEY`.",
    ),
    "signature/wrong": warning(
        "The signature does not hold: {problem}.",
        "Do not rely on it: have the result signed anew by whoever answers for it. Key: {key}.",
    ),
    "signature/unread": warning(
        "The signature cannot be checked: {problem}.",
        "Put that right, then check again.",
    ),
    "altered": warning(
        "{what} is not what this program wrote last: it was altered since.",
        "If nobody did that on purpose, compare with a backup or with the paper before you trust "
        "the result; `doctor DIR --rebuild` shows what the journal can restore.",
        cause="The file was edited, replaced, copied from elsewhere or damaged since.",
        shows="Its SHA-256 is not the one in the journal, or a journal line does not carry on from "
        "the one before it. Whoever writes the whole journal anew leaves no such trace.",
    ),
    "altered/deleted": warning(
        "{what} was stored and is not there any more.",
        "Take it from a backup, or record what it belongs to again.",
    ),
    "altered/added": note(
        "{what} lies in the folder, but no line of the journal stored it.",
        "It enters no result. An action that was cut off leaves such a file too; remove it if you "
        "do not know it.",
    ),
    "altered/line": warning(
        "Line {what} of the journal was altered, or lines after it were taken out or put in.",
        "Compare with a backup before you trust what the journal says.",
    ),
    "inverse-pose": error(
        "The typed poses fit when inverted: they give the base in the flange.",
        "Type the flange in the base, as the pendant shows it, or correct the program that wrote "
        "the poses.",
        cause="The poses come from a program that writes flange_T_base.",
        shows="The session fits only with every pose inverted.",
    ),
    "inverse-pose/reported": error(
        "The reported poses fit when inverted: they give the camera in the board.",
        "Give board_pose as the board in the camera (camera_T_board): invert the poses in the "
        "system that reports them, then record again.",
    ),
    "inverse-pose/either": error(
        "The session fits when all typed poses are inverted, and as well when all reported poses "
        "of the board are: one of both is the other way round.",
        "Give board_pose as the board in the camera, and type the flange in the base. The z of a "
        "board_pose is how far the board is before the lens.",
    ),
    "board-pitch": error(
        "The board's pitch fits as {suggested} mm, the cell says {typed} mm.",
        "Measure the board over its whole length and correct board.pitch_mm (Esc, then t, on the "
        "screen).",
        cause="Board printed to another scale, or its pitch entered wrong.",
        shows="Robot travel and board travel differ by a steady factor while rotations agree.",
    ),
    "board-pitch/reported": error(
        "The reported places of the board fit once they are {factor:.4g} times as far.",
        "Correct the board's pitch or the unit in the system that reports "
        "board_pose, then record again.",
    ),
    "board-bowed": error(
        "The board is bowed: {sag_mm} mm over its diagonal fit, the cell says less.",
        "Mount the board on a stiff plate, or measure its points (board.points_file).",
        cause="A sheet on a plate that bends, or a board that was clamped.",
        shows="All images share a pattern that a bent board makes.",
    ),
    "board-bowed/shape": error(
        "The board is not as the cell describes it: stretched, sheared, bowed or twisted, its "
        "points lie up to {off_mm} mm elsewhere.",
        "Print it true to scale on a stiff plate, or measure its points (board.points_file).",
    ),
    "board-turned": note(
        "In the {stations:image of station|images of stations} {stations} the board was read "
        "turned by {turn}; undone.",
        "Nothing to do; mark point 0 on the board to be sure which way it is held.",
        cause="The pattern looks the same after this turn, so the detector may start at "
        "another corner; or the board was put on its mount the other way round.",
        shows="The station fits only after renumbering its points.",
    ),
    "board-turned/on-mount": warning(
        "From station {station} on the board sits the other way round, by half a turn; undone.",
        "Was it put on again? Then see that it lies in its mount alike both ways, or put it on as "
        "it was and take these stations again. Mark point 0 on the board.",
    ),
    "lens": error(
        "The lens data do not fit the images: focal length fits as {suggested} px, the cell "
        "says {typed} px.",
        "Use the lens data made at this image size, focus and zoom, or calibrate the lens again.",
        cause="Lens data of another resolution, focus, zoom or camera.",
        shows="Points miss the fitted board by far more than the detector's noise, in a pattern.",
    ),
    "lens/centre": error(
        "The lens data do not fit the stations: the image centre fits as ({suggested}) px, the "
        "cell says ({typed}) px.",
        "Use the lens data made for this image (cropped or shifted images have another centre), or "
        "calibrate the lens again.",
    ),
    "lens/shape": error(
        "The lens data do not fit the images: points are off by {residual_px:.2g} px in a pattern "
        "that repeats over the view.",
        "Calibrate the lens again at this focus and image size.",
    ),
    "lens/rectified": error(
        "The images show no distortion, but the cell gives {off_px:.0f} px of it at the image's "
        "corner: it was taken out of them before.",
        "Take the images as the camera sees them; or, where parts are located in such images too, "
        "enter the lens data that belong to them: distortion 0, and their own matrix.",
    ),
    "lens/resized": error(
        "The images have {factor:g} times the size that the lens data belong to.",
        "Take images at the size of the lens calibration: no binning, no scaling by grabber or "
        "viewer. Or, where parts are located in such images too, enter the lens data of that size.",
    ),
    "image-turned": error(
        "In the {stations:image of station|images of stations} {stations} the board was seen "
        "turned by {suggested}: so read, it fits the others.",
        "Take the turn out of the camera's settings or of what saves the images, and retake these "
        "images at the same stops.",
        cause="A camera or viewer that turns or mirrors what it saves, or a camera mounted upside "
        "down whose software undoes it.",
        shows="The stations fit only with their images turned or mirrored.",
    ),
    "image-turned/mirrored": error(
        "The {stations:image of station|images of stations} {stations} {stations:is|are} mirrored: "
        "unmirrored, {stations:it fits|they fit} the others.",
        "Switch mirroring off in the camera or in what saves the images, and retake these images.",
    ),
    "image-turned/all-turned": error(
        "All images are turned by {suggested} against those that the lens data belong to.",
        "Switch the turn off in the camera or in what saves the images and retake them, or "
        "calibrate the lens with images turned as these.",
    ),
    "image-turned/all-mirrored": error(
        "All images are mirrored: no camera sees a board so.",
        "Switch mirroring off in the camera or in what saves the images, and retake them.",
    ),
    "board-counts": error(
        "The points are numbered as on a board of {suggested} columns; the cell says {typed}, "
        "which leaves {residual_px:.0f} px in the images.",
        "Count inner corners, or circles, along a row and down a column; correct board.columns and "
        "board.rows in the cell.",
        cause="Squares counted instead of inner corners, rows and columns exchanged, or another "
        "board.",
        shows="Points lie as on a board only when numbered with another count.",
    ),
    "board-counts/shifted": error(
        "In the {stations:image of station|images of stations} {stations} the points are numbered "
        "one off: the board has more {field} than the {typed} that the cell says.",
        "Count inner corners, or circles, along a row and down a column; correct board.columns and "
        "board.rows in the cell, then find the points again.",
    ),
    "still-moving": error(
        "At station {station} the robot was still moving, {distance_mm:.2f} mm and "
        "{angle_deg:.2f}° off along its way from station {other}.",
        "Go there again, wait until the arm stands still, then read the pendant and take the "
        "image.",
        cause="Image taken, or pendant read, before the arm had settled.",
        shows="The station is off along the way from the station before, and in no other "
        "direction.",
    ),
    "outlier": error(
        "Station {station} does not fit: off by {distance_mm:.2f} mm and {angle_deg:.2f}°.",
        "Compare its pose and image with the paper; retake it or set it aside.",
        cause="Something is wrong at this station that no single typing slip explains.",
        shows="Left out, the other stations agree; this one is far from what they predict.",
    ),
    "outlier/no-agreement": error(
        "The stations do not agree with each other, and no cause that is looked for explains it.",
        "Check the active tool and frame, the rotation convention and which image belongs to which "
        "pose; then record the session again.",
    ),
    "weak-direction": warning(
        "{what} is known only to ±{expanded:.2g} {unit}.",
        "{remedy_text}",
        cause="The stations are too much alike: few tilts, or tilts about one axis only.",
        shows="The largest axis of the covariance.",
    ),
    "unobservable": error(
        "{direction} cannot be found from these stations.",
        "{remedy_text}",
        cause="A robot that turns about one axis only cannot show how far camera and board are "
        "shifted along it; pure shifts cannot show the camera's place at all.",
        shows="The information matrix has a direction without information.",
    ),
    "unobservable/fixed": note(
        "{direction} cannot be found from these stations: as told by the measured {given}, not "
        "shown by them.",
        "The result is as good as that measurement along this direction. One touch shows it (p on "
        "the result, or `stationbook proof`), unless a touch with that pointer gave it: then take "
        "a pointer of another length, or measure board.height_mm by other means first.",
    ),
    "unobservable/far": error(
        "By the number that was told, the {what} would sit {distance_mm:.0f} mm above or below the "
        "flange: no mount is that long.",
        "Check board.height_mm: its sign, its unit, and from where it is measured (along the "
        "flange's z axis with a fixed camera, over the base with a camera on the flange). Check "
        "pendant.flange_down too. Or touch one point that the camera sees (`proof --touch ID "
        "--fix`).",
    ),
    "unobservable/flange-down": note(
        "The result rests on {field}: {typed}, as told, not shown: were the flange the "
        "other way up, the camera would stand {distance_mm:.0f} mm higher or lower.",
        "Look at the flange: board.height_mm counts along its z axis, which points down where "
        "flange_down is true. A point touched with a pointer longer or shorter than that shows it.",
    ),
    "number-shown": note(
        "Touch {touch} shows that the number on which the result rests is right: the camera saw "
        "the point {distance:.2f} ± {expanded:.2f} mm from where it was touched.",
        "Nothing to do; what touches prove of the whole work volume stands beside it.",
        cause="A number that the stations cannot show was told, and a point was touched with a "
        "pointer that did not give it.",
        shows="Error and U of the touch together are within the tolerance, by its rule, and no "
        "touch disagrees.",
    ),
    "volume-far": error(
        "The work volume lies {distance_m:.1f} m from where the board was seen: there a pick is "
        "not known to {limit_mm:.0f} mm.",
        "Check work_volume in the cell, the length unit and the active frame; else record stations "
        "at the work volume.",
        cause="The work volume was entered in another unit or frame, or no station is near it.",
        shows="The camera's place is known, but its uncertainty grows with the distance.",
    ),
    "volume-far/robot": error(
        "With a robot that is {accuracy_mm:g} mm off, as the cell tells, a pick is not known to "
        "{limit_mm:.0f} mm.",
        "Enter the accuracy it really has as robot.accuracy_mm (robot_accuracy_mm with robot: "
        "none), in mm.",
    ),
    "volume-far/behind": error(
        "The work volume lies behind the camera.",
        "Check work_volume in the cell: its frame, its unit and its signs.",
    ),
    "volume-far/beside": warning(
        "The camera sees neither the middle nor any corner of the work volume.",
        "Check work_volume in the cell: its frame, its unit and its signs. U is stated for there.",
    ),
    "height-open": warning(
        "board.height_mm may be that of another point: the board looks the same after a turn, and "
        "the point that would then be point 0 lies {distance_mm:.1f} mm higher or lower. Camera "
        "and board would be off by as much.",
        "Touch one point that the camera sees as the missing number (`proof --touch ID --fix`), "
        "and solve: that settles it. Circles that differ (board.larger) show which end is which.",
        cause="An even board looks the same after half a turn; nothing in the images says which of "
        "its ends is point 0.",
        shows="The board as solved, turned into itself, has another point 0 at another height.",
    ),
    "too-few": error(
        "{count} usable {count:station|stations}; at least {least} are needed.",
        "Record more stations, tilted about two different axes.",
        cause="The unknowns outnumber what was measured, or nothing would be left to check it.",
        shows="Counted before solving.",
    ),
    "too-few/why": error(
        "{usable}. {lacking}.",
        "{remedy_text}",
    ),
    "too-few/inverse": error(
        "Three stations fit poses typed the other way round (the base in the flange) as well as "
        "these; the camera would stand {distance_mm:.0f} mm elsewhere.",
        "Add one more station, turned or tilted otherwise: it tells which is right.",
    ),
    "robot-geometry": warning(
        "Robot errors grow smoothly over the workspace ({error_mm:.2g} mm RMS): the arm's geometry "
        "is off by more than accuracy_mm says.",
        "Raise robot.accuracy_mm to {suggested} (robot_accuracy_mm with robot: none), keep the "
        "stations near the work volume, or have the robot calibrated.",
        cause="Link lengths and joint zeros differ from the nominal ones.",
        shows="Residuals of neighbouring stations agree, those of distant ones do not.",
    ),
    "robot-geometry/exact": warning(
        "Robot errors grow smoothly over the workspace ({error_mm:.2g} mm RMS), more than "
        "accuracy_mm says. The cell calls {exact} exact: a pitch or a focal length that is off by "
        "0.1 % looks like this too.",
        "Measure the board over many pitches and check the lens data first; enter pitch_mm, "
        "scale_u and camera.u as they are known. Only if it stays, raise robot.accuracy_mm to "
        "{suggested}, or have the robot calibrated.",
    ),
    "lens-unknown": warning(
        "The cell gives no lens data, and there are not enough images yet to find them.",
        "Record at least five stations whose boards are tilted in different directions; "
        "`stationbook lens` (l on the screen) says what is missing.",
        cause="camera.matrix is none: the lens is found from the session's own images.",
        shows="Fewer than five stations with points, or boards that are nearly parallel. Until "
        "then a guess stands in for the lens, and U says so.",
    ),
    "lens-unknown/reported": warning(
        "The cell gives no lens data, and reported poses of the board show none: U is wider for "
        "it, and no lens data are handed over.",
        "Enter camera.matrix and camera.u of the system that reports the poses.",
    ),
    "lens-assumed": note(
        "How well the lens data are known is not given; {assumed} are assumed (standard "
        "uncertainties).",
        "Enter camera.u as the lens calibration states it; or calibrate from about 20 images other "
        "than this session's stations, which would count twice, spread to the image's corners "
        "(`stationbook lens` on a session of their own).",
        cause="camera.u, or some of its keys, are absent in the cell.",
        shows="Always, until all of them are entered.",
    ),
    "lens-assumed/part": note(
        "How well the lens data are known is given in part; for the rest is assumed (standard "
        "uncertainty): {assumed}.",
        "Enter the other keys of camera.u as the lens calibration states them.",
    ),
    "lens-own": note(
        "These lens data come from the {count} stations of this session: entered for it, the same "
        "images would count twice, as lens data and as stations, and U would be told too small.",
        "Enter them in cells of other sessions. For this one, calibrate from other images: a "
        "session of their own, about 20, spread to the image's corners.",
        cause="`lens` reads the images of a session's own stations.",
        shows="Always where `lens` finds lens data.",
    ),
    "lens-own/entered": warning(
        "The cell's lens data are those of the {count} stations of this very session: their images "
        "count twice, as lens data and as stations, and U is told too small.",
        "Give camera.matrix: none in this session, which uses its images once; or lens data from "
        "other images.",
    ),
    "lens-corner": note(
        "These images tell the distortion at the image's corner only to ±{edge_px:.2g} px "
        "(standard uncertainty), worse than the ±{known_px:g} px that {how}: the board was seen up "
        "to {percent:.0f} % of the way to the corner.",
        "Keep the cell's lens data where they fit. Better ones need images with the board in all "
        "four corners.",
        cause="No point of the board was seen near the image's corners.",
        shows="u of the distortion found, carried on to the corner, is above what the cell says or "
        "what is assumed.",
    ),
    "lens-corner/none": note(
        "The distortion is not known at the image's corner: ±{edge_px:.2g} px (standard "
        "uncertainty), where an ordinary calibration gives ±{known_px:g} px. The board was seen up "
        "to {percent:.0f} % of the way to the corner.",
        "Record images with the board in all four corners.",
    ),
    "board-assumed": note(
        "How well the board is known is not given; lengths ±{percent:g} % and flatness "
        "±{bow_mm:g} mm are assumed (standard uncertainties).",
        "Measure its length over many pitches: length / pitches is board.pitch_mm, u of the length "
        "/ length is board.scale_u. Lay a straight edge on it: the gap gives board.bow_u_mm.",
        cause="board.scale_u or board.bow_u_mm is absent in the cell.",
        shows="Until both are entered. Where measuring the board helps most, what-helps says it.",
    ),
    "board-assumed/scale": note(
        "How well the board's lengths are known is not given; ±{percent:g} % is assumed (standard "
        "uncertainty).",
        "Measure its length over many pitches: length / pitches is board.pitch_mm, u of the length "
        "/ length is board.scale_u.",
    ),
    "board-assumed/bow": note(
        "The flatness of the board is not given; ±{bow_mm:g} mm is assumed (standard uncertainty).",
        "Lay a straight edge on it: the gap gives board.bow_u_mm.",
    ),
    "locate-assumed": note(
        "How parts are located is not given; by the same lens data as here is assumed.",
        "Enter locate: lens where parts are found in this camera's images, locate: depth where "
        "they are true 3-D points; it decides how much of a lens error cancels.",
        cause="locate is absent in the cell.",
        shows="Always, until it is entered.",
    ),
    "locate-assumed/depth": note(
        "How parts are located is not given; by the depth of this camera is assumed.",
        "Enter locate: depth, or locate: lens where parts are found in this camera's images.",
    ),
    "view-behind": error(
        "Station {stations}: the board does not lie wholly before the camera.",
        "Check that board_pose is camera_T_board in mm, or put the stations aside.",
        cause="A reported pose is in metres, inverted or of another frame; or poses and images "
        "contradict each other so much that the fit puts the board behind the camera.",
        shows="A point of the board is behind the camera, or nearer than a tenth of its distance.",
    ),
    "view-behind/metres": error(
        "Station {stations}: the reported pose of the board looks like metres.",
        "Give board_pose in mm: x, y and z times 1000.",
    ),
    "view-behind/none": error(
        "Station {stations}: what is seen there gives no pose of the board: its points lie on one "
        "line, or it is edge-on or too far away.",
        "Retake it, or put the station aside.",
    ),
    "noise-beyond": error(
        "Images and poses scatter by {pixel_px:.2g} px, {position_mm:.2g} mm and "
        "{angle_deg:.2g}°: no camera and no robot does that.",
        "Do not use the result; check units, convention and the pairing of images, or record "
        "again.",
        cause="Poses and images do not belong together, and no cause that is looked for explains "
        "it.",
        shows="The noise found is 30 times what the robot file says, or above 5 px.",
    ),
    "no-fit": error(
        "These stations give no result: poses and images contradict each other.",
        "Check units, convention and the pairing of images, or record again.",
        cause="The equations of the fit have no solution in finite numbers, or none in reach.",
        shows="Never for stations that hold any sense.",
    ),
    "what-helps": note(
        "The largest part of a pick's uncertainty comes from: {part} (u = {share:.2g} mm).",
        "Measure the board over its whole length ({length:.0f} mm) to 0.1 mm, and enter pitch_mm "
        "and scale_u: U {now:.2g} → {after:.2g} mm.",
        cause="The board's scale, the lens data or the board's height is known only roughly.",
        shows="One single measurement would shrink U by a tenth or more.",
    ),
    "what-helps/assumed": note(
        "{assumed} The largest part of a pick's uncertainty comes from: {part} (u = {share:.2g} "
        "mm).",
        "Measure the board over its whole length ({length:.0f} mm) to 0.1 mm, and enter pitch_mm "
        "and scale_u: U {now:.2g} → {after:.2g} mm.",
    ),
    "what-helps/lens": note(
        "The largest part of a pick's uncertainty comes from: {part} (u = {share:.2g} mm).",
        "Calibrate the lens afresh from 20 images other than these stations, spread to the image's "
        "corners (`stationbook lens` on a session of their own), and enter camera.u; known to 0.03 "
        "% and 0.5 px: U {now:.2g} → {after:.2g} mm.",
    ),
    "what-helps/height": note(
        "The largest part of a pick's uncertainty comes from: {part} (u = {share:.2g} mm).",
        "Measure the height of point 0 to 0.1 mm, and enter board.height_mm and height_u_mm: U "
        "{now:.2g} → {after:.2g} mm.",
    ),
    "accuracy-assumed": note(
        "The robot's accuracy is not given; {accuracy_mm:g} mm is assumed.",
        "Enter robot.accuracy_mm from the data sheet or an acceptance test (robot_accuracy_mm with "
        "robot: none); 0 for a compensated robot.",
        cause="robot.accuracy_mm is absent in the cell.",
        shows="Always, until it is entered.",
    ),
    "tolerance": error(
        "The expanded uncertainty of a pick is {expanded:.3g} {unit}, above the tolerance of "
        "{tolerance:g} {unit}.",
        "{remedy_text}",
        cause="Too few or too similar stations, a noisy image, or a robot less accurate than the "
        "tolerance asks for.",
        shows="Twice the standard uncertainty at the worst corner of the work volume.",
    ),
    "tolerance/third": error(
        "The expanded uncertainty of a pick is {expanded:.3g} {unit}; it may be a third of the "
        "tolerance of {tolerance:g} {unit} at most ({rule}).",
        "{remedy_text}",
    ),
    "start-open": warning(
        "The start questions were left open{what}: active tool, active frame, board pitch and lens "
        "data are not confirmed.",
        "Answer them before the result is used: the screen asks again when it solves.",
        cause="The questions at the start of the session were skipped, or the lens data did not "
        "fit.",
        shows="The journal holds no answers. No residual can show that one of these is wrong.",
    ),
    "not-proven": note(
        "Not proven yet: no touch points were compared.",
        "Touch at least {least} points spread over the work volume.",
        cause="The fit alone cannot see a wrong active tool or frame.",
        shows="Until touch points agree within U.",
    ),
    "not-proven/stored": note(
        "Not proven yet: {count} stored {count:touch was|touches were} not compared with this "
        "result.",
        "Compare {count:it|them}: p on the result, or `stationbook proof`.",
    ),
    "not-proven/few": note(
        "Not proven yet: {count} of at least {least} different points touched.",
        "Touch {least} points or more, spread over the work volume; a point touched again counts "
        "once.",
    ),
    "not-proven/spread": note(
        "Not proven yet: the touched points span too little of the work volume ({spans}).",
        "Lay the board elsewhere and at another height, take an image and touch points there.",
    ),
    "not-proven/pointer": note(
        "Not proven: the pointer's own expanded uncertainty is {expanded:.2f} mm, the tolerance "
        "{tolerance:g} mm.",
        "Calibrate the pointer better, or use a better one: agreement within its uncertainty says "
        "too little.",
    ),
    "not-proven/own-pointer": note(
        "Not proven: this pointer's touch set the number that a four-axis robot cannot show, and "
        "along that direction a wrong tip, or a flange taken to point the wrong way, agrees with "
        "itself.",
        "Describe another pointer, clearly longer or shorter (F3 there, `proof --tip`), and touch "
        "the points with it: the number keeps the one it was touched with. Or measure "
        "board.height_mm by other means (t on the screen), forget that touch (x there, `proof "
        "--forget`), solve again and prove it with the same touches.",
    ),
    "not-proven/either-way-up": note(
        "Not proven: the pointer's tip and point 0 of the board are {distance:.1f} mm apart in "
        "height over the flange: were pendant.flange_down told wrong, the touches would agree all "
        "the same.",
        "Touch with a pointer that is longer or shorter by more than {least:.1f} mm.",
    ),
    "not-proven/hidden": note(
        "Not proven: the touches are farther off than the result claims, touch {touch} by "
        "{worst:.2f} mm where U is {claimed:.2f} mm; only the pointer's own uncertainty covers it.",
        "Touch again with a pointer that is known better.",
    ),
    "not-proven/hidden-bias": note(
        "Not proven: all touches are off alike by {shift} (camera less touched), more than the "
        "result claims; only the pointer's own uncertainty covers it.",
        "Touch again with a pointer that is known better, or turned by half a turn: an error of "
        "the tip turns with it, what stays is the result's.",
    ),
    "not-proven/guarded": note(
        "Not proven: at touch {touches} error and U of the touch together, {worst:.2f} + "
        "{expanded:.2f} mm ({seen:.2f} of it from board and lens data), exceed the tolerance of "
        "{tolerance:g} mm ({rule}).",
        "Use a pointer that is known better; where board and lens data weigh more, touch marks "
        "that the camera's own program locates, or measure the board's length (board.scale_u). "
        "Where that does not help, the result is too near the tolerance.",
    ),
    "not-proven/third": note(
        "Not proven: at touch {touches} U of the touch, {expanded:.2f} mm ({seen:.2f} of it from "
        "board and lens data), is more than a third of the tolerance of {tolerance:g} mm ({rule}).",
        "Use a pointer that is known better; where board and lens data weigh more, touch marks "
        "that the camera's own program locates, or measure the board's length (board.scale_u).",
    ),
    "not-proven/chance": note(
        "Not proven: touch {touches} lies beyond its U, the worst {worst:.2f} mm off at U of "
        "{expanded:.2f} mm; among {count} touches that may be chance.",
        "Touch the same points again and forget the touches before (x there, `proof --forget`); "
        "what stays beyond U is the result's.",
    ),
    "pick-differs": note(
        "The transform that picks best differs from the geometric one by {distance_mm:.2f} mm; "
        "both are in the result.",
        "Use the delivered one for picking, the geometric one for drawings.",
        cause="The robot's systematic errors pull the place where it picks away from where the "
        "camera really is.",
        shows="The two estimates differ by more than their uncertainty.",
    ),
    "reach-unchecked": note(
        "No robot file: reach and joint limits are not checked.",
        "Describe the robot in the cell under `robot`.",
        cause="`robot: none` in the cell.",
        shows="Always with such a cell.",
    ),
    "journal-unfinished": note(
        "The journal's last {count:line was|{count} lines were} never finished ({what}).",
        "The session holds the state before them; record what is missing again.",
        cause="The program or the machine stopped between writing the journal and the session.",
        shows="Journal lines that follow the last stored state.",
    ),
    "source-inactive": note(
        "The image source {source} is not used on this machine until it is confirmed here.",
        "F4 beside the stations confirms it, or --confirm by command. Or set camera.source.",
        cause="A source that a cell names is used only once somebody at this machine confirmed it: "
        "the folder may come from elsewhere.",
        shows="The source was never confirmed for this session on this machine.",
    ),
    # ---- after a result -------------------------------------------------------------------------
    "not-moved": note(
        "No movement found; a shift of {shift_mm:.2g} mm or a turn of {turn_deg:.2g}° would have "
        "been, with {power} % probability (false alarm in {percent:g} % of rechecks).",
        "What it means for a pick, pick-now says; more stations would find smaller movements.",
        cause="The camera is where it was, as far as these stations can tell.",
        shows="The new stations agree with what the earlier result predicts.",
    ),
    "pick-now": note(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner: WITHIN the tolerance of {tolerance:g} mm ({rule}).",
        "Nothing to do: go on with the old result. For the record: {next}.",
        cause="How far the camera may have moved, what the old result did not know, and the "
        "robot's own error, at the place where they tell most.",
        shows="The movement as measured, whether or not chance explains it, carried to the corners "
        "of the work volume and judged by the cell's rule.",
    ),
    "pick-now/moved": note(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner although the camera moved: WITHIN the tolerance of {tolerance:g} mm ({rule}).",
        "The line can go on for now; the old result is marked all the same. Fix the camera's mount "
        "and calibrate again at the next stop: {next}.",
    ),
    "pick-now/still": note(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner although something moved: WITHIN the tolerance of {tolerance:g} mm ({rule}).",
        "The line can go on with the old result. Do what the other findings say, then repeat: "
        "{next}.",
    ),
    "pick-now/beyond": error(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner: BEYOND the tolerance of {tolerance:g} mm ({rule}).",
        "Do not pick with the old result. Next: {next}.",
    ),
    "pick-now/open": warning(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner: NOT KNOWN YET whether that is within the tolerance of {tolerance:g} mm ({rule}).",
        "About {count} more {count:station|stations} would tell. Next: {next}.",
    ),
    "pick-now/which": warning(
        "If it is the camera that moved, and not the board on its mount, a pick on the old result "
        "is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst corner: NOT KNOWN YET "
        "(tolerance {tolerance:g} mm, {rule}).",
        "About {count} more {count:station|stations} would tell. Next: {next}.",
    ),
    "pick-now/never": warning(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner: NOT KNOWN whether that is within the tolerance of {tolerance:g} mm ({rule}), and "
        "{most} more stations would not tell either.",
        "Calibrate again. Next: {next}.",
    ),
    "pick-now/never-few": warning(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner: NOT KNOWN whether that is within the tolerance of {tolerance:g} mm ({rule}), and "
        "{most} more stations would not tell either.",
        "Calibrate again: the quick re-calibration takes {count} more {count:station|stations}. "
        "Where to: {next}.",
    ),
    "pick-now/unknown": warning(
        "How far off a pick on the old result is: NOT KNOWN YET, these stations do not tell.",
        "Do what the other findings say, then: {next}.",
    ),
    "moved-unclear": error(
        "Something moved: the camera by {movement} ({work_volume_mm:.2f} mm at the work volume), "
        "or the board on its mount. These stations cannot tell which.",
        "Check the board's mount and that the active tool and frame are those of the earlier "
        "session, then record one more station with the board turned by 30° or more against the "
        "others.",
        cause="A movement of the camera and one of the board look alike while the board is "
        "turned little between the stations.",
        shows="The new stations disagree with the earlier result; both explanations fit.",
    ),
    "moved-unclear/one-station": error(
        "Something moved: the camera by {movement} ({work_volume_mm:.2f} mm at the work volume), "
        "or the board on its mount, or the pose is mistyped. One station cannot tell which.",
        "Read the pose again, check the board's mount, then record a second station with the board "
        "turned by 30° or more.",
    ),
    "moved-unclear/typed": error(
        "Either camera or board moved, or nothing did and the pose of station {stations} is "
        "mistyped: these stations cannot tell.",
        "Read that pose again, then record one more station with the board turned by 30° or more.",
    ),
    "moved-unclear/told-pose": error(
        "The one new station is {distance_mm:.1f} mm and {angle_deg:.2f}° from where its image "
        "puts it, and its pose is to the digit the one that was told: either the robot stands a "
        "little beside it, or camera or board moved. One station cannot tell.",
        "Read the pose off the pendant where the robot stands, correct it and repeat the recheck; "
        "or record a second station with the board turned by 30° or more.",
    ),
    "stations-contradict": error(
        "Stations {stations} contradict each other: neither a moved camera nor a board that sits "
        "elsewhere explains them.",
        "Read the poses again; check that the board is tight and the active tool and frame are "
        "those of the earlier session. Then repeat the recheck. If they contradict each other "
        "again, both may have moved, or board, lens or focus are others than before: do the full "
        "job.",
        cause="A mistyped pose, a board or camera that moved between the stations, or both moved; "
        "another board, lens or focus than at the earlier session.",
        shows="The misfit that remains is far above the noise of the earlier session.",
    ),
    "stations-contradict/some": error(
        "{stations:Station|Stations} {stations} {stations:contradicts|contradict} the others: "
        "without {stations:it|them} the others agree with each other.",
        "Read {stations:its pose|their poses} again and correct {stations:it|them}, or set "
        "{stations:the station|the stations} aside; then repeat the recheck. Where what was typed "
        "is right, camera and board may both have moved, or lens, focus or board be others than "
        "before: do the full job.",
    ),
    "stations-contradict/both": error(
        "Camera and board both moved, or {stations:station|stations} {stations} "
        "{stations:is|are} mistyped: either explains these stations.",
        "Read {stations:its pose|their poses} again. Where what was typed is right, check the "
        "mounts of camera and board and that the active tool and frame are those of the earlier "
        "session, then do the full job.",
    ),
    "recheck-stations": note(
        "{count:Station|Stations} of the earlier session to visit again"
        "{count:|, {count} of them, best first}: {poses}.",
        "Manual mode at reduced speed, nobody else inside the fence: the cell may have changed "
        "since. Read the pose that the pendant then shows and record it.",
        cause="A recheck needs at least one new station with the board on its old mount.",
        shows="Chosen among the earlier stations to tell most about the camera's place.",
    ),
    "recheck-stations/none-usable": error(
        "No new station shows the board.",
        "Record one to three stations with the board on its old mount.",
    ),
    "mount-assumed": note(
        "How well the board comes back to its mount is not given; {position_mm:g} mm and "
        "{angle_deg:g}° are assumed.",
        "Take the board off and put it back a few times, measure, and enter "
        "board.mount_repeatability.",
        cause="board.mount_repeatability is absent in the cell.",
        shows="Always, until it is entered.",
    ),
    "cell-renamed": warning(
        "This session is of cell {here!r}, the earlier one of cell {there!r}: they are held "
        "against each other as one cell.",
        "Where these are two cells, name an earlier session of this one; nothing to do where the "
        "cell was renamed.",
        cause="The earlier session of a like cell was named, or the cell was renamed since.",
        shows="Robot, board and camera are described alike; only the cell's names differ.",
    ),
    "proven": note(
        "Proven by {count} touched points for frame {frame} and tool {tool} ({how}): all agree "
        "within U, the worst is {worst:.2f} mm off.",
        "Nothing to do; keep the touched points with the record.",
        cause="Points that the fit never saw agree with what the camera says.",
        shows="Every error lies within its expanded uncertainty and within the tolerance.",
    ),
    "proof-disagrees": error(
        "{touches:Touch|Touches} {touches} {touches:disagrees|disagree} with the camera by more "
        "than U explains; the worst is {worst:.2f} mm off, U is {expanded:.2f} mm.",
        "Touch {touches:it|them} again. If it stays: check the active tool and frame, the "
        "pointer's tip and the board's pitch, then calibrate again.",
        cause="A wrong active tool or frame, a wrong pointer tip, a camera that moved, a board "
        "that moved between image and touch, or a result that claims too much.",
        shows="The difference of camera and robot is larger than twice its standard uncertainty, "
        "and than chance makes it among so many touches (1 %).",
    ),
    "proof-disagrees/bias": error(
        "All touches are off alike by {shift} (camera less touched), more than U of their mean in "
        "that direction, {expanded:.2f} mm, explains.",
        "Check the active tool and frame and the pointer's tip: with the pointer turned by half a "
        "turn an error of the tip turns too. What stays is the result's: calibrate again.",
    ),
    "proof-disagrees/height": error(
        "All touches are off alike by {shift} (camera less touched), more than U of their mean in "
        "that direction, {expanded:.2f} mm, explains.",
        "Measure the height that the cell tells (board.height_mm) again, and look whether the "
        "flange points down where the cell says so (pendant.flange_down): with an arm that cannot "
        "tilt no station shows either. Then the pointer's length. Calibrating again would give the "
        "same.",
    ),
    "proof-bias": note(
        "All touches are off alike: {shift} on average, camera less touched (t = {t:.1f}, {count} "
        "points), more than their scatter explains.",
        "It is within what the result states. Where it matters, touch again with the pointer "
        "turned by half a turn: an error of the tip turns with it, what stays is the result's.",
        cause="A tip that is not quite where it is said to be, or the part of the result's error "
        "that is the same everywhere.",
        shows="The mean error along a base axis is large against the scatter of the points "
        "(Student's t, false alarm in 1 % of proofs).",
    ),
    "proof-tolerance": error(
        "{touches:Touch|Touches} {touches} {touches:is|are} off by more than the tolerance of "
        "{tolerance:g} mm; the worst by {worst:.2f} mm.",
        "Do not pick with this result. Look for a common direction in the errors: it points at the "
        "tool, the frame or the pointer.",
        cause="The robot does not go where the camera sees things, for whatever reason.",
        shows="The difference of camera and robot at a touched point exceeds the tolerance, and "
        "the pointer's own uncertainty is no likelier reason for that.",
    ),
    "touch-off": warning(
        "{field} was misread or mistyped, or the tip stood elsewhere: along {field} alone the "
        "touch is {distance:.1f} mm from where the camera saw point {point}.",
        "Read {field} at the pendant again: typed {typed}, expected about {expected}.",
        cause="A digit misread or mistyped, another point of the board than the one named, or a "
        "board that moved after its image.",
        shows="Before a touch is stored: it is off by more than its U, and otherwise than the "
        "touches before.",
    ),
    "touch-off/point": warning(
        "Another point was touched, or its number mistyped: the tip is at point {nearest}, "
        "{distance:.1f} mm from point {point}.",
        "Count the point again: typed {point}, expected {nearest}.",
    ),
    "touch-off/several": warning(
        "The board moved after its image, another point was touched, or several numbers are wrong: "
        "the touch is {distance:.1f} mm from where the camera saw point {point}.",
        "Read the point's number {point} and the whole pose again; if they are right, take a new "
        "image of the board.",
    ),
    "number-disagrees": error(
        "The touch that gives the missing number lies {distance:.1f} mm beside where the stations "
        "put that point (U {expanded:.1f} mm).",
        "Compare its pose, and the number of its point, with the pendant; check the pointer's tip. "
        "Then forget the touch (x there, `proof --forget`), touch again with --fix, and solve.",
        cause="A digit misread or mistyped, another point than the one named, a wrong tip, or a "
        "board that moved after its image: along the missing direction it is as wrong, unseen.",
        shows="Across the direction that it gives, the touch is farther off than chance makes one "
        "of a thousand good ones.",
    ),
    "number-disagrees/height": error(
        "board.height_mm is {typed} mm, but the stations put point 0 of the board at {suggested} "
        "mm (U {expanded:.1f} mm). The result is that of the stations.",
        "Measure the height again, to point 0 and with its sign, and correct it, or leave it out "
        "(t on the screen): this arm tilts, so the stations show it.",
    ),
    "number-disagrees/each-other": error(
        "The measured numbers contradict each other: {first} and {second} are {distance:.1f} mm "
        "apart (U {expanded:.1f} mm). The stations cannot tell which is wrong; the result rests on "
        "{first}.",
        "Measure the height again and correct it (t on the screen), or forget the touch (x there, "
        "`proof --forget`) and touch again with --fix. Then solve.",
    ),
    "hold-out": note(
        "{count} {count:station|stations} left out of the fit {count:agrees|agree} with it: "
        "{count:it|the worst} is {worst_mm:.2f} mm and {worst_deg:.3f}° off.",
        "Nothing to do; touch points prove more, because stations share tool and frame with "
        "the fit.",
        cause="Stations that the fit never saw lie where the others say.",
        shows="Each typed pose lies within the prediction's uncertainty.",
    ),
    "hold-out/disagrees": error(
        "{stations:Station|Stations} {stations} left out of the fit {stations:does|do} not agree "
        "with it: {stations:it|the worst} is {worst_mm:.2f} mm and {worst_deg:.3f}° off.",
        "Read {stations:its pose|their poses} again; if right, record more stations.",
    ),
    "points-not-shifted": note(
        "{count} taught {count:point stays as it is|points stay as they are}: points "
        "taught by hand stay right when the camera moves.",
        "Nothing to do. Mark a point `camera` under fixed_to only where it is fixed to the "
        "camera's frame.",
        cause="Only what is fixed to the same frame as the camera moves with it; shifting anything "
        "else would send the robot elsewhere.",
        shows="Rows of the points file whose fixed_to is not `camera`.",
    ),
    "points-shifted": warning(
        "{count} {count:point was|points were} carried over by up to {distance_mm:.2f} mm and "
        "{angle_deg:.2f}°.",
        "Drive there first in manual mode at reduced speed, nobody else inside the "
        "fence, with a hand on the enabling switch.",
        cause="They were declared fixed to the same frame as the camera.",
        shows="Rows of the points file whose fixed_to is `camera`.",
    ),
    "shift-not-accepted": warning(
        "The points are carried over by a result that is not accepted: {why}.",
        "Put that right, solve again and carry them over anew before the robot goes there.",
        cause="The camera's new place is not known well enough, or something speaks against it.",
        shows="The verdict of the session's result as it stands now.",
    ),
    "shift-doubtful": error(
        "The movement of {distance_mm:.2f} mm and {angle_deg:.3f}° is not larger than its expanded "
        "uncertainty; no point is shifted.",
        "Record more stations, or leave the points as they are.",
        cause="Two results differ by no more than chance.",
        shows="The movement between the results is compared with its covariance.",
    ),
    "shift-doubtful/unknown": error(
        "The movement of {distance_mm:.2f} mm and {angle_deg:.3f}° may be any other: its U is "
        "{why}; no point is shifted.",
        "Put that right in its session, solve it again, then carry the points over.",
    ),
    "earlier-disproved": error(
        "Touches disproved the result of the earlier session {session}: its board's place, on "
        "which this result rests, is not to be trusted.",
        "Do the full job: record further stations and solve without the earlier session.",
        cause="The earlier result was off where it was touched: a wrong tool or frame, a board "
        "that moved, or a camera that had moved by then.",
        shows="The stored result of the earlier session carries what its touches said.",
    ),
    "earlier-disproved/recheck": warning(
        "Touches disproved the result of the earlier session {session}: a pick on it is off even "
        "where the camera has not moved.",
        "Calibrate again; whether the camera moved since is told all the same.",
    ),
    "earlier-spoiled": error(
        "Nobody can tell whether the camera moved: U of the result of the earlier session "
        "{session} is {why}.",
        "Put that right in session {session} as its findings say, solve it again, then repeat the "
        "recheck.",
        cause="A cause that concerns all stations stands in the earlier session: what its fit says "
        "of its own uncertainty means nothing beside it.",
        shows="The earlier session, solved anew, names that cause at level error.",
    ),
    "earlier-spoiled/board": error(
        "U of the result of the earlier session {session} is {why}: its board's place, on which "
        "this result rests, is not to be trusted.",
        "Put that right in session {session} as its findings say and solve it again, then this "
        "one; or do the full job without the earlier session.",
    ),
    "board-remounted": error(
        "The board sits {distance_mm:.2f} mm and {angle_deg:.3f}° elsewhere on its mount than at "
        "the earlier session; its old place is not used.",
        "Clean and tighten the mount and begin again, or do the full job with more stations.",
        cause="The board was mounted differently, the mount was bent, or another tool or frame is "
        "active.",
        shows="The new stations alone place the board farther away than the mount's repeatability "
        "allows.",
    ),
    "board-remounted/other-way": error(
        "The board sits the other way round on its mount than at the earlier session: "
        "{angle_deg:.1f}° and {distance_mm:.0f} mm; its old place is not used.",
        "Take it off and put it on as it was, point 0 where it was before, and begin again.",
    ),
    "board-prior": note(
        "The board's place was taken from the session {origin}, widened by the mount's "
        "repeatability.",
        "Nothing to do; without it more stations are needed.",
        cause="A quick re-calibration trusts the board's old mount.",
        shows="Asked for with --board-from.",
    ),
    "board-prior/alone": warning(
        "The stored result rests on the board's place in the session {session}, which does not lie "
        "beside this one as it was then: this check judges the stations without it, and so "
        "otherwise than that result.",
        "Pack or copy session {session} too, put it beside this one, and check again.",
    ),
    "results-differ": warning(
        "The results differ by more than chance: {movement}; {work_volume_mm:.2f} mm at the work "
        "volume.",
        "If nobody moved the camera, run a recheck before relying on either of them.",
        cause="The camera moved between the sessions, or one of the results is wrong.",
        shows="The difference is compared with the covariances of both results.",
    ),
    "results-differ/moved": note(
        "The results differ by more than chance: {movement}; {work_volume_mm:.2f} mm at the work "
        "volume. The camera moved after the earlier one, as the recheck of {at} with {by} found.",
        "Go on with the later result.",
    ),
    "results-differ/unknown": warning(
        "Whether the results differ by more than chance is not known: U of the {which} one is "
        "{why}.",
        "Put that right in its session, solve it again, then compare anew.",
    ),
    "results-agree": note(
        "The results agree within their uncertainty.",
        "Nothing to do.",
        cause="The camera stayed where it was, as far as both results can tell.",
        shows="The difference is no larger than both covariances explain.",
    ),
    # ---- a tip found by touching ---------------------------------------------------------------
    "tip-found": note(
        "Tip found from {count} touches: a point touched with it is known to U {expanded:.2f} mm.",
        "Use it for the proof with --use; touch one point again after a collision of the tool.",
        cause="One fixed point was touched in several orientations.",
        shows="The touches meet in one point when the tip is right.",
    ),
    "tip-weak": warning(
        "A point touched with this tip is known to U {expanded:.2f} mm only; {goal_mm:.2f} mm "
        "would leave a proof something to say.",
        "Touch the point in more orientations, tilted by 30° and more, with a sharper tip.",
        cause="Few or similar orientations, a blunt tip, play in its mount, or an arm that is off.",
        shows="U of a touched point is more than a fifth of the tolerance.",
    ),
    "tip-touch-off": warning(
        "Touch {touch} is {distance_mm:.2f} mm off where the others meet; it was left out.",
        "Compare its pose with the pendant, or touch the point once more in that orientation.",
        cause="A digit of that pose was mistyped, the tip was not on the point, or it was bent "
        "between the touches.",
        shows="Without it the other touches meet in one point within their noise.",
    ),
    "tip-touch-off/kept": error(
        "Touch {touch} is off: the others would meet without it, but too few would be left.",
        "Compare its pose with the pendant, or touch the point once more in that orientation.",
    ),
}

CODES = tuple(code for code in CATALOGUE if "/" not in code)
