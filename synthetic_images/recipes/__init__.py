"""Recipes: what the renderer draws from, as TOML."""
