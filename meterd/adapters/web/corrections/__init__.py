"""Forms that change figures: corrections with a preview, and the exchange of a meter.

Read `fields`, `correction_page`, `preview_job`, `submit`, then `exchange_page`.
"""
