"""Which meter drifts: statistics of each day, a learned baseline, control charts, and the name of the suspect.

Read `daily_statistics`, `baseline`, `cusum`, `identification`, `monitor`, then `gross_errors` and `wiring_faults`.
Imports the packages from `model` to `energy`.
"""
