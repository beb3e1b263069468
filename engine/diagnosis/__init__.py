"""What is wrong with a session, and why: competing causes, the simplest sufficient one first."""
