"""Notifications out, by mail and webhook, from a thread of its own.

Read `sender`, `email`, `webhook`, `channels`.
"""
