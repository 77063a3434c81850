"""The sky behind everything: its level, cell by cell and over the frame, and its gradient."""
