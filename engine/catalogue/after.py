"""Texts of findings: after a result: recheck, proof, comparison, and a tip found by touching."""

from __future__ import annotations

from .entry import Entry, error, note, warning

ENTRIES: dict[str, Entry] = {
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
        "corner although something changed: WITHIN the tolerance of {tolerance:g} mm ({rule}).",
        "If only the board moved on its mount, the line can go on with the old result. Under "
        "another tool or frame, or with a bent tool, it cannot: parts are picked beside by as much "
        "as the board seems to have moved. Do what the other findings say, then repeat in a new "
        "session, for the stations here show what was before: {next}.",
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
        "If it is the camera that moved, and nothing else, a pick on the old result is off by "
        "{error:.2f} ± {expanded:.2f} mm (95 %) at the worst corner: NOT KNOWN YET (tolerance "
        "{tolerance:g} mm, {rule}).",
        "About {count} more {count:station|stations} would tell. Next: {next}.",
    ),
    "pick-now/never": warning(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner: NOT KNOWN whether that is within the tolerance of {tolerance:g} mm ({rule}), and "
        "{most} more stations would not tell either.",
        "Calibrate again. Next: {next}.",
    ),
    "pick-now/never-board": warning(
        "On the old result a pick is off by {error:.2f} ± {expanded:.2f} mm (95 %) at the worst "
        "corner: NOT KNOWN whether that is within the tolerance of {tolerance:g} mm ({rule}), and "
        "{most} more stations with the board where it is would not tell either.",
        "Put the board back on its mount as it was and repeat in a new session: there, fewer "
        "stations tell more. To begin it: {next}. If the board stays, do the full job.",
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
    "pick-now/unknown-anew": warning(
        "How far off a pick on the old result is: NOT KNOWN, these stations do not tell, nor would "
        "more of them.",
        "Do what the other findings say, then repeat in a new session, for the stations here show "
        "what was before: {next}.",
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
        "Something is other than it was: the camera moved by {movement} ({work_volume_mm:.2f} mm "
        "at the work volume), or the board on its mount, or lens, focus or board are others, or "
        "the pose is mistyped. One station cannot tell which.",
        "Read the pose again, check the board's mount, then record a second station with the board "
        "turned by 30° or more.",
    ),
    "moved-unclear/typed": error(
        "Either camera or board moved, or lens, focus or board are others, or nothing changed and "
        "the pose of station {stations} is mistyped: these stations cannot tell.",
        "Read that pose again, then record one more station with the board turned by 30° or more.",
    ),
    "moved-unclear/changed": error(
        "Something is other than it was: the camera moved by {movement} ({work_volume_mm:.2f} mm "
        "at the work volume), or the board sits elsewhere on its mount, or {others}, or more than "
        "one of these. These stations cannot tell which.",
        "Ask whether anybody turned the lens or took another board, and check the board's mount. "
        "Then record one more station with the board a third nearer or farther than at the "
        "others, and tilted by 30° or more.",
    ),
    "moved-unclear/other": error(
        "No movement explains these stations, but more than one other change does: {others}.",
        "Ask whether anybody turned the lens or took another board, and set that back. Else record "
        "one more station with the board a third nearer or farther than at the others, and tilted "
        "by 30° or more.",
    ),
    "lens-changed": error(
        "The camera sees through another lens than at the earlier session, or one that was focused "
        "anew: its focal length is {percent:+.2f} % other, its centre {centre_px:.0f} px "
        "elsewhere. That explains these stations, a movement alone does not.",
        "Set lens and focus back as they were and repeat the recheck. Where that cannot be done, "
        "measure the lens anew and do the full job.",
        cause="The lens was exchanged, focused anew or its ring was knocked, or the image was cut "
        "out or scaled otherwise.",
        shows="The board looks larger or smaller by its distance and its place in the image, which "
        "no movement of camera or board brings about; a hundred times likelier than any.",
    ),
    "board-changed": error(
        "The board is another than at the earlier session, or bent: its pitch is {percent:+.2f} % "
        "other, it bends by {bow_mm:.1f} mm. That explains these stations, a movement alone does "
        "not.",
        "Put the board of the earlier session on its mount, flat, and repeat the recheck; or do "
        "the full job with the board that is there, its pitch measured.",
        cause="Another print of the board, a board that swelled or shrank, or a bent one.",
        shows="All distances to the board are off in proportion, or its points do not lie to each "
        "other as before; a hundred times likelier than any movement.",
    ),
    "moved-unclear/told-pose": error(
        "The one new station is {distance_mm:.1f} mm and {angle_deg:.2f}° from where its image "
        "puts it, and its pose is to the digit the one that was told: either the robot stands a "
        "little beside it, or camera or board moved, or lens, focus or board are others. One "
        "station cannot tell.",
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
    "proof-disagrees/alone": error(
        "{touches:Touch|Touches} {touches} {touches:disagrees|disagree} with the camera by more "
        "than U explains, and with all other touches; the worst is {worst:.2f} mm off, U is "
        "{expanded:.2f} mm.",
        "Compare pose and point of {touches:that touch|those touches} with the pendant. What is "
        "wrong is left out (x there, `proof --forget`) and touched again, with a new image where "
        "the board moved. If it stays, the result is off there.",
    ),
    "proof-disagrees/bias": error(
        "All touches are off alike by {shift} (camera less touched), more than U of their mean in "
        "that direction, {expanded:.2f} mm, explains.",
        "Check the active tool and frame and the pointer's tip: with the pointer turned by half a "
        "turn an error of the tip turns too. What stays is the result's, or the camera moved since "
        "(`recheck` tells): calibrate again.",
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
    "proof-tolerance/alone": error(
        "{touches:Touch|Touches} {touches} {touches:is|are} off by more than the tolerance of "
        "{tolerance:g} mm, and unlike all other touches; the worst by {worst:.2f} mm.",
        "Do not pick with this result before that is settled: a number misread or mistyped, "
        "another point, or a board that moved after its image is no fault of the result.",
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
        "Then forget the touch (x there, `proof --forget`), touch again (by command with --fix, on "
        "the screen once it is solved without it), and solve.",
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
        "`proof --forget`) and touch again (by command, with --fix). Then solve.",
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
    "shift-not-accepted/earlier": warning(
        "The points are carried over from a result that is not accepted: {why}.",
        "They may not have been where that result put them. Teach them anew, or put that right in "
        "the earlier session, solve it again and carry them over anew.",
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
        shows="The new stations, alone or against the earlier result, place the board farther away "
        "than the mount's repeatability allows.",
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
    "board-prior/left": note(
        "The result before rested on the board's place in the session {session} too; this one "
        "rests on the stations here alone.",
        "Nothing to do if that is meant; `stationbook solve DIR --board-from OTHER`, OTHER that "
        "session's folder, takes the board from there again.",
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
    "results-not-accepted": warning(
        "The {which} result is not accepted: {why}.",
        "Do not go on with it, whether or not the two agree: put that right in its session first.",
        cause="A finding at level error stands in it, or touches or a recheck speak against it.",
        shows="The verdict of the result as it stands now.",
    ),
    "results-agree": note(
        "The results agree within their uncertainty.",
        "Nothing to do.",
        cause="The camera stayed where it was, as far as both results can tell.",
        shows="The difference is no larger than both covariances explain.",
    ),
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
