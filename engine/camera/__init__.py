"""The lens as numbers, and what the image of a board says about its pose."""
