"""stationbook's engine: everything that can be said without a screen."""
