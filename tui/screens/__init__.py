"""The screens: key → action → job → message → view."""
