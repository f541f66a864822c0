"""Solder where it should not be, or missing in spots: bridges, balls, projections, pits."""
