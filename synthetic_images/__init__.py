"""Rendered pictures of soldered boards with exact truth."""
