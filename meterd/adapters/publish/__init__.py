"""Derived values out: who may publish (lease), what is due (dead band and period), and the publisher.

Read `deadband`, `lease`, `publisher`. May use `adapters.mqtt`.
"""
