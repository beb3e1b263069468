"""Plain data written as YAML: keys in the order given, short lists on one line."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import yaml

from ..errors import StationbookError

LINE_WIDTH = 100  # characters; longer lists are folded


class _Dumper(yaml.CSafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        """Write every value out in full: aliases are refused on reading."""
        return True


def yaml_dump(document: Mapping[str, Any] | list[Any]) -> str:
    """Return ``document`` (texts, numbers, booleans, None, lists, dicts) as YAML text.

    A text that would read as a number is quoted. Raises StationbookError for a text that holds
    halves of characters, as a terminal in the wrong encoding delivers them.
    """
    try:
        text: str = yaml.dump(
            document,
            Dumper=_Dumper,
            sort_keys=False,
            default_flow_style=None,
            allow_unicode=True,
            width=LINE_WIDTH,
        )
    except UnicodeEncodeError as error:
        raise StationbookError(
            f"the text {error.object!a} holds characters that cannot be stored",
            "Set the terminal to UTF-8 and type it again.",
        ) from None
    return text


def plain(value: Any) -> Any:
    """Return ``value`` with arrays, tuples and numpy numbers as plain data; NaN and Inf as None.

    A number that is not finite is not known, and what is not known is null in every file.
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
