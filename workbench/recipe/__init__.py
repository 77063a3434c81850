"""Recipes as data: steps, JSON text, migration of older files, differences."""
