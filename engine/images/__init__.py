"""Images: reading files and other sources; sharpness, exposure, cut-off."""
