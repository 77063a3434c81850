"""The drawer with the session as Python."""
