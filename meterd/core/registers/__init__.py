"""One cumulative register: accepted readings become a rising line, the line gives interval energies in whole mWh.

Read `register_line`, `tracker`, `figure_columns`, `corrections`, `meter_exchange`, `limits`, `clock_offsets`.
Imports `model`.
"""
