"""`completion`: a script with which the shell completes commands, options and files."""

from __future__ import annotations

import argparse

SHELLS = {"bash": "bash", "zsh": "zsh", "powershell": "powershell"}


def run(args: argparse.Namespace) -> int:
    """Print the script; the shell then asks `tui.main` for what fits."""
    # only a shell that is being set up needs it
    from argcomplete.shell_integration import shellcode

    print(shellcode(["stationbook"], shell=SHELLS[args.shell]))
    return 0
