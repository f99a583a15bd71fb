"""From interval energies to hours, days, weeks, months and years, for one step of the daemon and for whole histories.

Read `rollup`, `aggregation`, `batch`, `completeness`, then `audit`, which explains a stored figure.
Imports the packages from `model` to `pv`.
"""
