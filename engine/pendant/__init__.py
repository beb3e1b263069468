"""The pendant: typed text → numbers → rotation, in every convention, and back."""
