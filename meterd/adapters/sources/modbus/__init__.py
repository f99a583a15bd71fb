"""Modbus TCP and RTU, plain registers and SunSpec models.

Read `registers`, `transport`, `source`, then `sunspec_models` and `sunspec`.
"""
