"""Broker and page made known on the local network by DNS-SD, off unless the plan gives the address of this machine.

Read `dns_sd`.
"""
