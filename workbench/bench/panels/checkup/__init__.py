"""The drawer with what was measured in the stack, and advice."""
