"""How bytes become readings: transports (ports) and decoders (pure)."""
