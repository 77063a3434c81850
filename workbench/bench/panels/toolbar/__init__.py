"""The strip above: what is open, progress and messages, and the buttons that pull drawers out."""
