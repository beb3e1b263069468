"""What stands behind the screen: one open session, and the station that is being entered."""
