"""Texts of findings: what a result is good for."""

from __future__ import annotations

from .entry import Entry, error, note, warning

ENTRIES: dict[str, Entry] = {
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
        "pendant.flange_down too. Or touch one point that the camera sees (by command, `proof "
        "--touch ID --fix`).",
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
        "Touch one point that the camera sees as the missing number (by command, `proof --touch ID "
        "--fix`), and solve: that settles it. Circles that differ (board.larger) show which end is "
        "which.",
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
    "too-few/level": error(
        "{count} usable {count:station|stations}; at least {least} are needed.",
        "Record more stations, further apart and turned further about base Z.",
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
    "lens-unknown/level": warning(
        "The cell gives no lens data, and this robot does not tilt: boards that lie parallel do "
        "not show a lens well enough to locate parts with it.",
        "Take at least five images of the board, tilted in different directions by hand, in a "
        "session of their own (`stationbook lens`), and enter camera.matrix and camera.u.",
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
        cause="The board's scale, lens data, depth or the board's height is known only roughly.",
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
    "what-helps/depth": note(
        "The largest part of a pick's uncertainty comes from: {part} (u = {share:.2g} mm).",
        "Have the 3-D camera's scale and its alignment with the image calibrated, and enter "
        "camera.depth.scale_u and tilt_u_deg; known to 0.05 % and 0.02°: U {now:.2g} → {after:.2g} "
        "mm.",
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
    "accuracy-assumed/least": note(
        "The cell says that the robot is off by {accuracy_mm:g} mm; the stations fit better with "
        "errors that grow smoothly over the workspace, and {least_mm:g} mm or what they show is "
        "counted.",
        "Enter the accuracy that the robot really has (compensated ones keep 0.1 to 0.4 mm). "
        "Touch points (`proof`) show how good a pick is.",
    ),
    "input-doubted": note(
        "The cell says ±{typed} by {field}; the stations say that the {what} is off by {found} ± "
        "{expanded}. ±{usual} is counted, as is usual.",
        "Measure the board again over its whole length; enter pitch_mm and scale_u as that "
        "measurement gave them.",
        cause="A standard uncertainty in the cell is smaller than what it stands for is off.",
        shows="The key says less than is assumed without it, and the stations or their images lie "
        "beside that by more than one cell in eight does.",
    ),
    "input-doubted/bow": note(
        "The cell says ±{typed} by {field}; the images say that the {what} is off by {found} ± "
        "{expanded}. ±{usual} is counted, as is usual.",
        "Lay a straight edge on the board along both sides and both diagonals, and enter the gap.",
    ),
    "input-doubted/lens": note(
        "The cell says ±{typed} by {field}; the stations say that the {what} is off by {found} ± "
        "{expanded}. ±{usual} is counted, as is usual.",
        "Calibrate the lens afresh from 20 images other than these stations (`stationbook lens`), "
        "and enter lens data and camera.u as it gives them. Focus and aperture must be locked.",
    ),
    "input-doubted/height": note(
        "The cell says ±{typed} by {field}; the stations say that point 0 lies {found} ± "
        "{expanded} from board.height_mm. ±{usual} is counted, as is usual.",
        "Measure the height of point 0 again, and enter board.height_mm and height_u_mm.",
    ),
    "stops-scatter": note(
        "The stops scatter by {distance_mm:.2g} mm; by the robot's repeatability {usual_mm:.2g} mm "
        "would be usual, and the cell says that it is off by {accuracy_mm:.2g} mm over its "
        "workspace.",
        "Compare the typed poses with the paper. If they are right, enter the repeatability and "
        "the accuracy that the robot really has (robot_accuracy_mm with robot: none).",
        cause="Poses read or typed coarsely, play in board, camera or arm, or an arm that is less "
        "accurate than its cell says.",
        shows="What is left at the stops after the fit is more than 7.5 times the repeatability.",
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
}
