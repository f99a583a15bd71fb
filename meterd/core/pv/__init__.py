"""Photovoltaics: production, self-use and surplus, the energy of a month divided among tenants, and what the roof should give.

Read `figures`, `netting`, `energy_accounting`; then `clear_sky`, `roof_fit`, `roof_days`, `roof_watch`.
Imports `model`, `registers` and `balance`.
"""
