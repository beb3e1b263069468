"""`explain` and `completion`: what helps beyond `--help`."""

from __future__ import annotations

import argparse
from difflib import get_close_matches
from typing import Any

from engine.catalogue import CATALOGUE, CODES, Entry
from engine.errors import UsageError
from engine.findings import in_general

from ..output import Answer, tell


def run_explain(args: argparse.Namespace) -> int:
    if args.code is None:
        lines = [f"{code:22} {CATALOGUE[code].level:8} {CATALOGUE[code].cause}" for code in CODES]
        return tell(args, Answer({"codes": CODES}, lines))
    if args.code not in CODES:
        near = get_close_matches(args.code, CODES, n=1)
        hint = f"Did you mean {near[0]}?" if near else "`stationbook explain` lists all codes."
        raise UsageError(f"there is no finding {args.code!r}", hint)
    forms = [entry for key, entry in CATALOGUE.items() if key.split("/")[0] == args.code]
    return tell(args, Answer(_document(args.code, forms), _page(args.code, forms)))


def _document(code: str, forms: list[Entry]) -> dict[str, Any]:
    first = forms[0]
    texts = [
        {"level": e.level, "message": in_general(e.message), "remedy": in_general(e.remedy)}
        for e in forms
    ]
    return {"code": code, "cause": first.cause, "shows": first.shows, "texts": texts}


def _page(code: str, forms: list[Entry]) -> list[str]:
    first = forms[0]
    lines = [code, "=" * len(code), "", f"Cause:  {first.cause}", f"Signs:  {first.shows}"]
    for form in forms:
        message, remedy = in_general(form.message), in_general(form.remedy)
        lines += ["", f"{form.level}: {message}", f"    remedy: {remedy}"]
    return lines


def run_completion(args: argparse.Namespace) -> int:
    """Print a script with which a shell completes words; it asks `tui.main` for what fits."""
    from argcomplete.shell_integration import shellcode  # only a shell that is set up needs it

    print(shellcode(["stationbook"], shell=args.shell))
    return 0
