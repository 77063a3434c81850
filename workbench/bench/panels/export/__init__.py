"""The drawer from which picture, recipe, run record and step sheet leave as files."""
