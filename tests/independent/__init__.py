"""Scenes that `workbench.simulate` had no part in, and what the workbench must do with them."""
