"""A plant over the years: every session at a glance, cells that are due, drift, archives."""
