"""Robots: where four kinds of arm stand and can stand, their geometric errors, and URDF import."""
