"""Chips beside the joints: there, shifted, turned, stood on end."""
