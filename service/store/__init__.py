"""Tables, queries and sessions; no HTTP, no physics. `readings.py` alone knows how readings are packed."""
