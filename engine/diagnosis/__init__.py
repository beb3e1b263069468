"""Diagnosis: which single cause explains a session that does not fit."""
