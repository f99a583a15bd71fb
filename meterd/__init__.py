"""meterd: balance, drift and surplus of a low-voltage main distribution."""

__version__ = "0.2.0"
