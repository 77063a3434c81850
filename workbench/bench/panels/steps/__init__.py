"""The recipe as a numbered list of steps."""
