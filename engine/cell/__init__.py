"""Cell and session as data: what stays the same between sessions, and what was recorded."""
