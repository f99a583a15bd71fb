"""Sharing of the surplus: power that is available, consumers, priorities and fairness, the history of shares.

Read `available_power`, `consumers`, `scheduling`, `allocation`, then the others.
Imports the packages from `model` to `drift`.
"""
