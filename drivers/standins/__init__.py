"""Stand-ins on the wire: chips, ports and pins that behave as the real ones and keep a record."""
