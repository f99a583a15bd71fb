"""Bytes over MQTT: the client with its limits, and the embedded broker.

Read `settings`, `link_state`, `deliveries`, `client`, `inbox_control`, `embedded_broker`, `protocol`.
Knows no readings; imports `core.errors` only.
"""
