"""Texts of findings: the image of a stop, and whether it fits its pose."""

from __future__ import annotations

from .entry import Entry, error, note, warning

ENTRIES: dict[str, Entry] = {
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
        "Check that image and depth were taken at the same stop, then camera.depth.scale_mm (here "
        "{suggested} would fit), the pitch of the board and the lens data, and the 3-D camera's "
        "own calibration; or accept: the pixels count alone.",
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
    "depth-disagrees/located": error(
        "Depth is {percent:+.2f} % off against the images of all stations, and scatters "
        "{times:.1f} times as much as it should: it was left out, and parts are located by it.",
        "Check camera.depth.scale_mm, the pitch of the board, the lens data and the 3-D camera's "
        "own calibration, or locate parts by the lens data (locate: lens).",
    ),
    "depth-disagrees/bends": error(
        "Depth bends the board by {bow:.2f} mm at most stations; a flat board and "
        "a sound camera explain {limit:.2f} mm, and parts are located by it.",
        "Lay a straightedge on the board. Where it is flat, the 3-D camera needs its calibration; "
        "or locate parts by the lens data (locate: lens).",
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
    "depth-leans": note(
        "Depth is tilted against the image by {angle:.2f}° ({about_x:+.2f}° about the image's x "
        "axis, {about_y:+.2f}° about its y axis): up to {corner_mm:.2f} mm at the corners of the "
        "work volume, which no transform takes away.",
        "Have the 3-D camera calibrated, warm, and its depth laid on the image afresh by its "
        "maker's routine.",
        cause="The calibration of the 3-D camera is a little off, or it is cold.",
        shows="Tilt and shift of depth against the image are estimated with the stations, from "
        "the planes of the board by both.",
    ),
    "depth-tilt-assumed": note(
        "How well depth is aligned with the image is not given; {angle:g}° about each axis is "
        "assumed.",
        "Enter camera.depth.tilt_u_deg from the 3-D camera's certificate.",
        cause="camera.depth.tilt_u_deg is absent in the cell.",
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
}
