"""The ear: everything between samples and events. Knows no device and no web page."""

__version__ = "0.1.0"
