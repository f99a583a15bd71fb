"""The process itself: clocks, the log, the service manager.

Every adapter and app may use it.
"""
