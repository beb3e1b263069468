"""The command palette's one source: every action of the screen that is open."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from textual.binding import Binding
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.dom import DOMNode

from .help import all_bindings, keys


class Actions(Provider):
    """Finds actions by their name and explanation, and tells their keys."""

    async def discover(self) -> Hits:
        """Yield every action."""
        for node, binding in self._possible():
            text = _text(binding)
            yield DiscoveryHit(text, self._run(node, binding), text)

    async def search(self, query: str) -> Hits:
        """Yield the actions that match what is typed."""
        matcher = self.matcher(query)
        for node, binding in self._possible():
            text = _text(binding)
            score = matcher.match(text)
            if score > 0:
                yield Hit(score, matcher.highlight(text), self._run(node, binding), text)

    def _possible(self) -> Iterator[tuple[DOMNode, Binding]]:
        for node, binding in all_bindings(self.screen):
            if binding.description and node.check_action(binding.action.partition("(")[0], ()):
                yield node, binding

    @staticmethod
    def _run(node: DOMNode, binding: Binding) -> Any:
        return partial(node.app.run_action, binding.action, node)


def _text(binding: Binding) -> str:
    return f"{binding.description}: {binding.tooltip} ({keys(binding)})"
