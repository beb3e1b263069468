"""What leaves the program: report, exports, printed boards and sheets, packed sessions."""
