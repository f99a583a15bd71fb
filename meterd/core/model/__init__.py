"""What the rest is made of: readings, the plan as a value, periods of time, stored figures, findings, the live snapshot.

Read `reading`, `plan`, `periods`, `results`, `finding`, `snapshot`, then the others.
Imports `errors` only.
"""
