"""What a point would have taken without a measure, and what it saved: a baseline by regression, with its uncertainty.

Read `regression`, `baseline`, then `savings`. Imports the packages from `model` to `unusual`. Daily energies alone: the same
meter before and after, so an error of its ratio is in both.
"""
