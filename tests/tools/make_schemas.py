"""Write docs/schemas/*.json: what each command prints with --json. Run after changing a document.

What a file of a session holds too is made from the very records that read it; the rest is written
down here in short: "n" a number, "i" a whole number, "s" a text, "b" a truth value, each or null;
a list is a list, a dict a group of keys. A key that ends in "?" may be missing.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from engine.sessions import schema as kinds
from engine.sessions.folder import ABOUT, STATION
from engine.sessions.results import PROOF, RESULT, RESULTS

FOLDER = Path(__file__).parents[2] / "docs" / "schemas"
DRAFT = "https://json-schema.org/draft/2020-12/schema"
TYPES = {"n": "number", "i": "integer", "s": "string", "b": "boolean"}

FINDING = {
    "code": "s", "level": ("error", "warning", "note"), "station": "i", "stations": ["i"],
    "field": "s", "typed": "s", "suggested": "s", "message": "s", "remedy": "s",
}  # fmt: skip
FINDINGS = [FINDING]
RULES = ("guarded", "simple")
BY_TOUCH = ("proven", "failed", "no longer", "not yet", "not known")
HISTORY = {
    "name": "s", "created": "s", "verdict": "s", "proven": "b",
    "verdict_holds": "s", "by_touch": BY_TOUCH, "position_mm": "n",
    "angle_deg": "n", "work_volume_mm": "n", "u_work_volume_mm": "n", "agree": "b",
    "unknown_by": "s",
}  # fmt: skip
MOVED = {
    "position_mm": "n", "angle_deg": "n", "work_volume_mm": "n", "u_position_mm": "n",
    "u_angle_deg": "n", "u_work_volume_mm": "n", "matrix": [["n"]],
    "clearest": {"shift_mm": ["n"], "size_mm": "n", "expanded_mm": "n"},
}  # fmt: skip
RECHECK = {
    "moved": "b", "cause": ("camera", "board", "lens", "unclear", "none"), "movement": MOVED,
    "detectable_mm": "n",
    "decision": {
        "rule": RULES, "set_by": "s", "chance_wrong": "n", "tolerance_mm": "n",
        "pick_error_mm": "n", "expanded_mm": "n", "state": ("within", "beyond", "not-known"),
        "stations_needed": "i", "next": "s",
    },
    "findings": FINDINGS,
}  # fmt: skip
CELL = {
    "cell": "s", "sessions": "i", "result_session": "s", "result_on": "s", "verdict": "s",
    "expanded_mm": "n", "unknown_by": "s", "tolerance_mm": "n", "proven": "b",
    "proven_by": "s", "proven_on": "s", "proof_failed": "b",
    "recheck_on": "s", "recheck_cause": "s", "recheck_answer": "s",
    "movement_mm": "n", "movement_u_mm": "n",
    "pick_error_mm": "n", "recheck_every_days": "n", "days_left": "n", "event": "s",
    "event_on": "s", "rating": "s", "words": "s", "problems": ["s"], "alarm": "b",
}  # fmt: skip
DRIFT = {
    "story": ("too-few", "still", "drift", "knock", "unclear"), "count": "i", "chance": "n",
    "rate_mm_week": "n", "u_rate_mm_week": "n", "rate": ["n"], "knock_between": ["s"],
    "knock_mm": "n", "mm_per_degc": "n", "u_mm_per_degc": "n", "day": "s", "day_even": "s",
    "chance_now": "n", "interval_days": "i",
}  # fmt: skip
IMPORTED = {
    "row": "i", "pose": "s", "joints": "s", "image": "s", "station": "i", "refused": "s",
    "already": "b", "findings": FINDINGS,
}  # fmt: skip
AGAIN = {
    "folder": "s", "inputs": "s", "verdict_before": "s", "verdict": "s",
    "verdict_holds_before": "s", "verdict_holds": "s", "expanded_mm_before": "n",
    "expanded_mm": "n", "unknown_by_before": "s", "unknown_by": "s",
    "shift_mm": "n", "shift_u": "n", "codes_gone": ["s"], "codes_new": ["s"],
    "stored": "b", "error": "s", "changed": "b",
}  # fmt: skip
TOLD = {"code": "s", "cause": "s", "shows": "s",
        "texts": [{"level": "s", "message": "s", "remedy": "s"}]}  # fmt: skip
LENS = {
    "name": "s", "image_size_px": ["i"], "matrix": [["n"]], "distortion": ["n"],
    "u": {"focal": "n", "center_px": "n", "edge_px": "n"}, "u_assumed": "b",
    "u_assumed_of": ["s"], "from_images": "b",
}  # fmt: skip
HEADER = {"stamp": {"sec": "i", "nanosec": "i"}, "frame_id": "s"}

DOCUMENTS: dict[str, Any] = {
    "error": {"error": "s"},
    "error-of-several": {"dir": "s", "error": "s", "format?": "i"},
    "start": {"dir": "s", "name": "s", "created": "s", "findings": FINDINGS},
    "swap": {"dir": "s", "swapped": ("camera", "board", "cell"), "planned": "i",
             "expected_mm": "n", "wanted_mm": "n", "kept": ["s"],
             "measure": ["s"], "next": ["s"]},
    "record": {"findings": FINDINGS, "station": STATION},
    "import": {"read_as": "s", "paired_by": "s", "stored": "b", "rows": [IMPORTED],
               "images_left": ["s"], "columns_unused": ["s"]},
    "check": {"findings": FINDINGS},
    "plan": {"stations": [{"by": ("jog", "pose"), "pose": ["s"], "jog": "s",
                           "work_volume_mm_after": "n", "beware": "s"}], "work_volume_mm": "n",
             "findings": FINDINGS},
    "solve-all": {"program": "s", "stored": "b", "sessions": [AGAIN]},
    "recheck": RECHECK | {"cameras?": "*"},
    "compare": {"agree": "b", "chance": "n", "difference": MOVED, "unknown_by": "s",
                "findings": FINDINGS, "history?": [HISTORY]},
    "proof-recorded": {"recorded": "s", "id": "i", "findings": FINDINGS},
    "proof-held-out": {"stations": [{"station": "i", "distance_mm": "n", "angle_deg": "n",
                                     "expanded_mm": "n", "expanded_deg": "n", "chance": "n"}],
                       "findings": FINDINGS},
    "report-together": {"dirs": ["s"], "path": "s", "bytes": "i", "verdicts": ["s"],
                        "findings": FINDINGS},
    "report": {"dir": "s", "path": "s", "bytes": "i", "verdict": "s", "findings": FINDINGS},
    "export": {"dir": "s", "as": "s", "source_sha256?": "s", "text": "s"},
    "tip": {
        "tip_mm": ["n"], "covariance_mm2": [["n"]], "u_mm": "n", "touch_mm": "n", "fixed_mm": ["n"],
        "off_mm": ["n"], "touch_off": "i", "left_out": "b", "findings": FINDINGS, "stored": "b",
    },
    "frame": {
        "name": "s", "matrix": [["n"]], "covariance_rad_mm": [["n"]], "u_position_mm": "n",
        "u_angle_deg": "n", "points_mm": [["n"]], "as": "s", "text": "s",
        "verdict": ("accepted", "not-accepted"), "caution": "s",
    },
    "form-json": {
        "transform": "s", "direction": "s", "unit": ("mm", "m", "in"), "convention": "s",
        "verdict_holds": "s", "cell": "s", "mount": ("eye-to-hand", "eye-in-hand"), "frames": "s",
        "camera_axes?": "s",
        "axes?": "s", "verdict": ("accepted", "not-accepted"), "source": "s", "source_sha256": "s",
        "caution": "s", "proven": "b", "proven_by_touch_points": "s", "before_moving": ["s"],
        "lens_data?": "s",
        "position_mm?": ["n"], "position_m?": ["n"],
        "position_in?": ["n"], "quaternion_xyzw": ["n"], "matrix": [["n"]],
        "standard_uncertainty": "*", "covariance_rad_mm": [["n"]], "lens": LENS, "lens_px?": "s",
        "distortion?": "s", "direction_not_shown?": "s", "direction_shown?": "s",
        "until_shown?": "s", "overruled?": "s", "recheck_open?": "s",
        "tolerance?": "s", "rule?": "s", "chance_that_the_verdict_is_wrong?": "s",
    },
    "form-ros": {
        "format?": "i",
        "transform_stamped": {
            "header": HEADER, "child_frame_id": "s",
            "transform": {"translation": {"x": "n", "y": "n", "z": "n"},
                          "rotation": {"x": "n", "y": "n", "z": "n", "w": "n"}},
        },
        "camera_info?": {
            "header": HEADER, "height": "i", "width": "i", "distortion_model": "s", "d": ["n"],
            "k": ["n"], "r": ["n"], "p": ["n"],
        },
    },
    "cells": {"root": "s", "cells": [CELL], "drift?": {"*": DRIFT}},
    "event": {"dir": "s", "cell": "s", "event": "s", "on": "s"},
    "focus": {
        "image": "s", "found": "i", "expected": "i", "edge_width_px": "n", "edge_limit_px": "n",
        "white_fraction": "n", "contrast": "n", "tilt_deg": "n", "smear_px": "n", "u_mm": "n",
        "findings": FINDINGS,
    },
    "lens": {
        "views": "i", "matrix": [["n"]], "distortion": ["n"],
        "u": {"focal": "n", "center_px": "n", "edge_px": "n"},
        "u_px": {"fx": "n", "fy": "n", "cx": "n", "cy": "n"}, "bow_mm": ["n"],
        "u_bow_mm": ["n"], "residual_px": "n", "cell_residual_px": "n",
        "chance": {"focal length?": "n", "image centre?": "n", "distortion?": "n", "all?": "n"},
        "differs": ["s"], "findings": FINDINGS,
    },
    "shift": {
        "points": [{
            "name": "s", "fixed_to": "s", "shifted": "b", "before": ["s"], "after": ["s"],
            "distance_mm": "n", "angle_deg": "n", "reduced_speed_first": "b",
        }],
        "findings": FINDINGS,
    },
    "doctor": (  # of this machine, of one session
        {"system": "*", "packages": "*", "terminal": "*", "sessions": "*", "problems": ["s"]},
        {"dir": "s", "problem": "s", "difference": ["s"], "from": "s", "restored": "b",
         "kept": "s"},
    ),
    "sign": (  # a result, a new key, the public key written out
        {"dir": "s", "key": "s", "result": "s", "caution": "s"}, {"path": "s", "key": "s"},
        {"path": "s"},
    ),
    "pack": {"path": "s", "session": "s", "files": "i", "left_out": "i", "caution": "s"},
    "board": {"files": ["s"]},
    "robot-import": {"path": "s", "name": "s", "axes": "i"},
    "explain": TOLD,
    "explain-all": {"codes": ["s"]},
}  # fmt: skip


def made(value: Any) -> dict[str, Any]:
    """Return the schema of what is written down in short."""
    if isinstance(value, kinds.Record | kinds.Many | kinds.Text):
        return of_kind(value)
    if value == "*":
        return {}
    if isinstance(value, str):
        return {"type": [TYPES[value], "null"]}
    if isinstance(value, tuple):
        return {"enum": list(value)}
    if isinstance(value, list):
        return {"type": ["array", "null"], "items": made(value[0])}
    if set(value) == {"*"}:
        return {"type": "object", "additionalProperties": made(value["*"])}
    return {
        "type": ["object", "null"],
        "properties": {key.rstrip("?"): made(item) for key, item in value.items()},
        "required": [key for key in value if not key.endswith("?")],
        "additionalProperties": False,
    }


def of_kind(kind: Any) -> dict[str, Any]:
    """Return the schema of what a key of a file may hold, as it is written."""
    match kind:
        case kinds.OrNull():
            return {"anyOf": [of_kind(kind.of), {"type": "null"}]}
        case kinds.Record():
            fields = {field.key: of_kind(field.kind) for field in kind.fields}
            for field in kind.fields:
                if field.default is None:
                    fields[field.key] = {"anyOf": [fields[field.key], {"type": "null"}]}
            required = [f.key for f in kind.fields if f.always or f.default is kinds.REQUIRED]
            return {"type": ["object", "null"], "properties": fields, "required": required,
                    "additionalProperties": False}  # fmt: skip
        case kinds.Many():
            return _array(of_kind(kind.of), kind.counts)
        case kinds.Table():
            return {"type": "object", "additionalProperties": of_kind(kind.of)}
        case kinds.Number():
            low = {} if math.isinf(kind.least) else {"minimum": kind.least}
            return {"type": "number", **low}
        case kinds.Whole():
            return {"type": "integer"}
        case kinds.Flag():
            return {"type": "boolean"}
        case kinds.Word():
            return {"enum": [word.value for word in kind.of]}
        case kinds.Text() if kind.choices:
            return {"enum": list(kind.choices)}
    if kind is RESULT:
        return {"$ref": "#"}
    return {"type": "string"}


def _array(items: dict[str, Any], counts: tuple[int, ...]) -> dict[str, Any]:
    fixed = {} if len(counts) != 1 else {"minItems": counts[0], "maxItems": counts[0]}
    return {"type": "array", "items": items, **fixed}


def document(name: str, content: Any) -> dict[str, Any]:
    """Return one schema; every document says its format."""
    if isinstance(content, tuple):
        body = {"oneOf": [_of_format(name, one) for one in content]}
    else:
        body = _of_format(name, content)
    return {"$schema": DRAFT, "$id": f"{name}.json", "title": f"stationbook {name} --json", **body}


def _of_format(name: str, content: Any) -> dict[str, Any]:
    body = made(content)
    if "properties" in body and "format" not in body["properties"] and name != "error-of-several":
        body["properties"] = {"format": {"const": 1}, **body["properties"]}
        body["required"] = ["format", *body["required"]]
    return body


def schemas() -> dict[str, dict[str, Any]]:
    """Return all schemas by name."""
    found = {name: document(name, content) for name, content in DOCUMENTS.items()}
    found["solve"] = {
        "$schema": DRAFT, "$id": "solve.json", "title": "stationbook solve --json",
        "anyOf": [of_kind(record) for record in RESULTS.values()],
    }  # fmt: skip
    proof = of_kind(PROOF)
    proof["properties"] |= {"format": {"const": 1}, "findings": made(FINDINGS)}
    found["proof"] = {"$schema": DRAFT, "$id": "proof.json", "title": "stationbook proof --json",
                      **proof}  # fmt: skip
    about = {"dir": "s", "about": "*"}
    found["about"] = document("about", about)
    found["about"]["properties"]["about"] = of_kind(ABOUT)
    return dict(sorted(found.items()))


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, content in schemas().items():
        text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
        (FOLDER / f"{name}.json").write_text(text, encoding="utf-8")
