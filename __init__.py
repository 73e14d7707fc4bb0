"""heatdrift: knows for years whether a computer's cooling still holds."""

__version__ = "0.1.0"
