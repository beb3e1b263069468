"""The camera: projection with its derivatives, and a board's place from one image."""
