"""Arithmetic on arrays that every step may use: ranks, neighbours on a circle, signs, polar tables."""
