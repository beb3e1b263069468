"""A cell that exists only in numbers: rendered images, a simulated pendant, simulated sessions."""
