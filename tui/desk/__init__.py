"""What stands behind the screen: one open session, and the station that is being entered."""

from datetime import datetime


def now() -> datetime:
    """Return the time with its zone, as it is stored."""
    return datetime.now().astimezone()
