"""The metering plan as text: reading, checking and stamping out, up to the frozen `Site`."""
