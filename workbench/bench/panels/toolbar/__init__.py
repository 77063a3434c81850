"""The strip above: opening, advice, writing files, messages."""
