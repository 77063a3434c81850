"""The drawer for opening: by path, by looking through folders, by upload."""
