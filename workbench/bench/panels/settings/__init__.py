"""The settings of the chosen step."""
