"""Blanks and pecks from the cutting sound; `cycle` puts the rest together."""
