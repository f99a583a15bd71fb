"""Protocols of meters on a line: M-Bus, SML, IEC 62056-21 and DLMS notifications.

Read `mbus_records`, `mbus`, `sml`, `iec62056_21`, `dlms_push`. Each file holds a pure `decode` and a source.
"""
