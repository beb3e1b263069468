"""Texts of findings: what is stored."""

from __future__ import annotations

from .entry import Entry, error, note, warning

# What to do about a result that a recheck has marked.
ALL_THE_SAME = "By command, `--anyway` hands it over all the same, with this mark."
ANEW = f"Calibrate again in a new session. {ALL_THE_SAME}"
AGAIN_OR_ANEW = (
    f"Do what that recheck says and repeat it, or calibrate again in a new session. {ALL_THE_SAME}"
)

ENTRIES: dict[str, Entry] = {
    "result-overtaken": error(
        "{camera} moved after this result: recheck of {at} with session {by}.",
        ANEW,
        cause="A recheck found that the camera no longer stands where this result says, or sees "
        "through another lens, or that a pick is beyond the tolerance, or its stations contradict "
        "what the result says.",
        shows="The journal of the session says so; a recheck that finds the camera where it was, "
        "and a pick within the tolerance, takes the mark away.",
    ),
    "result-overtaken/something": error(
        "{camera}, its lens or the board may no longer be as at this result: something did not "
        "fit it at the recheck of {at} with session {by}.",
        AGAIN_OR_ANEW,
    ),
    "result-overtaken/lens": error(
        "{camera} may see through another lens than at this result, or one that was focused anew: "
        "recheck of {at} with session {by}.",
        AGAIN_OR_ANEW,
    ),
    "result-overtaken/contradict": error(
        "{camera} may no longer stand where this result says: the stations of the recheck of {at} "
        "with session {by} contradict each other.",
        AGAIN_OR_ANEW,
    ),
    "result-overtaken/beyond": error(
        "{camera} is off by more than the tolerance on this result: recheck of {at} with session "
        "{by}.",
        ANEW,
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
}
