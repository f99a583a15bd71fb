"""Rules of the plan that need more than one row: one file for each part of the plan.

Read `site`, `meters`, then the others.
"""
