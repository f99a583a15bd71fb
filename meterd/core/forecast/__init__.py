"""What PV, load and surplus will be in the next 48 hours, from the site's own history alone, with a 10/50/90 % band.

Read `history`, `terms`, `blend`, `band`, `model`, then `judge`, which says how good forecasts were.
Imports `model` and `errors`. Nothing here enters an energy, a balance or a document of the past.
"""
