"""Photovoltaics: production, self-use and surplus, and the energy of a month divided among tenants.

Read `figures`, `netting`, `energy_accounting`.
Imports `model`, `registers` and `balance`.
"""
