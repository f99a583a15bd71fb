"""Feed side against outgoing side: uncertainty of each meter, the balance of one board, reconciliation of the whole site.

Read `uncertainty`, `board_balance`, `least_squares`, `topology`, `network_reconciliation`.
Imports `model` and `registers`.
"""
