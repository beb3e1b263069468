"""Checks: what can be said of one entry, from its unit to the likeliest slip."""
