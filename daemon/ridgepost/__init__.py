"""Ridgepost: an unattended messaging gateway and relay for amateur packet radio."""

__version__ = "0.1.0"
