"""Cell, session and result as data: what stays the same, what was recorded, what came of it."""
