"""Whether a load takes more than it usually does: what is usual, the days and nights beyond it, and when that ends.

Read `days`, `usual`, then `watch`; `use_course` is for the page. Imports the packages from `model` to `energy`, and the means
of `forecast`. Says nothing of meters: a drift of a meter is found by its balance, in `drift`.
"""
