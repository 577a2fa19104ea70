"""Microphones and lines. Knows monitor/, never dashboard/."""
