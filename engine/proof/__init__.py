"""Proof: was the camera moved, do touched points agree, and where taught points then belong."""
