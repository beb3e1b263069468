"""Texts of findings: what is wrong with a session: its causes."""

from __future__ import annotations

from .entry import Entry, error, note, warning

ENTRIES: dict[str, Entry] = {
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
    "typed-value/recheck": error(
        "Station {station} does not fit the others: {field} {typed} does not, {suggested} does.",
        "Compare {field} with the paper or the pendant; if it was {suggested}, correct the station "
        "and repeat the recheck. What is said here rests on the other stations.",
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
        "The board sits {distance_mm:.2f} mm and {angle_deg:.3f}° elsewhere on the flange than at "
        "the earlier result, or another tool is active, or the tool that carries the board was "
        "exchanged or bent: these look alike. The camera shows no movement.",
        "Check that the active tool is that of the earlier session. If the tool that picks carries "
        "the board, measure its tip anew: where that is off, picks are, though the camera is "
        "right. Else clean and tighten the board's mount and repeat; if it stays, do the full job.",
    ),
    "board-moved/since-in-cell": error(
        "The board lies {distance_mm:.2f} mm and {angle_deg:.3f}° elsewhere in the cell than at "
        "the earlier result, or another user frame is active or was taught anew: these look alike. "
        "The camera shows no movement.",
        "Check that the active frame is that of the earlier session, and its values. Else put the "
        "board back where it lay, fasten it and repeat; if it stays, do the full job.",
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
    "camera-moved/refocused": error(
        "From {since} on the camera was focused anew: its focal length is {percent:.2f} % "
        "{longer}.",
        "Set focus and zoom as they were, lock them, and repeat the stations from {first} on; or "
        "calibrate the lens as it is now, and repeat those before {last} with its data.",
    ),
    "camera-moved/since": error(
        "The camera moved since the earlier result: {movement}. Parts in the work volume appear up "
        "to {work_volume_mm:.2f} mm off.",
        "Keep the line stopped until a pick is said to be within the tolerance. Check that the "
        "active tool and frame are those of the earlier session: others look the same. Then fix "
        "the camera's mount and calibrate again; points taught by hand stay right and must not be "
        "shifted.",
    ),
    "camera-moved/and-board": error(
        "The camera moved since the earlier result, {movement}, and the board on its mount: "
        "together they explain these stations, neither does alone. Parts in the work volume appear "
        "up to {work_volume_mm:.2f} mm off.",
        "Keep the line stopped until a pick is said to be within the tolerance. Check the mounts "
        "of both, and that the active tool and frame are those of the earlier session, then do the "
        "full job; points taught by hand stay right and must not be shifted.",
    ),
    "camera-moved/or-lens": error(
        "The camera moved since the earlier result, or its lens sits elsewhere in it, which looks "
        "alike: as a movement of the camera {movement}. Parts in the work volume appear up to "
        "{work_volume_mm:.2f} mm off.",
        "Keep the line stopped until a pick is said to be within the tolerance. Check that the "
        "lens is tight, and that the active tool and frame are those of the earlier session: "
        "others look the same. Then fix what is loose and calibrate again; points taught by hand "
        "stay right and must not be shifted.",
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
    "closing-elsewhere": warning(
        "A closing stop returns to station {first}; this one is {distance_mm:.0f} mm and "
        "{angle_deg:.1f}° from there.",
        "Go back to station {first} as near as a jog allows, or record this stop as an ordinary "
        "one.",
        cause="The stop was marked as closing by mistake, or another pose was typed.",
        shows="The typed pose is far from that of the first station.",
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
    "depth-tilted": error(
        "Depth is tilted against the image by {angle:.2f}°: by {about_x:+.2f}° about the image's x "
        "axis and {about_y:+.2f}° about its y axis. The cell says {allowed:.2g}° for each.",
        "Have the 3-D camera calibrated, warm, and its depth laid on this image afresh by its "
        "maker's routine; then record again. A transform does not take all of it away.",
        cause="A 3-D camera that was knocked or is cold, depth laid on the image with the "
        "calibration of another camera, or a cloud that was turned.",
        shows="Planes of the board by depth lean against those by its image at all stations alike: "
        "z is off in proportion to x or y.",
    ),
    "depth-tilted/shift": error(
        "Depth is shifted against the image by ({right:+.1f}, {down:+.1f}) px: each pixel has the "
        "depth of the one beside it. The cell says {allowed:.2g}°.",
        "Have the 3-D camera calibrated, warm, and its depth laid on this image afresh by its "
        "maker's routine; check that image and depth have one size and one crop. Then record "
        "again.",
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
    "outlier/last": error(
        "Station {station} does not fit: off by {distance_mm:.2f} mm and {angle_deg:.2f}°.",
        "Compare its pose and image with the paper, and check the mounts of board and camera. As "
        "the last stop it may also be the first after a knock: record two more before you set it "
        "aside; if they do not fit either, something moved.",
    ),
    "outlier/maybe-typed": error(
        "{off} {field} {candidates} in place of {typed} would fit, if it was typed wrong.",
        "Compare {field} with the paper first, then the rest of the pose and the image; correct "
        "the station, retake it or set it aside.",
    ),
    "outlier/no-agreement": error(
        "The stations do not agree with each other, and no cause that is looked for explains it.",
        "Check the active tool and frame, the rotation convention and which image belongs to which "
        "pose; then record the session again.",
    ),
}
