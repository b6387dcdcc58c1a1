"""Tables, queries and sessions. Knows nothing of HTTP or physics; `readings.py` alone knows how readings are packed."""
