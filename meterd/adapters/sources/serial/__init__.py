"""Protocols of meters on a line: M-Bus, SML and IEC 62056-21.

Read `mbus_records`, `mbus`, `sml`, `iec62056_21`. Each file holds a pure `decode` and a source.
"""
