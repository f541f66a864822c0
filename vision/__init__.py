"""Meniscope: grade through-hole solder joints from pictures lit by rings of different colour and height."""

__version__ = "0.1.0"
