"""The room that knows MQTT: a client link with its traps closed, and an embedded broker. It carries bytes only."""
